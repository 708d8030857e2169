"""What losses cost, what late orders hold back, and what stands is worth at cost; nothing where no prices are given."""

from __future__ import annotations

import math

from formpack.words import listed, many, month, tr
from pipeline.rates.losses import NOT_RECORDED, STAGES
from pipeline.report.blocks import Block, Cell, Chapter, Column, Fold, Head, Says, Table
from pipeline.report.money import Losses, cost_of_last_month, late_orders, losses
from pipeline.report.months import cause_words
from pipeline.report.stock import in_stage
from pipeline.settings import Prices, Settings
from pipeline.store import Store
from pipeline.workspace import Workspace


def _costs(prices: Prices) -> dict[str, float]:
    return {stage: each for stage in STAGES if (each := getattr(prices.cost, stage)) is not None}


def _stages(stages: list[str]) -> str:
    return listed(in_stage(stage) for stage in stages)


def _money(prices: Prices, head: str) -> Column:
    return Column(tr("{head}, {currency}", head=head, currency=prices.currency) if prices.currency else head, "money")


def _lost(store: Store, settings: Settings) -> list[Block]:
    """By stage, by cause, and both; twelve whole months beside the last of them."""
    prices, each, named = settings.prices, _costs(settings.prices), cause_words()
    year, last = losses(store, 12), losses(store)

    def spent(of: Losses, stage: str = "", cause: str = "") -> float:
        return sum(n * each[s] for (s, c), n in of.plants.items() if s in each and stage in ("", s) and cause in ("", c))

    stages = [stage for stage in STAGES if spent(year, stage)]
    if not stages:
        return [Says(tr("Nothing was lost in the last twelve months where a cost is given."))]
    by_stage = []
    for stage in stages:
        quiet = spent(year, stage, NOT_RECORDED)
        half = year.unsure.get(stage, 0.0) * each[stage]
        recorded = spent(year, stage) - quiet
        ends = (max(0.0, quiet - half), quiet + half) if half else (None, None)
        by_stage.append((in_stage(stage), recorded, quiet, *ends, spent(year, stage), spent(last, stage)))
    sums = [sum(row[i] or 0.0 for row in by_stage if not isinstance(row[i], str)) for i in (1, 2, 5, 6)]
    half = math.hypot(*(n * each[stage] for stage, n in year.unsure.items() if stage in each))
    columns = (
        Column(tr("lost while")),
        _money(prices, tr("recorded")),
        _money(prices, tr("gone without a record")),
        _money(prices, tr("from")),
        _money(prices, tr("to")),
        _money(prices, tr("together")),
        _money(prices, month(last.first)),
    )
    total = (tr("together"), *sums[:2], max(0.0, sums[1] - half), sums[1] + half, *sums[2:])
    span = {"first": month(year.first), "last": month(last.first)}
    causes = sorted({c for s, c in year.plants if s in each and spent(year, s, c)}, key=lambda c: (-spent(year, "", c), c))
    of_cause = [(named.get(c, c), spent(year, "", c), spent(last, "", c)) for c in causes]
    most = max(spent(year, s, c) for s in stages for c in causes)
    cells = [[Cell(v, shade=v / most) if (v := spent(year, s, c)) else None for s in stages] for c in causes]
    both = [(row[0], *of) for row, of in zip(of_cause, cells, strict=True)]
    return [
        Table(
            "cost_by_stage",
            tr("What losses cost by stage, {first} to {last}; last column {last} alone", **span),
            columns,
            by_stage,
            total,
        ),
        Fold(
            tr("By cause, and by stage and cause"),
            [
                Table(
                    "cost_by_cause",
                    tr("What losses cost by cause, {first} to {last}", **span),
                    (Column(tr("cause")), _money(prices, tr("twelve months")), _money(prices, month(last.first))),
                    of_cause,
                    (tr("together"), spent(year), spent(last)),
                ),
                Table(
                    "cost_by_stage_and_cause",
                    tr("What losses cost by cause and stage, {first} to {last}", **span),
                    (Column(tr("cause")), *(_money(prices, in_stage(s)) for s in stages)),
                    both,
                    is_matrix=True,
                ),
            ],
        ),
        Says(
            tr(
                "A plant counts with what was put into it by the time it was at the stage it was lost in; what is culled when a"
                " group is opened counts as in trays. The interval is of what went without a record."
            ),
            "soft",
        ),
    ]


