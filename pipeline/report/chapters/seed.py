"""How seed comes up: seedlings for each seed by seed lot, rootstock, room and sowing, and what was planted of a litre."""

from __future__ import annotations

from dataclasses import dataclass

from formpack.words import number, tr, trn
from pipeline.report.blocks import Block, Cell, Chapter, Column, Drawing, Fold, Says, Table, interval, worked_out
from pipeline.report.charts.seed import emergence
from pipeline.store import Store
from pipeline.tables import names_of
from pipeline.workspace import Workspace

_ROWS = """
SELECT "by", level, sowings, seeds, seeds_read, emerged, emergence_rate, low, high, multiple_share, days_to_count,
    lifted_per_seed, planted_per_litre
FROM emergence
"""
_LISTS = {"seed_lot": "seed_lots", "rootstock": "rootstocks", "room": "locations"}


@dataclass(frozen=True)
class Sown:
    """A row of `emergence`."""

    by: str
    level: str
    sowings: int
    seeds: int | None
    seeds_read: int | None
    emerged: int | None
    rate: float | None
    low: float | None
    high: float | None
    several: float | None
    days: float | None
    lifted: float | None
    by_litre: float | None


def ratio(value: float | None) -> Cell | None:
    """A number for each seed, with two decimals."""
    return None if value is None else Cell(value, number(value, 2))


def _table(name: str, caption: str, head: str, rows: list[Sown], names: dict[str, str]) -> Table:
    columns = (
        Column(head),
        Column(tr("sowings"), "number"),
        Column(tr("seeds sown"), "number"),
        Column(tr("seeds in trays counted"), "number"),
        Column(tr("seedlings in them"), "number"),
        Column(tr("for each seed"), "decimal", tr("Seedlings for each seed; above 1 where seeds gave several.")),
        *interval("decimal"),
        Column(tr("days"), "number", tr("Days from sowing to the last count, the middle one of the sowings.")),
        Column(tr("several shoots"), "share", tr("Share of the seeds that gave more than one shoot, where somebody looked.")),
        Column(tr("lifted for each seed"), "decimal"),
        Column(tr("planted for each litre"), "number"),
    )
    shown = [
        (
            *(names.get(s.level, s.level), s.sowings, s.seeds, s.seeds_read, s.emerged),
            *(ratio(s.rate), ratio(s.low), ratio(s.high)),
            *(None if s.days is None else round(s.days), s.several, ratio(s.lifted)),
            None if s.by_litre is None else round(s.by_litre),
        )
        for s in rows
    ]
    return Table(name, caption, columns, shown)


def chapter(store: Store, workspace: Workspace) -> Chapter | None:
    """How seed comes up; None where no sowing is recorded."""
    rows = [Sown(*row) for row in store.rows(_ROWS)]
    of = {by: [s for s in rows if s.by == by] for by in ("all", *_LISTS, "sowing")}
    if not of["all"]:
        return None
    names = {by: names_of(store, name) for by, name in _LISTS.items()}
    (whole,) = of["all"]
    said = trn(
        "{n} sowing is recorded; none has been counted.", "{n} sowings are recorded; none has been counted.", whole.sowings
    )
    if whole.rate is not None and whole.low is not None and whole.high is not None:
        said = tr(
            "{emerged} seedlings came up from {seeds} seeds in the trays counted: {rate} for each seed ({low} to {high}).",
            emerged=whole.emerged,
            seeds=whole.seeds_read,
            rate=number(whole.rate, 2),
            low=number(whole.low, 2),
            high=number(whole.high, 2),
        )
    blocks: list[Block] = [Says(said)]
    drawn = [
        (
            names["seed_lot"].get(s.level, s.level),
            tr("{n} of {seeds} seeds", n=s.emerged, seeds=s.seeds_read),
            s.rate,
            s.low,
            s.high,
        )
        for s in of["seed_lot"]
        if s.rate is not None and s.low is not None and s.high is not None
    ]
    if drawn:
        says = tr("Seedlings for each seed by seed lot, on 95 % intervals; the dashed line is one for each seed.")
        blocks += [Drawing(svg, says) for svg in emergence(drawn, says)]
    by_lot = _table("emergence_by_lot", tr("Emergence by seed lot"), tr("seed lot"), of["seed_lot"], names["seed_lot"])
    by_rootstock = _table(
        "emergence_by_rootstock", tr("Emergence by rootstock"), tr("rootstock"), of["rootstock"], names["rootstock"]
    )
    by_room = _table("emergence_by_room", tr("Emergence by place"), tr("place"), of["room"], names["room"])
    by_sowing = _table("emergence_by_sowing", tr("Emergence by sowing"), tr("sowing"), of["sowing"], {})
    blocks += [
        Fold(tr("By seed lot"), [by_lot]),
        Fold(tr("By rootstock and place"), [by_rootstock, by_room]),
        Fold(tr("By sowing"), [by_sowing]),
        worked_out(
            tr(
                "Seedlings and seeds are those of the trays counted, by the last count of each sowing; more may come up after"
                " it. Seeds in litres are counted by the seeds in a litre that the list of seed lots has; where it has none"
                " they are unknown, and the sowing is in no rate. A code that was sown twice is in none either."
            ),
            tr(
                "A seed may give several seedlings, so the number for each seed is no share and may be above 1. Its interval is"
                " that of a count whose variance is as large as sowings differ; of a single sowing it says nothing of others."
            ),
            tr("What was lifted and planted is so far, of the sowings whose code was given when groups were opened."),
        ),
    ]
    return Chapter("seed", tr("How seed comes up"), blocks, says=said)
