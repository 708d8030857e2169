"""What is ahead: orders that fall short, and trees that will be ready."""

from __future__ import annotations

import datetime as dt
from typing import Any

from formpack.words import percent, tr
from pipeline.report.blocks import Block, Cell, Chapter, Column, Fold, Says, Table, worked_out
from pipeline.report.figures import Ahead, Figures


def _month(a: Ahead) -> dt.date:
    return dt.date.fromisoformat(f"{a.month}-01")


def _chance(chance: float | None) -> Any:
    if chance is None:
        return Cell(None, tr("no data"))
    if chance < 0.01:
        return Cell(chance, tr("under {share}", share=percent(0.01, 0)))
    if chance > 0.99:
        return Cell(chance, tr("over {share}", share=percent(0.99, 0)))
    return Cell(chance, percent(chance, 0))


def _short(rows: list[Ahead]) -> Table:
    columns = (
        Column(tr("combination")),
        Column(tr("until"), "month"),
        Column(tr("ordered"), "number"),
        Column(tr("of these overdue"), "number"),
        Column(tr("ready"), "number"),
        Column(tr("short by"), "number"),
        Column(tr("chance that it is enough"), "share"),
    )
    shown = [
        (a.pair, _month(a), a.ordered_until, a.overdue or None, a.ready_until, a.shortfall, _chance(a.chance)) for a in rows
    ]
    return Table("orders_short", tr("Orders that fall short, the most trees first"), columns, shown)


def _ready(rows: list[Ahead]) -> Table:
    says = tr("The number lies between these two in 8 of 10 cases.")
    columns = (
        Column(tr("combination")),
        Column(tr("month"), "month"),
        Column(tr("ready"), "number"),
        Column(tr("from"), "number", says),
        Column(tr("to"), "number", says),
        Column(tr("wanted"), "number"),
    )
    shown = [
        (a.pair, _month(a), a.ready, Cell(None, tr("no data")) if a.low is None else a.low, a.high, a.ordered or None)
        for a in sorted(rows, key=lambda a: (a.pair, a.month))
    ]
    return Table("ready", tr("Trees ready, by combination and month"), columns, shown)


def chapter(f: Figures) -> Chapter | None:
    """What is ahead; nothing where neither trees nor orders are."""
    if not f.ahead and not f.order_faults:
        return None
    blocks: list[Block] = [
        Says(tr("Order {code} is left out: {fault}.", code=code, fault=fault), "stop") for code, fault in f.order_faults
    ]
    if short := [a for a in f.ahead if a.shortfall]:
        blocks.append(_short(short))
    else:
        blocks.append(
            Says(tr("No open order that could be read falls short.") if f.order_faults else tr("No open order falls short."))
        )
    if f.unknown_steps:
        unknown = tr(
            "Nothing has gone through these steps here yet: {steps}. So there are no data for them: no loss is counted in them,"
            " and where they are still ahead no band can be given.",
            steps=f.unknown_steps,
        )
        blocks.append(Says(unknown))
    if ready := [a for a in f.ahead if a.ready]:
        blocks.append(Fold(tr("Ready, by combination and month"), [_ready(ready)]))
    how = worked_out(
        tr(
            "Trees that will be ready by combination and month if nothing more is budded, from the nursery's own rates for"
            " what is still before them; the band holds in 8 of 10 cases. Orders are those of lists/orders.csv less what was"
            " despatched for them."
        )
    )
    return Chapter("ahead", tr("What is ahead"), [*blocks, how])
