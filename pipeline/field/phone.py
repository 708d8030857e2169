"""What goes to the phones: forms, the group list and the other lists, checked before they are written; and forms on paper."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import math
import re
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from formpack.catalog import Form, replaced
from formpack.group_code import shown
from formpack.pictures import pictures_in
from formpack.words import listed, marked, place, tr
from pipeline.field import due_list
from pipeline.findings import Refused
from pipeline.lists import MEASURED
from pipeline.outputs import Batch, together
from pipeline.rates.promises import Names, grades
from pipeline.settings import Scouting, Settings
from pipeline.store import Store
from pipeline.workspace import LISTS, MADE_FOR_PHONES, Workspace

if TYPE_CHECKING:
    from formpack.xform import Published

MOST_ROWS = 2000
"""Rows beyond which some phones search a list slowly."""

TABLES = (
    *due_list.TABLES,
    *("lots", "settings", "accepted", "movements", "openings", "budded_since", "list_faults", "houses", "place_limits", "cuts"),
    "sowings",
)
"""The tables that the group list is made from."""

_GROUPS = """
WITH read AS (
    SELECT l.*, l.buds_set - coalesce(l.green + l.brown + l.missing, 0) AS left_over,
        greatest(0, ceil(t.lot_read_share * l.buds_set)::BIGINT - coalesce(l.green + l.brown + l.missing, 0)) AS least
    FROM lots l, work.settings t
),
lots_told AS (
    SELECT r.*, coalesce(t.label, r.team_code) AS label,
        r.read_on IS NULL OR (r.least > 0 AND s.stage IN ('budded', 'read')) AS is_unread
    FROM read r JOIN standing s USING (group_code) LEFT JOIN work.list_teams t ON t.code = r.team_code
),
teams AS (
    SELECT group_code, team_code, label, bool_or(is_unread) AS is_unread, max(budded_on) FILTER (WHERE is_unread) AS budded_on
    FROM lots_told GROUP BY ALL
),
budded AS (
    SELECT group_code, string_agg(team_code, ' ' ORDER BY NOT is_unread, team_code) AS teams, max(budded_on) AS budded_on,
        string_agg(label, ', ' ORDER BY team_code) FILTER (WHERE is_unread) AS unread
    FROM teams GROUP BY group_code
),
packed AS (
    SELECT group_code, string_agg(concat_ws(':', team_code, attempt, buds_set, greatest(0, left_over), least, budded_on), ' '
        ORDER BY NOT is_unread, team_code, CASE WHEN is_unread THEN attempt ELSE -attempt END) AS lots
    FROM lots_told GROUP BY group_code
),
-- which attempt is due: of plants that came, by what was done where they came from; then by how many of them have buds
came AS (
    SELECT m.group_code, CASE
            WHEN a.attempt IS NOT NULL THEN a.attempt + 1
            WHEN a.transfer_reason = 'set_aside'
                THEN 1 + (SELECT max(l.attempt) FROM lots l WHERE l.group_code = m.other_group AND l.budded_on <= m.on_date)
            WHEN NOT EXISTS (FROM work.budded_since b WHERE b.group_code = m.other_group AND b.since <= m.on_date) THEN 1
        END AS attempt
    FROM work.movements m JOIN work.accepted a USING (instance_id)
    WHERE m.kind = 'moved_in'
    UNION ALL
    SELECT group_code, 1 FROM work.movements WHERE kind = 'opened'
),
first_attempt AS (
    SELECT group_code, CASE WHEN count(DISTINCT coalesce(attempt, 0)) = 1 THEN any_value(attempt) END AS attempt
    FROM came GROUP BY group_code
),
last_attempt AS (
    SELECT group_code, attempt, sum(buds_set) AS buds_set, bool_or(read_on IS NOT NULL) AS is_read
    FROM lots GROUP BY group_code, attempt
    QUALIFY row_number() OVER (PARTITION BY group_code ORDER BY attempt DESC) = 1
),
attempt_due AS (
    SELECT s.group_code, CASE
            WHEN l.attempt IS NULL THEN f.attempt
            WHEN l.buds_set >= t.lot_read_share * s.estimate THEN l.attempt + 1
            WHEN NOT l.is_read THEN l.attempt
        END AS attempt
    FROM standing s CROSS JOIN work.settings t
    LEFT JOIN first_attempt f USING (group_code) LEFT JOIN last_attempt l USING (group_code)
),
next_due AS (SELECT group_code, min(due_on) AS due FROM due GROUP BY group_code)
SELECT s.group_code, r.label, s.rootstock, c.label, s.scion, s.stage, s.location, p.label, s.estimate, s.low, s.high,
    u.teams, u.budded_on, n.due, CASE WHEN b.since IS NULL THEN 'unbudded' ELSE 'budded' END, k.lots, u.unread,
    CASE WHEN a.attempt <= 3 THEN a.attempt END
