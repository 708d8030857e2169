"""The paper of what leaves for an order, and what the despatch form recorded afterwards beside it."""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import re
from collections.abc import Collection, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from formpack.group_code import is_group_code, shown
from formpack.readers import NearMiss
from formpack.words import listed, many, marked, month, tr, trn, unpacked
from pipeline.field.printed import keep_printed, printed
from pipeline.findings import Refused
from pipeline.harmless import one_line
from pipeline.outputs import one_file, together
from pipeline.rates.promises import Names, Pair
from pipeline.store import Store
from pipeline.tables import names_of
from pipeline.workspace import Workspace

if TYPE_CHECKING:
    from pipeline.stages import Work

KIND = "despatch"
TABLES = tuple(
    "owed allotted trees remainders orders deliveries papers on_paper standing sources states current particulars"
    " reading_findings bookings houses day list_rows list_orders list_locations list_rootstocks list_scions"
    " list_compatibility".split()
)
"""The tables that are read here."""

_LEAVES = """
WITH leaves AS (
    SELECT group_code, trees FROM work.allotted JOIN work.day d ON of_age_on <= d.as_of WHERE order_ref = ?
),
held AS (
    SELECT group_code, list(code ORDER BY code) FILTER (WHERE kind = 'batch') AS batches,
        list(code ORDER BY code) FILTER (WHERE kind = 'seed_lot') AS seed_lots
    FROM work.sources WHERE code IS NOT NULL GROUP BY group_code
)
SELECT l.group_code, s.location, l.trees, h.batches, h.seed_lots, s.mix
FROM leaves l JOIN work.standing s USING (group_code) LEFT JOIN held h USING (group_code)
LEFT JOIN work.houses p ON p.location = s.location
ORDER BY p.house NULLS LAST, s.location NULLS LAST, l.group_code
"""
_REMAINS = """
SELECT coalesce(sum(s.estimate), 0)::BIGINT FROM work.remainders JOIN work.standing s USING (group_code)
WHERE s.rootstock = ? AND s.scion = ? AND s.stage = 'topped'
"""
_OUT = """
SELECT c.instance_id,
    coalesce(c.group_code, (SELECT max(f.value) FROM work.reading_findings f
        WHERE f.reading_id = c.reading_id AND f.field = 'group_code'), ''),
    c.visit_date, sum(b.quantity) FILTER (WHERE b.word = 'despatched')::BIGINT, '', s.state, ''
FROM work.states s JOIN work.current c USING (instance_id) JOIN work.particulars p USING (reading_id)
LEFT JOIN work.bookings b USING (reading_id)
WHERE s.state IN ('quarantined', 'waiting') AND p.order_ref = ?
GROUP BY ALL ORDER BY c.visit_date, c.instance_id
"""


@dataclass(frozen=True)
class Line:
    """What is to leave of a group: `batches` and `seed_lots` are all that its trees may be of, `mix` the scions where more than
    one grows in it. `place` is '' where it is not known."""

    group_code: str
    place: str
    trees: int
    batches: list[str]
    seed_lots: list[str]
    mix: str


@dataclass(frozen=True)
class Compared:
    """A group beside a paper: trees on it (None: it is not on it), trees recorded since (None: none are), and whether its pair
    is the order's, as far as is known."""

    group_code: str
    planned: int | None
    recorded: int | None
    is_ordered: bool

    @property
    def differs(self) -> bool:
        """Whether something has gone, and other than on the paper."""
        return self.recorded is not None and self.recorded != self.planned

    @property
    def is_short(self) -> bool:
        """Whether fewer are recorded than are on the paper, or none."""
        return (self.recorded or 0) < (self.planned or 0)

    @property
    def says(self) -> str:
        if not self.is_ordered:
            return tr("not ordered")
        if self.planned is None:
            return tr("not on the paper")
        if self.recorded is None:
            return tr("nothing recorded")
        if self.recorded < self.planned:
            return trn("{n} fewer than on the paper", "{n} fewer than on the paper", self.planned - self.recorded)
        if self.recorded > self.planned:
            return trn("{n} more than on the paper", "{n} more than on the paper", self.recorded - self.planned)
        return tr("as on the paper")


