"""What can be promised: open orders and whether they can be met, trees that are free, and what is ready when."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence

from formpack import words
from formpack.words import many, tr, trn
from pipeline.rates.outlook import step_words
from pipeline.rates.promises import (
    Names,
    OfAge,
    Order,
    Pair,
    Promise,
    chance_says,
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
    blocks: list[Block] = [Says(" ".join((_orders_say(orders, names), *_free_says(ahead, names, day))), "lead")]
    if said := free_says(trees):
        blocks.append(Says(said))
    if no := sum(f.free for f in trees if names.is_incompatible(f.pair)):
        blocks.append(
            Says(
                trn(
                    "{n} of them is of a pair that the compatibility list has as incompatible: talk to the customer first.",
                    "{n} of them are of pairs that the compatibility list has as incompatible: talk to the customers first.",
                    no,
                )
            )
        )
    blocks += _by_month(ahead, names, day)
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
        blocks += _of_age(trees, names)
    if ahead:
        says = tr(
            "All trees that will be ready until a month if nothing more is budded, less what is usually lost before they go;"
            " free are those that no order wants, then or later. The columns 80 % and 95 % hold numbers that are reached in 8"
            " of 10 and in 95 of 100 cases."
        )
        blocks.append(Fold(tr("What can be promised of each pair"), [Says(says, "soft"), _pairs(ahead, names, day)]))
        blocks.append(Fold(tr("Ready and free, by pair and month"), [_months(ahead, names)]))
    return Chapter("promises", tr("What can be promised"), blocks)


def _can_go(order: Order, names: Names) -> bool:
    """Whether it is late though all its trees stand; of an incompatible pair nothing goes before the customer was asked."""
    return not names.is_incompatible(order.pair) and order.days_over > 0 and order.of_age == order.open


def _orders_say(orders: Sequence[Order], names: Names) -> str:
    if not orders:
        return tr("No order is open.")
    met = [o for o in orders if _can_go(o, names)]
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
            *(
                Cell(None, "") if _can_go(o, names) else Cell(o.chance, chance_says(o.chance)),
                o.ready_in or Cell(None, tr("too few stand")),
            ),
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
        frozenset(i for i, o in enumerate(orders) if _can_go(o, names)),
        mark_says=tr("can go now"),
        is_good=True,
    )


def _free_says(ahead: dict[Pair, list[Promise]], names: Names, day: dt.date) -> list[str]:
    """What can be promised by the end of the last month of the table, in a sentence; none where nothing is free by then."""
    last = _coming(day)[-1]
    then = [until(at, last) for pair, at in ahead.items() if pair[1] and not names.is_incompatible(pair)]
    if not (free := sum(p.free or 0 for p in then)):
        return []
    return [
        tr(
            "By the end of {month} about {trees} more can be promised, {n} in 95 of 100 cases.",
            month=words.month(last),
            trees=many(free, "tree"),
            n=sum(p.free_95 or 0 for p in then),
        )
    ]


_COMING = 6
"""Months of the tables of what is free, with this one."""


def _coming(day: dt.date) -> list[dt.date]:
    months = [day.replace(day=1)]
    while len(months) < _COMING:
        months.append((months[-1] + dt.timedelta(days=31)).replace(day=1))
    return months


def _by_month(ahead: dict[Pair, list[Promise]], names: Names, day: dt.date) -> list[Block]:
    """What is free by the end of each of the coming months: the likeliest numbers, and those that hold in 95 of 100 cases.
    Incompatible pairs are left out, and counted in a sentence."""
    months = _coming(day)
    can = {pair: at for pair, at in ahead.items() if pair[1] and any(until(at, m).free for m in months)}
    fit = {pair: at for pair, at in can.items() if not names.is_incompatible(pair)}
    if not can:
        return []
    blocks: list[Block] = [
        Says(
            tr(
                "How many more trees can be promised until the end of a month, less what is usually lost before they go: what"
                " is promised for a month is no longer free in the months after it.",
            ),
            "lead",
        )
    ]
    if fit:
        caption = tr("Free by month: the likeliest numbers")
        blocks.append(_free(("free_by_month", caption, months), fit, names, lambda p: p.free))
        caption = tr("Free by month: what holds in 95 of 100 cases")
        table = _free(("sure_by_month", caption, months), fit, names, lambda p: p.free_95)
        blocks.append(Fold(caption, [table]))
    if no := [(many(until(at, months[-1]).free, "tree"), names.plain(pair)) for pair, at in can.items() if pair not in fit]:
        blocks.append(
            Says(
                tr(
                    "Left out are pairs that the compatibility list has as incompatible: {trees} free until {month}, {pairs}."
                    " Talk to the customer first.",
                    trees=many(sum(until(at, months[-1]).free for pair, at in can.items() if pair not in fit), "tree"),
                    month=words.month(months[-1]),
                    pairs=words.listed(tr("{name} ({n})", name=name, n=trees) for trees, name in no),
                )
            )
        )
    return blocks


def _free(
    what: tuple[str, str, Sequence[dt.date]],
    ahead: dict[Pair, list[Promise]],
    names: Names,
    of: Callable[[Promise], int | None],
) -> Table:
    """Pairs down, months across. What cannot be told is no number, and not in the sums."""
    name, caption, months = what
    rows = [[of(until(at, m)) for m in months] for at in ahead.values()]
    shown = [[Cell(None, tr("no data")) if n is None else n or None for n in row] for row in rows]
    labels = [names.pair(pair) for pair in ahead]
    order = sorted(range(len(rows)), key=lambda i: labels[i])
    return Table(
        name,
        caption,
        (Column(tr("pair")), *(Column(words.short_month(m), "number") for m in months)),
        [(labels[i], *shown[i]) for i in order],
        (tr("all"), *(sum(row[at] or 0 for row in rows) or None for at in range(len(months)))),
    )


def _of_age(trees: Sequence[OfAge], names: Names) -> list[Block]:
    """Those of incompatible pairs in a table of their own."""
    no = [f for f in trees if names.is_incompatible(f.pair)]
    rest = [f for f in trees if f not in no]
    blocks: list[Block] = []
    if rest:
        blocks.append(_ages("of_age", tr("Trees of age, the most free ones first"), rest, names))
    if no:
        caption = tr("Trees of age of incompatible pairs: talk to the customer first")
        blocks.append(_ages("of_age_incompatible", caption, no, names))
    note = tr(
        "These are the trees that can go today. By the end of a month, in the tables of the months, others have become ready,"
        " and as many are taken off as are usually lost until they go."
    )
    return [*blocks, Says(note, "soft")]


def _ages(name: str, caption: str, trees: Sequence[OfAge], names: Names) -> Table:
    columns = (
        *(Column(tr("pair")), Column(tr("groups"), "number"), Column(tr("of age"), "number")),
        *(Column(tr("for open orders"), "number"), Column(tr("free, can go today"), "number", tr("no open order wants them"))),
    )
    rows = [(names.pair(f.pair), f.groups, f.trees, f.promised or None, f.free or None) for f in trees]
    totals = [sum(n) or None for n in ([f.groups for f in trees], [f.trees for f in trees], [f.promised for f in trees])]
    total = (tr("all"), *totals, sum(f.free for f in trees) or None)
    return Table(name, caption, columns, rows, total)


def _pairs(ahead: dict[Pair, list[Promise]], names: Names, day: dt.date) -> Table:
    """Of each pair what can be promised for this month, for when it is next ready, and in all."""
    columns = (
        Column(tr("pair")),
        Column(tr("free by the end of this month"), "number", tr("less what is usually lost until they go")),
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
