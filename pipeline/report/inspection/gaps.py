"""What the records lack, each gap once, with what to do: those that concern the most plants first."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from formpack.group_code import shown
from formpack.words import listed, many, marked, tr, trn
from pipeline.report.blocks import Chapter, Column, Fold, Says, Table
from pipeline.report.inspection.long import ON_PAGE, Names, Period
from pipeline.report.inspection.source import batches, opened_by_moves, seed_lots
from pipeline.report.workbook import MOST_ROWS
from pipeline.store import Store

_LIST = marked("Find it in the papers that came with it, and write it into {file}.")
KINDS = {
    "no_source_tree": (marked("batch without a source tree"), _LIST, "lists/budwood_batches.csv"),
    "no_authorisation": (marked("batch without an authorisation"), _LIST, "lists/budwood_batches.csv"),
    "no_cutting_day": (marked("batch without a day of cutting"), _LIST, "lists/budwood_batches.csv"),
    "over_listed": (
        marked("more buds set than cut"),
        marked("Look at the list and at the records that name the batch, and correct what is wrong."),
        "",
    ),
    "tree_of_scions": (
        marked("source tree with several scions"),
        marked("Find out what was cut from the tree, and correct {file}."),
        "lists/budwood_batches.csv",
    ),
    "no_batch": (marked("buds without a batch"), marked("Ask the team, and correct the record of the budding."), ""),
    "mixed_batches": (
        marked("several batches in one lot"),
        marked("Nothing now: which plant has which cannot be told. A new lot a batch keeps them apart."),
        "",
    ),
    "no_supplier": (marked("seed lot without a supplier"), _LIST, "lists/seed_lots.csv"),
    "no_received": (marked("seed lot without a day of receipt"), _LIST, "lists/seed_lots.csv"),
    "no_seed_lot": (
        marked("opening without a seed lot"),
        marked("Ask who opened it, and correct the record of the opening."),
        "",
    ),
    "opened_by_transfer": (
        marked("group with plants of no seed lot"),
        marked("Correct the record of the opening that its plants go back to."),
        "",
    ),
    "no_place": (marked("group without a place"), marked("Look where it stands, and send that from a phone."), ""),
    "no_order": (marked("delivery without an order"), marked("Find the order, and correct the record of the delivery."), ""),
    "no_consignee": (
        marked("delivery without a consignee"),
        marked("Find out who received the trees, and correct the record of the delivery."),
        "",
    ),
    "kept_out": (marked("records kept out of the books"), marked("`formpack problems` says of each what to do."), ""),
    "waiting": (marked("records that wait"), marked("`formpack problems` says of each what it waits for."), ""),
    "not_taken": (marked("files and tables not taken in"), marked("`formpack problems` says of each what to do."), ""),
    "code_gone": (
        marked("row gone from a list"),
        marked("Put the row back, with active = no where it is not to be chosen."),
        "",
    ),
    "clock_off": (
        marked("phone with a wrong clock"),
        marked("Set the clock of the phone; look whether the days of these records are right."),
        "",
    ),
    "not_counted_again": (
        marked("count that could not be repeated"),
        marked("Have the group counted again, preferably by somebody else."),
        "",
    ),
}
"""Name -> (what lacks, what to do, the file that it goes into), marked."""


@dataclass(frozen=True)
class Gap:
    """One thing that lacks: its kind, a sentence, and the plants or buds that it concerns; None where nobody can say."""

    kind: str
    text: str
    plants: int | None


def to_do(kind: str) -> str:
    """What to do about a kind of gap."""
    _, says, file = KINDS[kind]
    return tr(says, file=file) if file else tr(says)


def _of_batches(store: Store) -> Iterator[Gap]:
    said = {
        "no_source_tree": marked("No source tree is recorded for batch {batch} ({buds} set in {groups})."),
        "no_authorisation": marked("No authorisation is recorded for batch {batch} ({buds} set in {groups})."),
        "no_cutting_day": marked("No day of cutting is recorded for batch {batch} ({buds} set in {groups})."),
    }
    cut = batches(store)
    for batch in cut:
        of = {"buds": many(batch.buds_set, "bud"), "groups": many(batch.groups, "group")}
        if batch.code is None:
            yield Gap("no_batch", tr("No batch is recorded for {buds} set in {groups}.", **of), batch.buds_set)
            continue
        lacks = (batch.source_tree, batch.authorisation, batch.cut_on)
        for kind, value in zip(said, lacks, strict=True):
            if not value:
                yield Gap(kind, tr(said[kind], batch=batch.code, **of), batch.buds_set)
        if batch.listed_buds is not None and (more := batch.buds_set - batch.listed_buds) > 0:
            too_many = trn(
                "{n} more bud of batch {batch} was set than were cut.",
                "{n} more buds of batch {batch} were set than were cut.",
                more,
                batch=batch.code,
            )
            yield Gap("over_listed", too_many, more)
    for tree, block, scions in store.rows(_TREES):
        buds = sum(b.buds_set for b in cut if (b.source_tree, b.source_block) == (tree, block))
        if buds:
            named = tr("Tree {tree} of {block} is named for {scions}.", tree=tree, block=block, scions=listed(scions))
            yield Gap("tree_of_scions", named, buds)


_TREES = """
SELECT source_tree, source_block, list(DISTINCT scion ORDER BY scion) AS scions FROM work.budwood_batches
WHERE source_tree <> '' AND source_block <> '' AND scion <> ''
GROUP BY ALL HAVING len(scions) > 1 ORDER BY source_block, source_tree
"""
_MIXED = """
SELECT a.group_code, a.team_code, a.attempt, list(DISTINCT a.budwood_batch ORDER BY a.budwood_batch), sum(b.quantity)::BIGINT
FROM work.accepted a JOIN work.bookings b USING (reading_id) WHERE b.word = 'set' AND b.quantity > 0
GROUP BY a.group_code, a.team_code, a.attempt HAVING count(DISTINCT a.budwood_batch) > 1
ORDER BY a.group_code, a.team_code, a.attempt
"""


def _of_lots(store: Store) -> Iterator[Gap]:
    for group, team, attempt, codes, buds in store.rows(_MIXED):
        said = marked("Buds of several batches ({batches}) were set together in {group} by team {team} at budding {attempt}.")
        yield Gap("mixed_batches", tr(said, batches=listed(codes), group=shown(group), team=team, attempt=attempt), buds)
    said_of = {
        "no_supplier": marked("No supplier is recorded for seed lot {lot} ({plants} in {groups})."),
        "no_received": marked("No day of receipt is recorded for seed lot {lot} ({plants} in {groups})."),
    }
    for lot in seed_lots(store):
        of = {"plants": many(lot.plants, "plant"), "groups": many(lot.groups, "group")}
        if lot.code is None:
            yield Gap("no_seed_lot", tr("No seed lot is recorded for {plants} in {groups}.", **of), lot.plants)
            continue
        for kind, value in (("no_supplier", lot.supplier), ("no_received", lot.received)):
            if not value:
                yield Gap(kind, tr(said_of[kind], lot=lot.code, **of), lot.plants)


def _of_groups(store: Store, period: Period) -> Iterator[Gap]:
    for moved in opened_by_moves(store, period):
        if not moved.is_followed and moved.plants:
            said = marked(
                "{group} was opened by moving plants from {origin}, and not all of them go back to a seed lot; {plants} of it"
                " stand or were delivered."
            )
            of = {"group": shown(moved.group), "origin": shown(moved.from_group), "plants": many(moved.plants, "plant")}
            yield Gap("opened_by_transfer", tr(said, **of), moved.plants)
    for group, plants in store.rows(
        "SELECT group_code, estimate FROM standing WHERE location IS NULL AND stage <> 'gone' ORDER BY group_code"
    ):
        said = marked("No place is recorded for {group} ({plants}).")
        yield Gap("no_place", tr(said, group=shown(group), plants=many(plants, "plant")), plants)


def _of_deliveries(store: Store) -> Iterator[Gap]:
    said = {
        "no_order": marked("The delivery of {trees} from {group} on {day} names no order."),
        "no_consignee": marked("The delivery of {trees} from {group} on {day} names no consignee."),
    }
    for on, group, order, consignee, trees in store.rows(
        "SELECT on_date, group_code, order_ref, consignee, trees FROM inspected_deliveries ORDER BY rowid"
    ):
        for kind, value in (("no_order", order), ("no_consignee", consignee)):
            if not value:
                yield Gap(kind, tr(said[kind], trees=many(trees, "tree"), group=shown(group), day=on), trees)


# what is kept out is told whatever day it claims: that may be what is wrong. Of a record that opens, what it takes out is part
# of what it opened with; one that opens or moves nothing may still be all that is known of its group
_HELD = """
WITH said AS (
    SELECT s.instance_id, s.group_code, s.state, coalesce(sum(b.quantity) FILTER (WHERE b.word = 'opens'), sum(b.quantity)
        FILTER (WHERE b.word IN ('leaves', 'moves', 'despatched') OR (b.word = 'failed' AND c.moves_to IS NOT NULL))) AS plants
    FROM submissions s LEFT JOIN work.current c USING (instance_id) LEFT JOIN work.bookings b USING (reading_id)
    WHERE s.state = 'quarantined'
        OR (s.state = 'waiting' AND coalesce(s.visit_date, s.received_at::DATE) BETWEEN $1 AND $2)
    GROUP BY ALL
)
SELECT s.group_code, s.state, count(*), sum(greatest(s.plants, abs(h.plants)))::BIGINT
FROM said s LEFT JOIN work.held_back h USING (instance_id)
GROUP BY s.group_code, s.state ORDER BY s.group_code, s.state
"""


def _of_records(store: Store, called: Names, period: Period) -> Iterator[Gap]:
    for group, state, records, plants in store.rows(_HELD, period.values):
        changes = many(plants, "plant") if plants else tr("no change of plants")
        of = {"group": shown(group) if group else tr("no group"), "plants": changes}
        if state == "waiting":
            said = trn("{n} record of {group} waits ({plants}).", "{n} records of {group} wait ({plants}).", records, **of)
        else:
            said = trn(
                "{n} record of {group} is kept out ({plants}).",
                "{n} records of {group} are kept out ({plants}).",
                records,
                **of,
            )
        yield Gap("waiting" if state == "waiting" else "kept_out", said, plants if group else plants or None)
    for (message,) in store.rows(
        "SELECT DISTINCT message FROM problems ANTI JOIN submissions USING (instance_id) WHERE severity = 'stop'"
        " ORDER BY message"
    ):
        yield Gap("not_taken", message, None)
    for (message,) in store.rows("SELECT message FROM problems WHERE rule = 'code_gone' ORDER BY message"):
        yield Gap("code_gone", message, None)
    for staff, records in store.rows(
        "SELECT s.staff_code, count(*) FROM problems p JOIN submissions s USING (instance_id)"
        " WHERE p.rule = 'clock_off' AND s.visit_date BETWEEN $1 AND $2 GROUP BY s.staff_code ORDER BY s.staff_code",
        period.values,
    ):
        said = trn(
            "{n} record of {person} was saved by a phone with a wrong clock.",
            "{n} records of {person} were saved by a phone with a wrong clock.",
            records,
            person=called.person(staff),
        )
        yield Gap("clock_off", said, None)
    for group, records, last, plants in store.rows(
        "SELECT p.group_code, count(*), max(s.visit_date), any_value(g.estimate) FROM problems p"
        " JOIN submissions s USING (instance_id) LEFT JOIN standing g ON g.group_code = p.group_code"
        " WHERE p.rule = 'not_counted_again' AND s.visit_date BETWEEN $1 AND $2 GROUP BY p.group_code ORDER BY p.group_code",
        period.values,
    ):
        said = trn(
            "{n} number of {group} was not what was expected and could not be counted again, on {day}.",
            "{n} numbers of {group} were not what was expected and could not be counted again, the last on {day}.",
            records,
            group=shown(group),
            day=last,
        )
        yield Gap("not_counted_again", said, plants)


def gather_gaps(store: Store, called: Names, period: Period) -> list[Gap]:
    """All gaps, the most plants first; after them those of which nobody can say how many. Reads the deliveries laid aside."""
    found = [*_of_batches(store), *_of_lots(store), *_of_groups(store, period), *_of_deliveries(store)]
    found += _of_records(store, called, period)
    return sorted(found, key=lambda gap: (-(gap.plants or 0), list(KINDS).index(gap.kind), gap.text))


def by_kind(gaps: list[Gap]) -> dict[str, list[Gap]]:
    """The gaps of each kind that there is, the kind with the most plants first."""
    found: dict[str, list[Gap]] = {}
    for gap in gaps:
        found.setdefault(gap.kind, []).append(gap)
    return dict(sorted(found.items(), key=lambda of: -sum(gap.plants or 0 for gap in of[1])))


def plants_of(gaps: list[Gap]) -> int | None:
    """Plants of all of them; None where nobody can say of any."""
    known = [gap.plants for gap in gaps if gap.plants is not None]
    return sum(known) if known else None


def chapter(gaps: list[Gap], is_page: bool) -> Chapter:
    """What lacks, by kind and one by one."""
    title = tr("What the records lack")
    if not gaps:
        return Chapter("gaps", title, [Says(nothing_lacks())])
    most = ON_PAGE if is_page else MOST_ROWS
    concerned = Column(
        tr("plants or buds"), "number", tr("Plants or buds concerned; the same plants may stand in several rows.")
    )
    kinds = Table(
        "kinds_of_gaps",
        tr("What lacks, by kind"),
        [Column(tr("what lacks")), Column(tr("times"), "number"), concerned, Column(tr("what to do"))],
        [(tr(KINDS[kind][0]), len(of), plants_of(of), to_do(kind)) for kind, of in by_kind(gaps).items()],
    )
    caption = tr("Each gap, the most plants first")
    if len(gaps) > most:
        said = marked("The first {n} of {all} gaps, the most plants first")
        if is_page:
            said = marked("The first {n} of {all} gaps, the most plants first; the others are in inspection.xlsx")
        caption = tr(said, n=most, all=len(gaps))
    listed_gaps = Table(
        "gaps",
        caption,
        [Column(tr("gap")), Column(concerned.head, "number", concerned.says), Column(tr("what lacks"), is_aside=True)],
        [(gap.text, gap.plants, tr(KINDS[gap.kind][0])) for gap in gaps[:most]],
    )
    return Chapter("gaps", title, [kinds, Fold(tr("Gap by gap"), [listed_gaps])])


def nothing_lacks() -> str:
    """Said where there is no gap."""
    return tr(
        "Of what this report looks for, nothing lacks: each kind of gap that it knows was looked for, and none was found."
    )