@dataclass(frozen=True)
class Paper:
    """A paper that was printed for an order, and each of its groups beside what was recorded until the next one; `replaced_by`
    the number of the paper that was printed while this one was open, or ''."""

    number: str
    printed_on: dt.date
    replaced_by: str
    groups: list[Compared]

    @property
    def planned(self) -> int:
        return sum(g.planned or 0 for g in self.groups)

    @property
    def recorded(self) -> int:
        return sum(g.recorded or 0 for g in self.groups)

    @property
    def not_ordered(self) -> int:
        """Those of the recorded trees that do not count as delivered."""
        return sum(g.recorded or 0 for g in self.groups if not g.is_ordered)

    @property
    def is_open(self) -> bool:
        return any(g.is_short for g in self.groups)

    @property
    def needs_a_look(self) -> bool:
        return any(g.differs and not (self.replaced_by and g.is_short) for g in self.groups)


@dataclass(frozen=True)
class Record:
    """A despatch that was recorded: to whom, and of which pair; or kept out or waiting, by its `state`. Trees or a
    day that cannot be read are None; a code that is none stands as it came."""

    submission: str
    group_code: str
    day: dt.date | None
    trees: int | None
    consignee: str
    state: str
    pair_label: str

    @property
    def group(self) -> str:
        """The code as people read it; one that is none, as it came."""
        return shown(self.group_code) if is_group_code(self.group_code) else one_line(self.group_code) or tr("not known")


@dataclass(frozen=True)
class Despatch:
    """An order on one day. `doubt` is what the compatibility list says of its pair, '' where it has no doubt; `fault` why
    nothing can be planned for it; `ready_in` when all of it is ready; where nothing leaves, `older` are the trees of the pair
    that are of age and go to older orders, `remains` those that are left over from groups. `others` went to another consignee,
    `not_ordered` are of another pair, `out` are kept out of the books or wait."""

    order: str
    consignee: str
    pair: Pair
    pair_label: str
    doubt: str
    wanted_on: dt.date | None
    ordered: int | None
    delivered: int
    open: int
    fault: str
    ready_in: dt.date | None
    older: int
    remains: int
    leaves: list[Line]
    papers: list[Paper]
    others: list[Record]
    out: list[Record]
    not_ordered: list[Record]

    @property
    def trees(self) -> int:
        """How many are to leave now."""
        return sum(line.trees for line in self.leaves)

    @property
    def needs_a_look(self) -> bool:
        return bool(self.others or self.out or self.not_ordered or any(p.needs_a_look for p in self.papers))

    @property
    def under_no_paper(self) -> int:
        """Trees that count as delivered and went when no paper was printed yet."""
        return self.delivered - sum(p.recorded - p.not_ordered for p in self.papers)

    @property
    def still_open(self) -> str:
        """The number of the last paper, where not all of it is recorded, or ''."""
        return self.papers[-1].number if self.papers and self.papers[-1].is_open else ""


def load_papers(work: Work) -> None:
    """work.papers: every despatch paper, its `position` among those of its order, and the one that replaced it;
    work.paper_lines: the trees of each group on it; work.paper_known: the despatches of its day that were in the books when it
    was printed."""
    papers = printed(work.store, [KIND])
    seen: dict[str, int] = {}
    rows = []
    replaced = {p.shows["replaces"]: p.number for p in papers if p.shows.get("replaces")}
    for p in papers:
        seen[p.about] = seen.get(p.about, 0) + 1
        rows.append((p.number, p.about, p.printed_on, seen[p.about], replaced.get(f"{p.about}/{seen[p.about]}")))
    kinds = {"number": "BIGINT", "order_ref": "VARCHAR", "printed_on": "DATE", "position": "BIGINT", "replaced_by": "BIGINT"}
    work.put("papers", kinds, rows)
    lines = [(p.number, line["group_code"], line["trees"]) for p in papers for line in p.shows["leaves"]]
    work.put("paper_lines", {"number": "BIGINT", "group_code": "VARCHAR", "trees": "BIGINT"}, lines)
    known = [(p.number, submission) for p in papers for submission in p.shows["known"]]
    work.put("paper_known", {"number": "BIGINT", "instance_id": "VARCHAR"}, known)


