"""Signs of groups: which are to be printed, what they show, and codes that are issued for new ones."""

from __future__ import annotations

import contextlib
import datetime as dt
import re
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from formpack.group_code import is_group_code, issue, plain, shown
from formpack.readers import Unreadable, code
from formpack.words import marked, tr, trn
from pipeline.field.due_list import Places
from pipeline.field.printed import keep_printed, printed
from pipeline.field.sign_layouts import HEADINGS, KINDS, Sign, can_show, draw, sheets
from pipeline.findings import Refused
from pipeline.outputs import one_file, together
from pipeline.store import Store
from pipeline.tables import known_code, unknown_group
from pipeline.workspace import Workspace

TABLES = (
    *("standing", "received", "current", "sources", "origins", "lineage", "stage_events"),
    *("list_rootstocks", "list_scions", "list_locations"),
)
"""The tables that signs are made from."""
MOST_SIGNS = 20_000
"""Signs of one print."""
SERIALS = 9999
"""Serial numbers of a year: 1 to this."""

_GROUPS = """
WITH RECURSIVE line AS (
    SELECT group_code, group_code AS past, DATE '9999-12-31' AS until_on FROM work.origins
    UNION ALL
    SELECT l.group_code, o.from_group, o.moved_on
    FROM line l JOIN work.origins o ON o.group_code = l.past WHERE o.from_group IS NOT NULL
),
bagged AS (
    SELECT l.group_code, max(e.on_date) AS bagged_on
    FROM line l JOIN work.stage_events e ON e.group_code = l.past AND e.stage = 'bag' AND e.on_date <= l.until_on
    GROUP BY l.group_code
),
held AS (
    SELECT group_code, list(code ORDER BY code) FILTER (WHERE kind = 'batch' AND code IS NOT NULL) AS batches,
        list(code ORDER BY code) FILTER (WHERE kind = 'seed_lot' AND code IS NOT NULL) AS seed_lots,
        max(last_on) FILTER (WHERE kind = 'batch') AS budded_on
    FROM work.sources GROUP BY group_code
)
SELECT s.group_code, s.rootstock, s.scion, s.mix, s.location, s.stage <> 'gone', h.batches, h.seed_lots, o.sow_date, l.clock_on,
    g.bagged_on, h.budded_on
FROM standing s
LEFT JOIN work.origins o USING (group_code)
LEFT JOIN work.lineage l USING (group_code)
LEFT JOIN bagged g USING (group_code)
LEFT JOIN held h USING (group_code)
ORDER BY s.location, s.group_code
"""


@dataclass(frozen=True)
class Group:
    """A group with its sign. `scion` is the code of the one that grows in it, where it is one."""

    sign: Sign
    scion: str | None = None
    location: str | None = None
    stands: bool = True


@dataclass(frozen=True)
class Printed:
    """What was printed, and where to."""

    file: Path
    signs: int
    sheets: int


def _labels(store: Store, name: str) -> dict[str, str]:
    """How each code of a list is written on a sign: by its label, or itself where the letters of that cannot be printed."""
    rows = store.rows(f"SELECT code, label FROM work.list_{name}")
    return {code: label if label and can_show(label) else code for code, label in rows}


def _names(found: str | None, of: Mapping[str, str]) -> list[str] | None:
    """The labels of what grows in a group: a code, or a `mix` in words (`CLEMENT 500, TAHITI 200`)."""
    codes = [re.sub(r" [0-9]+$", "", part) for part in (found or "").split(", ") if part]
    return [of.get(code, code) for code in codes] or None


def groups_in_books(store: Store) -> dict[str, Group]:
    """Every group in the books by its code, by place."""
    stocks, scions, places = (_labels(store, name) for name in ("rootstocks", "scions", "locations"))
    found = {}
    for group, stock, scion, mix, place, stands, batches, lots, *days in store.rows(_GROUPS):
        shows: dict[str, Any] = {
            "rootstock": stocks.get(stock, stock),
            "scion": _names(scion or mix, scions),
            "batch": batches or None,
            "seed_lot": lots or None,
            "place": places.get(place, place),
        }
        shows |= {name: on and on.isoformat() for name, on in zip(("sown", "planted", "bagged", "budded"), days, strict=True)}
        found[group] = Group(Sign(group, shows), scion, place, stands)
    return found


def _blank(group: str) -> Group:
    return Group(Sign(group, dict.fromkeys(HEADINGS)))


def of_groups(store: Store, given: Sequence[str]) -> list[Group]:
    """These groups, in the order they are named; one whose code is issued and not used yet has a blank sign. Raises Refused."""
    books = groups_in_books(store)
    issued = {code for (code,) in store.rows("SELECT code FROM kept.codes")}
    found = {}
    for text in given:
        read = code(text)
        if isinstance(read, Unreadable):
            raise unknown_group(store, text)
        group = books.get(str(read)) or (_blank(str(read)) if read in issued else None)
        if group is None:
            said = marked(
                "Group {group} is not in the books, and no such code was issued here; `formpack problems` says what waits."
            )
            raise Refused(tr(said, group=shown(str(read))))
        if not group.stands:
            raise Refused(tr("Of group {group} nothing stands any more, so it needs no sign.", group=shown(group.sign.code)))
        found[group.sign.code] = group
    return list(found.values())


