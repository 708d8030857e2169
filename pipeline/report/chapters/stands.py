"""What stands, by stage, and by rootstock, scion and house."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from formpack.words import tr
from pipeline.report.blocks import Block, Chapter, Column, Drawing, Fold, Says, Table, interval, worked_out
from pipeline.report.charts.stands import bars
from pipeline.report.figures import Figures
from pipeline.report.stock import Standing, in_stage


def _row(s: Standing, label: str) -> tuple[Any, ...]:
    return label, s.groups, s.estimate, s.low, s.high, s.book, s.book - s.estimate


def _table(name: str, caption: str, head: str, rows: Sequence[Standing], total: Standing | None = None) -> Table:
    columns = (
        Column(head),
        Column(tr("groups"), "number", is_aside=True),
        Column(tr("plants"), "number", tr("How many are to be expected.")),
        *interval(),
        Column(tr("book"), "number", tr("What the book says.")),
        Column(tr("more in the book"), "number", is_aside=True),
    )
    last = _row(total, tr("together")) if total else None
    plotted = (2,) if total else ()
    return Table(name, caption, columns, [_row(s, s.label) for s in rows], last, plotted=plotted)


def chapter(f: Figures) -> Chapter:
    """What stands."""
    title = tr("What stands")
    if not f.stock.by_stage:
        return Chapter("stands", title, [Says(tr("No group has been opened yet."))])
    by_stage = [replace(s, label=in_stage(s.label)) for s in f.stock.by_stage]
    says = tr("Plants standing by stage; the line at the end of a bar is the 95 % interval.")
    blocks: list[Block] = [
        Says(tr("What the counts, the book and the nursery's own way of miscounting make most likely together."), "lead"),
        Drawing(bars(by_stage, says), says),
        _table("stands_by_stage", tr("What stands by stage"), tr("stage"), by_stage, f.stock.total),
        Fold(
            tr("By rootstock"),
            [_table("stands_by_rootstock", tr("What stands by rootstock"), tr("rootstock"), f.stock.by_rootstock)],
        ),
        Fold(tr("By scion"), [_table("stands_by_scion", tr("What stands by scion"), tr("scion"), f.stock.by_scion)]),
    ]
    if len(f.stock.by_house) > 1:
        by_house = _table("stands_by_house", tr("What stands by house"), tr("house or yard"), f.stock.by_house)
        blocks.append(Fold(tr("By house"), [by_house]))
    how = worked_out(
        tr(
            "The interval holds the true number in 95 of 100 cases. It takes account of plants that go unnoticed between"
            " counts."
        ),
        tr(
            "Of many groups together so many stand as are to be expected: fewer than the likeliest numbers of the groups"
            " added up, as somewhere something large may be gone that nobody has seen yet. Their interval is that of the sum,"
            " and what all groups may be off by alike is in it."
        ),
    )
    return Chapter("stands", title, [*blocks, how])