FROM standing s
LEFT JOIN work.list_rootstocks r ON r.code = s.rootstock
LEFT JOIN work.list_scions c ON c.code = s.scion
LEFT JOIN work.list_locations p ON p.code = s.location
LEFT JOIN budded u USING (group_code)
LEFT JOIN packed k USING (group_code)
LEFT JOIN attempt_due a USING (group_code)
LEFT JOIN work.budded_since b USING (group_code)
LEFT JOIN next_due n USING (group_code)
WHERE s.stage <> 'gone'
ORDER BY s.group_code
"""
GROUP_COLUMNS = tuple("code label rootstock scion stage location count low high teams budded_on due list_date facts".split())
_OF_PLACES = ("due_today", "limits", "plants", "to_examine", "find_share", "find_sure")
"""What the list of places tells beside its own: what is due, limits of readings, plants that stand there and in what is part of
it, and how many of them to examine so that a pest is found of which a share (in percent) have it, with a confidence (in
percent)."""
SOWING_COLUMNS = tuple("code label seed_lot rootstock sown_on location trays".split())
_COLUMNS = LISTS | {"locations": (*LISTS["locations"], *_OF_PLACES), "sowings": SOWING_COLUMNS}
_SOWINGS = """
SELECT s.sowing_code, concat_ws(' ', s.sowing_code, coalesce(r.label, s.rootstock), s.sown_on::VARCHAR), s.seed_lot,
    s.rootstock, s.sown_on::VARCHAR, s.location, s.trays::VARCHAR
FROM work.sowings s LEFT JOIN work.list_rootstocks r ON r.code = s.rootstock, work.day d
WHERE s.sowing_code IS NOT NULL AND s.sown_on > d.as_of - 730
ORDER BY s.sown_on DESC, s.sowing_code
"""
"""Sowings of two years: seed that comes up slowly for the whole of one, and a year to lift it (common practice, no published
source)."""
_ALWAYS = {"groups": ("code", "facts")}
"""What every list for phones has, for forms of any version: no shipped form ever looked up another column of groups.csv."""


@dataclass(frozen=True)
class PhoneLists:
    """What was written: how many lists there are, groups in them, houses with a list of their own (none where the nursery is
    small), and whether any of it is other than before."""

    lists: int
    groups: int
    houses: int
    warnings: tuple[str, ...]
    changed: bool


@dataclass(frozen=True)
class PhoneFiles:
    forms: int
    own: tuple[str, ...]
    """The nursery's own among them: what each is called, its id and version, and the shipped one in whose place it is."""
    out_of_use: tuple[str, ...]
    """Those that are written no more: what each is called, and its id."""
    lists: int
    groups: int
    houses: int
    validated: bool
    warnings: tuple[str, ...]


def _as_csv(columns: Sequence[str], rows: Iterable[Mapping[str, str]]) -> bytes:
    text = io.StringIO()
    table = csv.DictWriter(text, columns, extrasaction="ignore", lineterminator="\n")
    table.writeheader()
    table.writerows(rows)
    return text.getvalue().encode()