def of_place(store: Store, place: str) -> list[Group]:
    """The groups that stand in a place, or in one that is part of it. Raises Refused."""
    books = groups_in_books(store).values()
    named = dict(store.rows("SELECT code, coalesce(label, code) FROM work.list_locations"))
    known_code("--place", place, named, "locations")
    places = Places.read(store)
    found = [g for g in books if g.stands and place in places.way(g.location or "")]
    if not found:
        raise Refused(tr("No group stands in {place}, so there is no sign to print.", place=named.get(place, place)))
    return found


def changed(store: Store, kind: str) -> list[Group]:
    """The groups that stand and whose sign would say something else than what was printed of them last, or of which none was
    printed. A narrow strip says little, so what it leaves out is held against what was printed before it."""
    said: dict[str, dict[str, Any]] = defaultdict(dict)
    for one in printed(store, [name for name in KINDS if name != "passport"]):
        said[one.about] |= one.shows

    def is_so(group: Group) -> bool:
        before = said[group.sign.code]
        return all(name in before and before[name] == group.sign.shows[name] for name in KINDS[kind].fields)

    return [g for g in groups_in_books(store).values() if g.stands and not is_so(g)]


def new_groups(store: Store, year: int, many: int) -> list[Group]:
    """So many groups with codes of a year that were never used: beyond the highest serial that was issued or came in, whatever
    became of that, and once these are used up the free ones below. Raises Refused where too few are left."""
    begins = f"{year % 100:02d}"
    came = store.rows(
        "SELECT code FROM kept.codes UNION SELECT new_answer FROM kept.corrections WHERE new_answer IS NOT NULL UNION"
        " SELECT trim(text) FROM (SELECT unnest(texts) AS text FROM work.received)"
        " WHERE length(text) < 40 AND starts_with(trim(text), $1)",
        [begins],
    )
    codes = (plain(text) for (text,) in came)
    used = {int(code[2:6]) for code in codes if code and code.isascii() and code[:2] == begins and is_group_code(code)}
    highest = max(used, default=0)
    free = [*range(highest + 1, SERIALS + 1), *(n for n in range(1, highest) if n not in used)]
    if len(free) < many:
        raise Refused(
            trn(
                "{n} code of {year} is left, fewer than {many}, so none was issued; name another --year, or ask for fewer.",
                "{n} codes of {year} are left, fewer than {many}, so none was issued; name another --year, or ask for fewer.",
                len(free),
                year=str(year),
                many=many,
            )
        )
    return [_blank(issue(year, serial, 1)[0]) for serial in free[:many]]


def serials(codes: Sequence[str]) -> list[str]:
    """Issued codes in order, as runs: `26-0803-91 to 26-0852-41`."""
    runs: list[list[str]] = []
    for one in codes:
        if runs and int(one[2:6]) == int(runs[-1][-1][2:6]) + 1:
            runs[-1].append(one)
        else:
            runs.append([one])
    return [
        tr("{first} to {last}", first=shown(run[0]), last=shown(run[-1])) if len(run) > 1 else shown(run[0]) for run in runs
    ]


@contextlib.contextmanager
def _in_its_place(workspace: Workspace, to: Path | None, path: Path) -> Iterator[Path]:
    if to is not None:
        with one_file(to) as beside:
            yield beside
        return
    with together(workspace.folder) as files:
        yield files.place(path)


def print_signs(
    store: Store,
    workspace: Workspace,
    day: dt.date,
    kind: str,
    signs: Sequence[Sign],
    copies: int = 1,
    to: Path | None = None,
    are_new: bool = False,
) -> Printed:
    """Draw the signs into a file, and keep what stands on them: both or neither. New codes are kept before the file stands
    anywhere, and given back only where it is sure not to: so none is ever printed twice. Raises Refused, and OSError."""
    if len(signs) * copies > MOST_SIGNS:
        raise Refused(
            tr("That is {many} signs, and one print takes {most}; ask for fewer.", many=len(signs) * copies, most=MOST_SIGNS)
        )
    document = draw(kind, [sign for sign in signs for _ in range(copies)], workspace.settings.name)
    # each print has a file of its own, which no later one replaces: named after new codes, else by its first number
    first = (store.value("SELECT max(number) FROM kept.printed") or 0) + 1
    about = f"{kind}-{first}"
    if are_new:
        about = f"new-{'-to-'.join(dict.fromkeys(shown(s.code) for s in (signs[0], signs[-1])))}"
    path = to or workspace.paper / f"signs-{about}.pdf"
    names = KINDS[kind].fields
    shows = {sign.code: {n: sign.shows[n] for n in names} if names else sign.shows for sign in signs}
    if are_new:
        with store.transaction():
            now = dt.datetime.now()
            store.insert("kept.codes", ("code", "issued_at", "issued_on"), [(sign.code, now, day) for sign in signs])
    try:
        with store.transaction():
            keep_printed(store, day, kind, shows)
            with _in_its_place(workspace, to, path) as beside:
                beside.write_bytes(document)
    except (Refused, OSError):
        if are_new and not (path.is_file() and path.read_bytes() == document):
            with store.transaction(lets_go=True):
                store.connection.execute(
                    "DELETE FROM kept.codes WHERE code IN (SELECT unnest(?))", [[sign.code for sign in signs]]
                )
        raise
    return Printed(path, len(signs) * copies, sheets(kind, len(signs) * copies))
