"""What can be promised: open orders and whether they can be met, trees that are free, and what is ready when."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from formpack import words
from formpack.words import many, tr, trn
from pipeline.rates.outlook import step_words
from pipeline.rates.promises import (
    Names,
    OfAge,
    Order,
    Pair,
    Promise,
    free_says,
    next_ready,
    of_age,
    open_orders,
    orders_left_out,
    promises,
    until,
)
from pipeline.report.blocks import Block, Cell, Chapter, Column, Fold, Says, Table
from pipeline.store import Store
from pipeline.workspace import Workspace


def chapter(store: Store, workspace: Workspace) -> Chapter | None:
    """None where nothing is ordered and nothing is budded."""
    orders, trees, ahead, left_out = open_orders(store), of_age(store), promises(store), orders_left_out(store)
    if not (orders or trees or ahead or left_out):
        return None
    names, day = Names.read(store), store.value("SELECT as_of FROM work.day")
    blocks: list[Block] = [Says(_orders_say(orders), "lead")]
    if said := free_says(trees):
        blocks.append(Says(said))
    blocks += [Says(why, "stop") for _, why in left_out]
    if orders:
        blocks.append(_orders(orders, names))
        pairs = dict.fromkeys(o.pair for o in orders)
        blocks += [Says(g.says(names.plain(pair)), "soft") for pair in pairs if (g := names.grades.get(pair))]
    unknown = step_words([step for (step,) in store.rows("SELECT step FROM work.unknown_steps")])
    if unknown:
        blocks.append(
            Says(
                tr(
                    "Nothing has gone through these steps here yet: {steps}. So there are no data for them: no loss is counted"
                    " in them, and where they are still ahead it cannot be said how sure a number is.",
                    steps=unknown,
                )
            )
        )
    if trees:
        blocks.append(_of_age(trees, names))
    if ahead:
        says = tr(
            "All trees that will be ready until a month if nothing more is budded, less what is usually lost before they go;"
            " free are those that no order wants, then or later. The columns 80 % and 95 % hold numbers that are reached in 8"
            " of 10 and in 95 of 100 cases."
        )
        blocks.append(Fold(tr("What can be promised of each pair"), [Says(says, "soft"), _pairs(ahead, names, day)]))
        blocks.append(Fold(tr("Ready and free, by pair and month"), [_months(ahead, names)]))
    return Chapter("promises", tr("What can be promised"), blocks)


def _can_go(order: Order) -> bool:
    """Whether it is late though all its trees stand."""
    return order.days_over > 0 and order.of_age == order.open


def _orders_say(orders: Sequence[Order]) -> str:
    if not orders:
        return tr("No order is open.")
    met = [o for o in orders if _can_go(o)]
    short = [o for o in orders if o.short]
    said = [
        trn(
            "{n} order is open, for {trees}.",
            "{n} orders are open, for {trees}.",
            len(orders),
            trees=many(sum(o.open for o in orders), "tree"),
        )
    ]
    if met:
        said.append(
            trn(
                "{n} is overdue though all its trees stand: {trees} can go now.",
                "{n} are overdue though all their trees stand: {trees} can go now.",
                len(met),
                trees=many(sum(o.open for o in met), "tree"),
            )
        )
    if short:
        said.append(
            trn(
                "{n} falls short, by {trees}.",
                "{n} fall short, by {trees} together.",
                len(short),
                trees=many(sum(o.short for o in short), "tree"),
            )
        )
    return " ".join(said)


def chance_words(value: float | None) -> Cell:
    """A chance as a cell: never 0 or 100 %."""
    if value is None:
        return Cell(None, tr("no data"))
    if value > 0.99:
        return Cell(value, tr("over {share}", share=words.percent(0.99, 0)))
    return Cell(value, tr("under {share}", share=words.percent(0.01, 0)) if value < 0.01 else words.percent(value, 0))


def _orders(orders: Sequence[Order], names: Names) -> Table:
    columns = (
        Column(tr("order")),
        Column(tr("consignee")),
        Column(tr("pair")),
        Column(tr("wanted on"), "day"),
        Column(tr("open"), "number", tr("ordered less what went out for it")),
        Column(
            tr("of age"), "number", tr("trees that stand for it and can go now; the oldest order of a pair is served first")
        ),
        Column(tr("short"), "number", tr("what will be short for it in its month; for an overdue one, in this month")),
        Column(tr("chance of enough"), "share"),
        Column(tr("all ready in"), "month"),
    )
    rows = [
        (
            *(o.ref, o.consignee, names.pair(o.pair), o.wanted_on, o.open, o.of_age or None, o.short or None),
            *(chance_words(o.chance), o.ready_in or Cell(None, tr("too few stand"))),
        )
        for o in orders
    ]
    totals = [sum(n) or None for n in ([o.open for o in orders], [o.of_age for o in orders], [o.short for o in orders])]
    return Table(
        "open_orders",
        tr("Open orders, the oldest first, as they are served"),
        columns,
        rows,
        (tr("all"), None, None, None, *totals, None, None),
        frozenset(i for i, o in enumerate(orders) if _can_go(o)),
        mark_says=tr("can go now"),
        is_good=True,
    )


def _of_age(trees: Sequence[OfAge], names: Names) -> Table:
    columns = (
        *(Column(tr("pair")), Column(tr("groups"), "number"), Column(tr("of age"), "number")),
        *(Column(tr("for open orders"), "number"), Column(tr("free"), "number", tr("no open order wants them"))),
    )
    rows = [(names.pair(f.pair), f.groups, f.trees, f.promised or None, f.free or None) for f in trees]
    totals = [sum(n) or None for n in ([f.groups for f in trees], [f.trees for f in trees], [f.promised for f in trees])]
    total = (tr("all"), *totals, sum(f.free for f in trees) or None)
    return Table("of_age", tr("Trees of age, the most free ones first"), columns, rows, total)


def _pairs(ahead: dict[Pair, list[Promise]], names: Names, day: dt.date) -> Table:
    """Of each pair what can be promised for this month, for when it is next ready, and in all."""
    columns = (
        Column(tr("pair")),
        Column(tr("free this month"), "number"),
        Column(tr("next ready in"), "month"),
        Column(tr("ready until then"), "number"),
        Column(tr("free until then"), "number", tr("no order wants them, then or later")),
        Column(tr("free, 95 %"), "number", tr("so many or more are free in 95 of 100 cases")),
        Column(tr("free of all that is budded"), "number"),
    )
    rows = []
    this_month = day.replace(day=1)
    for pair, months in ahead.items():
        coming = next_ready(months, this_month)
        then = until(months, coming) if coming else None
        sure = None if then is None else then.free_95 if then.free_95 is not None else Cell(None, tr("no data"))
        rows.append(
            (
                *(names.pair(pair), until(months, this_month).free or None, coming),
                *(then.ready if then else None, then.free if then else None, sure, months[-1].free or None),
            )
        )
    return Table("free", tr("What can be promised of each pair"), columns, rows)


def _months(ahead: dict[Pair, list[Promise]], names: Names) -> Table:
    columns = (
        *(Column(tr("pair")), Column(tr("until"), "month"), Column(tr("ready"), "number")),
        *(Column(tr("ready, 80 %"), "number"), Column(tr("ready, 95 %"), "number"), Column(tr("ordered"), "number")),
        *(Column(tr("free"), "number"), Column(tr("free, 80 %"), "number"), Column(tr("free, 95 %"), "number")),
    )
    rows = [
        (names.pair(pair), p.month, p.ready, p.ready_80, p.ready_95, p.ordered or None, p.free, p.free_80, p.free_95)
        for pair, months in ahead.items()
        for p in months
    ]
    return Table("ready_and_free", tr("Ready and free, by pair and month"), columns, rows, is_for_paper=False)