def _group_rows(store: Store, settings: Settings, due_of: Mapping[str, str], due_at: Mapping[str, str]) -> list[dict[str, str]]:
    """The groups; `facts` holds what the forms look up in one place, the number expected and the buds set too, which they keep
    to themselves until a number is typed, unless its twelfth word says that it may be shown. Words are only ever added at
    its end: a phone may have a form of another day than its list.

    A lot is one word, `team:attempt:set:left:least:budded_on`: buds set, how many of them are left to read, and how few can
    be read now without being asked about; for each team the lot that is due comes first. The last words are what is due
    for the group (`due_of`) and at its place (`due_at`), and after how many days a list is old.
    """
    day = str(store.value("SELECT as_of FROM work.day"))
    is_told = "shown" if settings.phone.show_expected else "blind"
    old_after = str(settings.tolerances.old_list_days)
    rows = []
    for row in store.rows(_GROUPS):
        given = ["" if v is None else str(v) for v in row]
        code, stock_label, stock, scion_label, scion, stage, where, place_label, count, low, high, teams, budded, due = given[
            :14
        ]
        is_budded, lots, unread, attempt = given[14:]
        pair = " / ".join(x for x in (stock_label or stock, scion_label or scion) if x)
        label = ", ".join(x for x in (f"{shown(code)} {pair}", place_label or where) if x).replace("#", " ")
        told = (stage, count, low, high, stock, scion, where, teams.replace(" ", ","), budded, due, day, is_told)
        words = (
            *told,
            is_budded,
            lots.replace(" ", ","),
            unread,
            attempt,
            due_of.get(code, ""),
            due_at.get(where, ""),
            old_after,
        )
        facts = " ".join(re.sub(r"\s", "_", w) or "-" for w in words) + f" # {label}"
        values = (code, label, stock, scion, stage, where, count, low, high, teams, budded, due, day, facts)
        rows.append(dict(zip(GROUP_COLUMNS, values, strict=True)))
    return rows


def _columns_read(workspace: Workspace, name: str, columns: Sequence[str]) -> list[str]:
    """Of the columns that a list has those that a form of the workspace reads. Raises Refused where a question speaks of one
    that it does not have: a phone could not open the form."""
    read = set(_ALWAYS.get(name, ("code", "label")))
    for form in workspace.forms.values():
        read |= form.list_columns.get(name, frozenset())
        for q in form.questions:
            lacking = sorted(q.list_columns - set(columns)) if q.type == "select_one_from_file" and q.list_name == name else []
            if lacking:
                said = marked(
                    "{place}: {question} speaks of the column {column} of {list}.csv, which has only {columns}, so a phone"
                    " cannot open the form; name one of these, or add the column."
                )
                values = {"question": q.name, "column": ", ".join(lacking), "list": name, "columns": ", ".join(columns)}
                raise Refused(tr(said, place=place(q.place), **values))
    return [column for column in columns if column in read]


def write_all(store: Store, workspace: Workspace) -> PhoneFiles:
    """phone/ and paper/, all of it or nothing, and in the store which versions went out. Raises Refused."""
    with store.transaction(), together(workspace.folder):
        made = write_lists(store, workspace)
        published, validated = write_forms(workspace, store)
        write_paper(workspace)
    own = tuple(_told(p.form, p.version) for p in published if p.form.is_own)
    gone = tuple(f"{form.title_spoken} ({form.form_id})" for form in workspace.forms.values() if not form.is_active)
    warnings = (*made.warnings, *_in_their_place(p.form for p in published))
    return PhoneFiles(len(published), own, gone, made.lists, made.groups, made.houses, validated, warnings)


def _told(form: Form, version: str) -> str:
    """What a form of the nursery's own is called, with the shipped form that it stands for."""
    told = f"{form.form_id}, {version}"
    if shipped := replaced(form):
        told = tr("{told}, in the place of the form {shipped}", told=told, shipped=shipped.title_spoken)
    return f"{form.title_spoken} ({told})"