def despatch_of(store: Store, order: str, names: Names) -> Despatch:
    """What is to leave for an order, and what did beside its papers. Raises Refused for an order that is none."""
    found = store.rows(
        "SELECT consignee, rootstock, scion, wanted_on, ordered, delivered, open, fault FROM work.owed WHERE order_ref = ?",
        [order],
    )
    if not found:
        raise Refused(_no_order(store, order))
    consignee, stock, scion, wanted, ordered, delivered, still, fault = found[0]
    pair = (stock or "", scion or "")
    places = names_of(store, "locations")
    leaves = [
        Line(code, one_line(places.get(at, at) or ""), trees, batches or [], lots or [], mix or "")
        for code, at, trees, batches, lots, mix in store.rows(_LEAVES, [order])
    ]
    ready_in = store.value("SELECT (ready_in || '-01')::DATE FROM work.orders WHERE order_ref = ?", [order])
    older = store.value(
        "SELECT sum(trees)::BIGINT FROM work.trees JOIN work.day d ON of_age_on <= d.as_of WHERE rootstock = ? AND scion = ?",
        [*pair],
    )
    sent = store.rows(
        "SELECT instance_id, group_code, on_date, quantity, consignee, rootstock, scion, to_other, fits FROM work.deliveries"
        " WHERE order_ref = ? ORDER BY on_date, ended, instance_id",
        [order],
    )
    others, not_ordered = [], []
    for submission, group, on, trees, to, its_stock, its_scion, to_other, fits in sent:
        of = (names.rootstock(its_stock or ""), names.scion(its_scion or ""))
        record = Record(submission, group, on, trees, one_line(to or ""), "accepted", " + ".join(filter(None, of)))
        others += [record] if to_other else []
        not_ordered += [record] if fits is False else []
    return Despatch(
        order=order,
        consignee=one_line(consignee or ""),
        pair=pair,
        pair_label=names.pair(pair) if all(pair) else "",
        doubt=names.grades[pair].says(names.plain(pair)) if pair in names.grades else "",
        wanted_on=wanted,
        ordered=ordered,
        delivered=delivered,
        open=still,
        fault=unpacked(fault or ""),
        ready_in=ready_in,
        older=0 if leaves else older or 0,
        remains=store.value(_REMAINS, [*pair]),
        leaves=leaves,
        papers=_papers(store, order, {r.group_code for r in not_ordered}),
        others=others,
        out=[Record(*row) for row in store.rows(_OUT, [order])],
        not_ordered=not_ordered,
    )


def _papers(store: Store, order: str, not_ordered: Collection[str]) -> list[Paper]:
    """The papers of an order that were printed by the day; a paper of which nothing can be compared has no groups."""
    groups: dict[int, list[Compared]] = {}
    for number, code, planned, recorded in store.rows(
        "SELECT number, group_code, planned, recorded FROM work.on_paper WHERE order_ref = ?"
        " ORDER BY number, planned IS NULL, group_code",
        [order],
    ):
        groups.setdefault(number, []).append(Compared(code, planned, recorded, code not in not_ordered))
    rows = store.rows(
        "SELECT number, position, printed_on, replaced_by FROM work.papers JOIN work.day d ON printed_on <= d.as_of"
        " WHERE order_ref = ? ORDER BY number",
        [order],
    )
    called = {number: f"{order}/{position}" for number, position, *_ in rows}
    return [Paper(called[n], on, called.get(replaced_by, ""), groups.get(n, [])) for n, _, on, replaced_by in rows]


