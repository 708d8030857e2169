"""Every group that stands or should be counted again."""

from __future__ import annotations

from formpack.words import tr
from pipeline.report.blocks import Chapter, Column, Table, interval
from pipeline.report.figures import Figures


def chapter(f: Figures) -> Chapter | None:
    """Every group; nothing where there is none."""
    if not f.groups:
        return None
    columns = (
        Column(tr("group"), "code"),
        Column(tr("rootstock / scion")),
        Column(tr("stage")),
        Column(tr("place")),
        Column(tr("opened with"), "number"),
        Column(tr("book"), "number"),
        Column(tr("last count"), "number"),
        Column(tr("counted on"), "day"),
        Column(tr("plants"), "number"),
        *interval(),
    )
    rows = [
        (g.group, g.pair, g.stage, g.place, g.opened_with, g.book, g.last_count, g.last_count_on, g.estimate, g.low, g.high)
        for g in f.groups
    ]
    odd = frozenset(i for i, g in enumerate(f.groups) if g.state != "ok")
    table = Table("groups", tr("Every group"), columns, rows, marked=odd, mark_says=tr("count again"), is_for_paper=False)
    return Chapter("groups", tr("Every group"), [table])