def _in_their_place(forms: Iterable[Form]) -> Iterable[str]:
    """A sentence for each form of one's own in the place of a shipped one of another title: the id may be taken by chance."""
    for form in forms:
        if (shipped := replaced(form)) and shipped.title != form.title:
            said = marked(
                "{place}: the form_id {id} is that of the form {shipped}, which phones no longer get; if that is not meant,"
                " give yours another form_id."
            )
            yield tr(said, place=form.place, id=form.form_id, shipped=shipped.title_spoken)


def are_out(workspace: Workspace) -> bool:
    """Whether phone/ holds forms, which need lists beside them."""
    return any((workspace.phone / f"{form_id}.xml").is_file() for form_id in workspace.forms)


def write_lists(store: Store, workspace: Workspace) -> PhoneLists:
    """phone/groups.csv and the other lists, without the rows that are not active, each with the columns that forms read; where
    there are many groups, a list for each house too. What comes out the same is left as it is. Raises Refused."""
    made, warnings = _lists_for_phones(store, workspace)
    folder = workspace.phone
    gone = [path for path in (folder / "houses").glob("*/groups.csv") if path.relative_to(folder).as_posix() not in made]
    new = {folder / name: text for name, text in made.items() if not _holds(folder / name, text)}
    with together(workspace.folder) as files:
        for path, text in new.items():
            files.place(path).write_bytes(text)
        for path in gone:
            files.drop(path)
    in_houses = sum("/" in name for name in made)
    return PhoneLists(len(made) - in_houses, made["groups.csv"].count(b"\n") - 1, in_houses, tuple(warnings), bool(new or gone))


def _holds(path: Path, text: bytes) -> bool:
    return path.is_file() and path.read_bytes() == text


def _too_long(name: str, rows: int) -> str:
    return tr("{list}.csv has {n} rows; some phones become slow beyond {most}.", list=name, n=rows, most=MOST_ROWS)


def _lists_for_phones(store: Store, workspace: Workspace) -> tuple[dict[str, bytes], list[str]]:
    """The files of all lists, by their names in phone/, and warnings."""
    due_of, due_at = due_list.due_today(store)
    groups = _group_rows(store, workspace.settings, due_of, due_at)
    columns = _columns_read(workspace, "groups", GROUP_COLUMNS)
    made, warnings = {"groups.csv": _as_csv(columns, groups)}, []
    if len(groups) > MOST_ROWS:
        by_house = _of_houses(store, groups)
        folders = _folders_of(by_house)
        made |= {f"houses/{folders[house]}/groups.csv": _as_csv(columns, rows) for house, rows in by_house.items()}
        warnings = _long_lists(workspace, by_house, len(groups))
    names = sorted({f for form in workspace.forms.values() for f in form.files} - {"groups"})
    for name in names:
        if name == "sowings":
            rows = [{c: v or "" for c, v in zip(SOWING_COLUMNS, row, strict=True)} for row in store.rows(_SOWINGS)]
            made["sowings.csv"] = _as_csv(_columns_read(workspace, name, SOWING_COLUMNS), rows)
            continue
        read = workspace.list_read(name)
        if read.broken:
            raise Refused(read.refusal)
        faults = store.rows("SELECT place, fault FROM work.list_faults WHERE starts_with(place, ?)", [f"lists/{name}.csv"])
        warnings += [tr("{place}: {fault}.", place=place(where), fault=fault) for where, fault in faults]
        rows = read.active
        if name == "budwood_batches":
            rows = [*rows, *_recorded_batches(store, {r["code"] for r in read.rows})]
        elif name == "locations":
            told, limits = _told_of_places(store, workspace.settings.scouting), _limits(store)
            rows = [
                r
                | {"due_today": due_at.get(r["code"], ""), "limits": limits.get(r["code"], "")}
                | told.get(r["code"], dict.fromkeys(_OF_PLACES[2:], ""))
                for r in rows
            ]
        there = list(dict.fromkeys([*_COLUMNS.get(name, ("code", "label", "active")), *(k for r in rows for k in r)]))
        columns = _columns_read(workspace, name, there)
        for column in columns:
            if not re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", column):
                said = marked("{file}: a phone cannot use the column {column}; use letters, digits and _.")
                raise Refused(tr(said, file=read.file, column=repr(column)))
        filled = [r | {"label": r.get("label") or r["code"]} for r in rows]
        if name == "orders":
            named = Names({}, grades(store))
            filled = [r | {"label": named.with_grade(r["label"], (r.get("rootstock", ""), r.get("scion", "")))} for r in filled]
        made[f"{name}.csv"] = _as_csv(columns, filled)
        if len(rows) > MOST_ROWS:
            warnings.append(_too_long(name, len(rows)))
        if not rows and (forms := _must_have(workspace, name)):
            said = marked("{file} has no row to choose; without one a phone cannot finish {forms}.")
            warnings.append(tr(said, file=read.file, forms=listed(forms, 3)))
    return made, warnings