def _late(store: Store, settings: Settings) -> list[Block]:
    prices, orders = settings.prices, late_orders(store)
    if not orders:
        return []
    if prices.tree is None and not prices.trees:
        said = tr("No price of a tree is given, so it is not known what {orders} hold back.", orders=many(len(orders), "order"))
        return [Says(said, "soft")]
    rows, held, missing = [], 0.0, []
    for o in orders:
        each = prices.of_tree(o.rootstock, o.scion)
        if each is None:
            missing.append(f"{o.rootstock} + {o.scion}")
        held += o.trees * (each or 0.0)
        worth = None if each is None else o.trees * each
        rows.append((o.order, o.consignee, f"{o.rootstock} + {o.scion}", o.wanted_on, o.trees, worth))
    columns = (
        Column(tr("order"), "code"),
        Column(tr("consignee")),
        Column(tr("pair")),
        Column(tr("wanted"), "day"),
        Column(tr("trees open"), "number"),
        _money(prices, tr("held back")),
    )
    blocks: list[Block] = [
        Head(tr("What late orders hold back")),
        Table(
            "held_back_orders",
            tr("Orders of months before this one that are still open"),
            columns,
            rows,
            (tr("together"), "", "", None, sum(o.trees for o in orders), held),
        ),
    ]
    if missing:
        said = tr(
            "No price is given for {pairs}, so what these hold back is not in this.", pairs=listed(dict.fromkeys(missing))
        )
        blocks.append(Says(said, "soft"))
    return blocks


def _stands(store: Store, settings: Settings) -> list[Block]:
    each = _costs(settings.prices)
    stands = {
        stage: plants
        for stage, *plants in store.rows("SELECT level, plants, low, high FROM standing_sums WHERE \"by\" = 'stage'")
    }
    rows = [
        (in_stage(stage), stands[stage][0], *(n * each[stage] for n in stands[stage]))
        for stage in STAGES
        if stage in each and stage in stands
    ]
    if not rows:
        return []
    prices = settings.prices
    columns = (
        Column(tr("stage")),
        Column(tr("plants"), "number"),
        _money(prices, tr("put into them")),
        _money(prices, tr("from")),
        _money(prices, tr("to")),
    )
    total = (tr("together"), *(sum(row[i] for row in rows) for i in range(1, 5)))
    return [
        Head(tr("What stands, at cost")),
        Table("standing_at_cost", tr("What was put into the plants that stand"), columns, rows, total),
        Says(tr("The ends of the stages are added up, so the interval of all is rather too wide than too narrow."), "soft"),
    ]


def _not_in_this(store: Store, settings: Settings) -> list[Block]:
    """What half given prices leave out."""
    prices, each = settings.prices, _costs(settings.prices)
    said = []
    there = {s for s, _ in losses(store, 12).plants} | {
        s for (s,) in store.rows("SELECT level FROM standing_sums WHERE \"by\" = 'stage'")
    }
    if lacking := [stage for stage in STAGES if stage in there and stage not in each]:
        said.append(
            tr(
                "No cost is given for plants {stages}, so those lost or standing there are not in this.",
                stages=_stages(lacking),
            )
        )
    scions, stocks = ({c for (c,) in store.rows(f"SELECT code FROM work.list_{name}")} for name in ("scions", "rootstocks"))
    strange = [
        name
        for name in prices.trees
        if not (name in scions or ("+" in name and name.split("+", 1)[0] in stocks and name.split("+", 1)[1] in scions))
    ]
    if strange:
        said.append(
            tr("A price is given for {names}, which is no scion of the list and no ROOTSTOCK+SCION.", names=listed(strange, 5))
        )
    if not prices.currency:
        said.append(tr("No currency is given, so amounts stand without one."))
    return [Says(sentence, "soft") for sentence in said]


def chapter(store: Store, workspace: Workspace) -> Chapter | None:
    """Money; nothing until nursery.toml has prices."""
    settings = workspace.settings
    if not settings.prices.are_given:
        return None
    blocks: list[Block] = []
    if said := cost_of_last_month(store, settings):
        blocks.append(Says(said))
    if _costs(settings.prices):
        blocks += _lost(store, settings)
    blocks += [*_late(store, settings), *_stands(store, settings), *_not_in_this(store, settings)]
    return Chapter("money", tr("Money"), blocks)
