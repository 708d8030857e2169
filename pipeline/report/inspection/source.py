"""Where plants came from: seed lots and batches of budwood, with what the lists say of each and what was made of it."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from formpack.catalog import text_in
from formpack.words import number, tr
from pipeline.report.blocks import Block, Cell, Chapter, Column, Says, Table
from pipeline.report.inspection.long import Names, Period, newest, unknown
from pipeline.store import Store
from pipeline.workspace import Workspace

_LOTS = """
SELECT o.seed_lot, sum(m.quantity)::BIGINT AS plants, count(DISTINCT o.group_code) AS groups, min(o.visit_date) AS first_on
FROM work.accepted o JOIN movements m ON m.instance_id = o.instance_id AND m.kind = 'opened'
WHERE o.opens GROUP BY ALL
"""
_BATCHES = """
SELECT a.budwood_batch, sum(b.quantity)::BIGINT AS buds_set, count(DISTINCT a.group_code) AS groups,
    min(a.visit_date) AS first_on, max(a.visit_date) AS last_on, list(DISTINCT a.team_code ORDER BY a.team_code) AS teams
FROM work.accepted a JOIN work.bookings b USING (reading_id) WHERE b.word = 'set' AND b.quantity > 0 GROUP BY ALL
"""
_MOVED_OPEN = """
SELECT o.group_code, o.moved_on, o.from_group, list(s.code ORDER BY s.code) FILTER (WHERE s.code <> '') AS lots,
    bool_and(coalesce(s.code, '') <> '') AS is_followed,
    any_value(g.estimate) + coalesce(any_value(d.trees), 0)::BIGINT AS plants
FROM work.origins o JOIN standing g USING (group_code)
LEFT JOIN work.sources s ON s.group_code = o.group_code AND s.kind = 'seed_lot'
LEFT JOIN (SELECT group_code, sum(quantity) AS trees FROM movements WHERE kind = 'despatched' GROUP BY group_code) d
    ON d.group_code = o.group_code
WHERE o.from_group IS NOT NULL AND o.moved_on BETWEEN $1 AND $2
GROUP BY o.group_code, o.moved_on, o.from_group ORDER BY o.moved_on, o.group_code
"""


_SOWINGS = """
SELECT s.sowing_code, s.sown_on, s.seed_lot, s.rootstock, s.treated, s.soak_min, s.trays, s.seeds, s.litres, s.medium,
    s.location, s.emerged, s.trays_read, s.read_on