def _must_have(workspace: Workspace, name: str) -> list[str]:
    """The titles of the forms in use that always ask for a row of a list."""
    return [
        form.title_spoken
        for form in workspace.forms.values()
        if form.is_active and any(q.list_name == name and q.required and q.relevant is None for q in form.questions)
    ]


def _recorded_batches(store: Store, listed: Collection[str]) -> list[dict[str, str]]:
    """Batches that records of cutting name and the list does not, as rows of it."""
    found = store.rows("SELECT budwood_batch, min(scion), min(cut_on) FROM work.cuts GROUP BY budwood_batch ORDER BY ALL")
    return [
        {"code": code, "label": f"{code} {cut_on}", "scion": scion or "", "cut_on": str(cut_on)}
        for code, scion, cut_on in found
        if code not in listed
    ]


def _told_of_places(store: Store, settings: Scouting) -> dict[str, dict[str, str]]:
    """The last four of `_OF_PLACES`, of each place at which plants stand."""
    from pipeline.formulas.detection import wanted

    places, stands = due_list.Places.read(store), defaultdict[str, int](int)
    for code, plants in store.rows(
        "SELECT location, sum(estimate)::BIGINT FROM standing WHERE stage <> 'gone' AND location IS NOT NULL GROUP BY location"
    ):
        for there in places.way(code):
            stands[there] += plants
    told = {}
    for there, plants in stands.items():
        if found := wanted(plants, settings.level, settings.confidence, settings.efficacy):
            share = f"{math.ceil(1000 * found[1] - 1e-9) / 10:g}" if found[1] >= 0.001 else f"{100 * found[1]:g}"
            told[there] = dict(
                zip(_OF_PLACES[2:], (str(plants), str(found[0]), share, f"{100 * settings.confidence:g}"), strict=True)
            )
    return told


def _limits(store: Store) -> dict[str, str]:
    """By place its limits in the order of `MEASURED`, low and high of each, as words; `-` for none. Words are only ever
    added at the end: a phone may have a form of another day than its list."""
    told: dict[str, list[str]] = {}
    for place_code, what, *ends in store.rows("SELECT location, what, low, high FROM work.place_limits"):
        if what not in MEASURED:
            continue
        at = 2 * MEASURED.index(what)
        words = told.setdefault(place_code, ["-"] * 2 * len(MEASURED))
        words[at : at + 2] = ["-" if end is None else f"{end:.12g}" for end in ends]
    return {place_code: " ".join(words) for place_code, words in told.items()}


def _of_houses(store: Store, groups: Sequence[dict[str, str]]) -> dict[str, list[dict[str, str]]]:
    """The groups of each house; those that stand in none that is known belong to all."""
    house_of_place = dict(store.rows("SELECT location, house FROM work.houses"))
    houses = sorted(set(house_of_place.values()))
    found: dict[str, list[dict[str, str]]] = {house: [] for house in houses}
    for row in groups:
        for house in [house_of_place[row["location"]]] if row["location"] in house_of_place else houses:
            found[house].append(row)
    return found


_TAKEN = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10))}
"""Names that no file can have on some systems."""