def _no_order(store: Store, order: str) -> str:
    rows = store.rows("SELECT is_listed FROM work.list_rows WHERE list_name = 'orders' AND code = ?", [order])
    if rows and rows[0][0]:
        return tr(
            "Order {order} is not active in lists/orders.csv, so nothing leaves for it; set active to yes where it is open.",
            order=order,
        )
    if rows:
        return tr("Order {order} is no longer in lists/orders.csv; put its row back where it is still open.", order=order)
    means = dict(store.rows("SELECT code, coalesce(label, '') FROM work.list_orders"))
    said = tr("There is no order {order} in lists/orders.csv.", order=order[:60])
    return f"{said} {NearMiss(means, means).of(order)}".rstrip()


def why_nothing_leaves(found: Despatch) -> str:
    """In a sentence, '' where something does."""
    if found.leaves:
        return ""
    if found.fault:
        return found.fault
    if not found.open:
        return trn(
            "Nothing leaves: all has gone ({n} tree of {ordered} ordered).",
            "Nothing leaves: all has gone ({n} trees of {ordered} ordered).",
            found.delivered,
            ordered=found.ordered,
        )
    if found.older:
        said = trn(
            "Nothing leaves now: the {n} tree of the pair that is of age goes to older orders.",
            "Nothing leaves now: the {n} trees of the pair that are of age go to older orders.",
            found.older,
        )
    elif found.remains:
        said = trn(
            "Nothing leaves now: {n} tree of the pair is left over and to be cleared out; it may be sent all the same.",
            "Nothing leaves now: {n} trees of the pair are left over and to be cleared out; they may be sent all the same.",
            found.remains,
        )
    else:
        said = tr("Nothing leaves now: no tree of the pair is of age.")
    return f"{said} {_when(found)}"


def _when(found: Despatch) -> str:
    if found.ready_in:
        return tr("All of the order will be ready in {month}.", month=month(found.ready_in))
    return tr("As far as is known too few are on the way for all of it.")


def short_says(found: Despatch) -> str:
    """What lacks of the order beside what leaves now, '' where nothing does or nothing leaves."""
    lacks = found.open - found.trees
    if not found.leaves or not lacks:
        return ""
    said = tr("Short now: {trees}.", trees=many(lacks, "tree"))
    return f"{said} {_when(found)}"


def unknown_places(leaves: Sequence[Line]) -> str:
    """A sentence about the groups whose place is not known, '' where there are none."""
    lost = listed((shown(line.group_code) for line in leaves if not line.place), 6)
    return tr("Where these groups stand is not recorded; look for their signs: {groups}.", groups=lost) if lost else ""


def file_of(workspace: Workspace, number: str) -> Path:
    """Where the paper of this number is written; signs that a file cannot be named by are replaced."""
    order, _, position = number.rpartition("/")
    name = re.sub(r"[^\w.-]", "_", order)
    if name != order:  # A/1 and A_1 are two orders
        name += "-" + hashlib.sha256(order.encode()).hexdigest()[:6]
    return workspace.paper / f"despatch-{name}-{position}.pdf"


def replaces(found: Despatch) -> str:
    """A sentence for a new paper where the last one is still open, '' where it is not."""
    said = found.still_open
    return tr("Paper {number} was still open; this one replaces it.", number=said) if said else ""