FROM work.sowings s WHERE s.sowing_code IS NOT NULL ORDER BY s.sown_on, s.sowing_code
"""


@dataclass(frozen=True)
class SeedLot:
    code: str | None
    rootstock: str | None
    supplier: str | None
    received: dt.date | None
    treated: str | None
    plants: int
    groups: int


@dataclass(frozen=True)
class Batch:
    code: str | None
    scion: str | None
    source_block: str | None
    source_tree: str | None
    cut_on: dt.date | None
    authorisation: str | None
    listed_buds: int | None
    buds_set: int
    groups: int
    first_on: dt.date
    last_on: dt.date
    teams: list[str]


@dataclass(frozen=True)
class ByMove:
    """A group that moves alone opened: the seed lots that its plants go back to, whether all do, and how many of them stand or
    were delivered."""

    group: str
    on: dt.date
    from_group: str
    lots: list[str] | None
    is_followed: bool
    plants: int


def opened_by_moves(store: Store, period: Period) -> list[ByMove]:
    """Every group that moves alone opened in the period."""
    return [ByMove(*row) for row in store.rows(_MOVED_OPEN, period.values)]


def seed_lots(store: Store) -> list[SeedLot]:
    """Every lot that a group was opened from, with what the list says of it; without a code where no lot was named."""
    rows = store.rows(
        "SELECT u.seed_lot, l.rootstock, l.supplier, l.received, l.treated, u.plants, u.groups"
        f" FROM ({_LOTS}) u LEFT JOIN work.list_seed_lots l ON l.code = u.seed_lot ORDER BY u.first_on, u.seed_lot"
    )
    return [SeedLot(*row) for row in rows]


def batches(store: Store) -> list[Batch]:
    """Every batch of which buds were set, with what the list says of it; without a code where no batch was named."""
    rows = store.rows(
        "SELECT u.budwood_batch, l.scion, l.source_block, l.source_tree, l.cut_on, l.authorisation, l.buds, u.buds_set,"
        f" u.groups, u.first_on, u.last_on, u.teams FROM ({_BATCHES}) u"
        " LEFT JOIN work.budwood_batches l ON l.code = u.budwood_batch ORDER BY u.first_on, u.budwood_batch"
    )
    return [Batch(*row) for row in rows]


def _age(batch: Batch) -> Cell | None:
    """Days from cutting to the first and the last setting."""
    if batch.cut_on is None:
        return None
    first, last = ((day - batch.cut_on).days for day in (batch.first_on, batch.last_on))
    return Cell(last, str(last) if first == last else tr("{low} to {high}", low=first, high=last))


def _sown(store: Store, workspace: Workspace, called: Names, is_page: bool) -> list[Block]:
    """Every sowing and how its seed was handled; nothing where none is recorded."""
    form = workspace.forms.get("sowing")
    mediums = {c["name"]: text_in(c, "label") for c in form.choices.get("mediums", ())} if form else {}
    rows = [
        (
            *(code, day, unknown(lot), called.rootstocks.get(stock or "", stock), unknown(treated), unknown(soaked), trays),
            *(seeds, None if litres is None else Cell(litres, number(litres, 2)), mediums.get(medium or "", medium)),
            *(called.places.get(place or "", place), emerged, read, on),
        )
        for code, day, lot, stock, treated, soaked, trays, seeds, litres, medium, place, emerged, read, on in store.rows(
            _SOWINGS
        )
    ]
    columns = [
        *(Column(tr("sowing")), Column(tr("sown"), "day"), Column(tr("seed lot")), Column(tr("rootstock"))),
        *(Column(tr("treated")), Column(tr("minutes soaked"), "number"), Column(tr("trays"), "number")),
        *(Column(tr("seeds"), "number"), Column(tr("litres"), "decimal"), Column(tr("trays filled with"))),
        *(
            Column(tr("place")),
            Column(tr("seedlings"), "number"),
            Column(tr("in trays"), "number"),
            Column(tr("counted"), "day"),
        ),
    ]
    caption = tr("Sowings, and what had come up when they were last counted")
    table = Table("sowings", caption, columns, rows, mark_says=tr("not recorded"))
    return newest(table, is_page) if rows else []


def chapter(store: Store, workspace: Workspace, called: Names, is_page: bool) -> Chapter:
    """Source of the plants."""
    lots, cut = seed_lots(store), batches(store)
    of_lots = [
        Column(tr("seed lot")),
        Column(tr("rootstock")),
        Column(tr("supplier")),
        Column(tr("received"), "day"),
        Column(tr("treated")),
        Column(tr("groups opened"), "number"),
        Column(tr("plants"), "number", tr("Seedlings lifted when groups were opened from it.")),
    ]
    of_batches = [
        Column(tr("batch")),
        Column(tr("scion")),
        Column(tr("source block")),
        Column(tr("source tree")),
        Column(tr("cut on"), "day"),
        Column(tr("authorisation")),
        Column(tr("buds cut"), "number", tr("Of the list; else as counted at cutting.")),
        Column(tr("buds set"), "number"),
        Column(tr("first set"), "day"),
        Column(tr("last set"), "day"),
        Column(tr("age at setting"), "number", tr("Days from cutting to the first and the last day of setting.")),
        Column(tr("groups"), "number"),
        Column(tr("teams")),
    ]
    rows = [
        (
            *(unknown(lot.code), called.rootstocks.get(lot.rootstock or "", lot.rootstock), unknown(lot.supplier)),
            *(unknown(lot.received), unknown(lot.treated), lot.groups, lot.plants),
        )
        for lot in lots
    ]
    rows_of_batches = [
        (
            *(unknown(b.code), called.scions.get(b.scion or "", b.scion), unknown(b.source_block), unknown(b.source_tree)),
            *(unknown(b.cut_on), unknown(b.authorisation), b.listed_buds, b.buds_set, b.first_on, b.last_on, _age(b)),
            *(b.groups, ", ".join(b.teams)),
        )
        for b in cut
    ]
    lead = tr(
        "What the nursery's lists say of every seed lot that groups were opened from and of every batch of budwood that was"
        " set, whatever the period."
    )
    not_told = tr("not recorded")
    found: list[Block] = [Says(lead, "lead")]
    if lots:
        found += newest(Table("seed_lots", tr("Seed lots"), of_lots, rows, mark_says=not_told), is_page)
    else:
        found.append(Says(tr("No group has been opened from a seed lot.")))
    found += _sown(store, workspace, called, is_page)
    if cut:
        table = Table("batches", tr("Batches of budwood"), of_batches, rows_of_batches, mark_says=not_told)
        found += newest(table, is_page)
    else:
        found.append(Says(tr("No buds have been set.")))
    return Chapter("source", tr("Source of the plants"), found)