def _plain_and_safe(house: str) -> tuple[str, str]:
    """The code of a house as the name of a folder, and what stands for it where it cannot be: not every system takes all
    letters and marks, some names are taken, and some systems know no difference between small and large letters."""
    safe = re.sub(r"[^A-Za-z0-9_-]", "_", house) + "~" + hashlib.sha256(house.encode()).hexdigest()[:8]
    return (safe if re.search(r"[^A-Za-z0-9_-]", house) or house.casefold() in _TAKEN else house), safe


def _folders_of(houses: Collection[str]) -> dict[str, str]:
    """The name of the folder of each house."""
    alike: dict[str, list[str]] = defaultdict(list)
    for house in houses:
        alike[_plain_and_safe(house)[0].casefold()].append(house)
    return {house: _plain_and_safe(house)[len(some) > 1] for some in alike.values() for house in some}


def _long_lists(workspace: Workspace, by_house: Mapping[str, Sequence[Mapping[str, str]]], groups: int) -> list[str]:
    """Which lists are too long for some phones, and who gets them."""
    long = [_too_long(f"houses/{house}/groups", len(rows)) for house, rows in by_house.items() if len(rows) > MOST_ROWS]
    houses = houses_of_staff(workspace)
    whole = [r.get("label") or r["code"] for r in workspace.list_read("staff").active if not houses.get(r["code"])]
    if not whole:
        return long
    said = marked(
        "The list of all {n} groups is for {people}, and some phones become slow beyond {most}; write the codes of the houses"
        " that each works in into the column works_in of lists/staff.csv."
    )
    return [tr(said, people=listed(whole, 3), n=groups, most=MOST_ROWS), *long]


def houses_of_staff(workspace: Workspace) -> dict[str, frozenset[str]]:
    """By code of staff the houses that they work in, as lists/staff.csv and lists/locations.csv say it; none is everywhere."""
    places = {r["code"]: r.get("part_of", "") for r in workspace.list_read("locations").rows}
    way = due_list.Places(places, places).way
    given = {r["code"]: r.get("works_in", "").split() for r in workspace.list_read("staff").rows}
    return {code: frozenset(way(place)[-1] for place in some if place in places) for code, some in given.items()}


def group_list_of(phone_folder: Path, houses: Collection[str] | None) -> bytes:
    """groups.csv as somebody gets it who works in these houses: their rows, each once, in order of code. The whole list for who
    works everywhere or in a house that has none of its own, and where the nursery is small."""
    whole, folder = phone_folder / "groups.csv", phone_folder / "houses"
    there = {path.parent.name: path for path in folder.glob("*/groups.csv")}
    found = [next((there[name] for name in reversed(_plain_and_safe(house)) if name in there), whole) for house in houses or ()]
    if not found or whole in found:
        return whole.read_bytes()
    head, *_ = lists = [path.read_bytes().split(b"\n") for path in found]
    rows = {row.partition(b",")[0]: row for lines in lists for row in lines[1:] if row}
    return b"\n".join([head[0], *(rows[code] for code in sorted(rows)), b""])


def _lists_beside(workspace: Workspace, files: Batch, made: Sequence[Published]) -> dict[str, str]:
    """The lists that forms ask for, as they will be in phone/; of one that is not there yet a row of blanks."""
    texts = {}
    for name in sorted({f for p in made for f in p.form.files}):
        path = files.now(workspace.phone / f"{name}.csv")
        columns = GROUP_COLUMNS if name == "groups" else _COLUMNS.get(name, ("code", "label", "active"))
        blank = ",".join(columns) + "\n" + ",".join("x" for _ in columns) + "\n"
        texts[name] = path.read_text(encoding="utf-8") if path.exists() else blank
    return texts