def issue_paper(store: Store, workspace: Workspace, found: Despatch, names: Names, day: dt.date, to: Path | None = None) -> str:
    """Write the paper of what leaves now and keep what is on it, both or neither; gives its number, such as `O001/2`. Raises
    Refused where nothing leaves."""
    if why := why_nothing_leaves(found):
        raise Refused(tr("No paper is printed. {why}", why=why))
    known = store.rows(
        "SELECT DISTINCT instance_id FROM work.deliveries WHERE order_ref = ? AND on_date = ? ORDER BY 1", [found.order, day]
    )
    with store.transaction(), contextlib.ExitStack() as files:
        number = f"{found.order}/{len(printed(store, [KIND], found.order)) + 1}"
        if to is None:
            file = files.enter_context(together(workspace.folder)).place(file_of(workspace, number))
        else:
            file = files.enter_context(one_file(to))
        _write(file, number, found, day, workspace, names)
        said: dict[str, Any] = {key: value for key, value in asdict(found).items() if key in _KEPT}
        more = {"known": [k for (k,) in known], "replaces": found.still_open}
        keep_printed(store, day, KIND, {found.order: said | more})
    return number


_KEPT = ("consignee", "pair", "wanted_on", "ordered", "delivered", "open", "leaves")
"""What is kept of a paper."""
_SIGNED = (marked("packed by"), marked("checked by"), marked("driver"), marked("received by"))


def _write(path: Path, number: str, found: Despatch, day: dt.date, workspace: Workspace, names: Names) -> None:
    from pipeline.field.printing import gap, grid, words, write_sheets

    title, nursery = tr("Despatch paper {number}", number=number), workspace.settings.name
    stock, scion = names.rootstock(found.pair[0]), names.scion(found.pair[1])
    rows: list[tuple[Any, ...]] = [
        (
            line.place or tr("not known"),
            shown(line.group_code),
            stock,
            tr("mixed: {scions}", scions=line.mix) if line.mix else scion,
            ", ".join(line.batches),
            ", ".join(line.seed_lots),
            line.trees,
            None,
            None,
        )
        for line in found.leaves
    ]
    rows.append((tr("together"), "", "", "", "", "", found.trees, None, None))
    heads = (
        *(tr("place"), tr("group"), tr("rootstock"), tr("scion"), tr("budwood batches"), tr("seed lot")),
        *(tr("trees to take"), tr("trees taken"), tr("remarks")),
    )
    blocks = [
        words(nursery, 9),
        words(title, 16, bold=True, after_mm=2),
        words(
            tr("Order {order}, for {consignee}", order=found.order, consignee=found.consignee or tr("nobody named")),
            11,
            after_mm=1,
        ),
        words(names.plain(found.pair), 11, bold=True, after_mm=1),
        words(
            tr(
                "Printed on {day}; wanted on {wanted}. Ordered: {ordered}. Gone before: {delivered}. To leave now: {trees}.",
                day=day,
                wanted=found.wanted_on,
                ordered=found.ordered,
                delivered=found.delivered,
                trees=many(found.trees, "tree"),
            ),
            after_mm=2,
        ),
    ]
    for says in (replaces(found), short_says(found), unknown_places(found.leaves)):
        if says:
            blocks.append(words(says, after_mm=2))
    blocks += [
        words(
            tr(
                "Fill in the form {form} on the phone at each group, under this order, with the trees that were taken.",
                form=workspace.forms[KIND].title_spoken,
            )
        ),
        gap(2),
        grid(heads, rows, (15.5, 20.5, 24.5, 17.3, 23.7, 22, 14.5, 22, 22)),
        gap(4),
        grid((tr("leaves on"), tr("vehicle")), [(None, None)], (60, 122), line_mm=12),
        gap(4),
        words(tr("Signed"), 10, bold=True, after_mm=1, keep=True),
        grid(
            ("", tr("name"), tr("signature"), tr("day")),
            [(tr(who), None, None, None) for who in _SIGNED],
            (32, 60, 58, 32),
            line_mm=12,
        ),
        gap(3),
        words(tr("This paper lists records of the nursery. It is no plant passport and no certificate."), 8),
    ]
    write_sheets(path, title, [(f"{nursery}, {title}", blocks)])