def write_forms(workspace: Workspace, store: Store | None = None) -> tuple[list[Published], bool]:
    """phone/FORM.xlsx and phone/FORM.xml of every active form, each that is new opened once; `store` keeps which versions these
    are, and knows which forms are no more: what was written of them goes. Returns what was made, and whether it went through
    the validator."""
    from formpack.catalog import FormError
    from formpack.xform import can_open, has_java, opening_faults, publish

    folder = workspace.phone
    out = _versions_out(store) if store is not None else {}
    with together(workspace.folder) as files:
        try:
            made = publish(workspace.forms, folder, workspace.settings.language, out)
            new = [form for form in made if form.is_new]
            faults = opening_faults(new, _lists_beside(workspace, files, new)) if can_open() else []
            if faults:
                raise FormError(faults)
        except FormError as wrong:
            raise Refused(" ".join(wrong.faults)) from None
        for form in made:
            xform, book = (folder / f"{form.form.form_id}{ending}" for ending in (".xml", ".xlsx"))
            if (
                form.is_new or not book.exists() or book.stat().st_mtime < xform.stat().st_mtime
            ):  # a former program was cut short
                files.place(xform).write_bytes(form.xform.encode())
                files.place(book).write_bytes(form.workbook)
        for form_id in (out.keys() | workspace.forms.keys()) - {p.form.form_id for p in made}:
            for path in (folder / f"{form_id}.xml", folder / f"{form_id}.xlsx"):
                files.drop(path)
            for path in (workspace.paper / f"{form_id}.html", workspace.paper / f"{form_id}.xlsx"):
                files.drop(path)
        _lay_pictures(workspace, files, out.keys() | workspace.forms.keys())
        if store is not None:
            _keep_versions(store, made)
    return made, has_java()


def _lay_pictures(workspace: Workspace, files: Batch, form_ids: Collection[str]) -> None:
    """The pictures that forms show, in phone/; those that only the former ones showed go."""
    former = [path for form_id in sorted(form_ids) if (path := workspace.phone / f"{form_id}.xml").exists()]
    shown = {name for path in former for name in pictures_in(path.read_text(encoding="utf-8", errors="replace"))}
    pictures = workspace.pictures
    for name, source in pictures.items():
        content, path = source.read_bytes(), workspace.phone / name
        if not _holds(path, content):
            files.place(path).write_bytes(content)
    for name in shown - pictures.keys():
        files.drop(workspace.phone / name)


def _versions_out(store: Store) -> dict[str, int]:
    """The highest version of each form that went to the phones."""
    query = "SELECT form_id, max(TRY_CAST(version AS BIGINT)) FROM kept.form_versions WHERE is_published GROUP BY ALL"
    return {form_id: version or 0 for form_id, version in store.rows(query)}


def _keep_versions(store: Store, made: Sequence[Published]) -> None:
    """Keep which versions went to the phones, and what they ask."""
    known = set(store.rows("SELECT form_id, version, asked FROM kept.form_versions WHERE is_published"))
    asked = [(p.form.form_id, p.version, json.dumps(sorted(q.name for q in p.form.kept))) for p in made]
    with store.transaction():
        for row in (r for r in asked if r not in known):
            store.connection.execute("INSERT OR REPLACE INTO kept.form_versions VALUES (?, ?, ?, true)", list(row))


def write_paper(workspace: Workspace) -> int:
    """paper/FORM.xlsx to type into, and paper/FORM.html to print, of every active form. Returns how many forms."""
    from formpack.paper import printed_sheet, typing_workbook

    folder, active = workspace.paper, {form_id: form for form_id, form in workspace.forms.items() if form.is_active}
    names = {f for form in workspace.forms.values() for f in form.files} - MADE_FOR_PHONES
    lists = {n: [(r["code"], r.get("label") or r["code"]) for r in workspace.list_read(n).active] for n in sorted(names)}
    language, pictures = workspace.settings.language, workspace.pictures
    with together(workspace.folder) as files:
        for form_id, form in active.items():
            files.place(folder / f"{form_id}.html").write_bytes(printed_sheet(form, lists, language, pictures).encode())
            files.place(folder / f"{form_id}.xlsx").write_bytes(typing_workbook(form, lists, language))
    return len(active)
