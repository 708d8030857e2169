"""Groups to count again, and each of them over time."""

from __future__ import annotations

from formpack.words import tr, trn
from pipeline.report.blocks import Block, Chapter, Column, Drawing, Fold, Says, Table
from pipeline.report.charts.course import course, key
from pipeline.report.figures import Figures


def chapter(f: Figures) -> Chapter:
    """Groups to count again."""
    blocks: list[Block] = []
    if f.stock.recounts:
        expected = tr("What all the other counts and the book say should have been found.")
        columns = (
            Column(tr("group"), "code"),
            Column(tr("place")),
            Column(tr("counted"), "number"),
            Column(tr("expected from"), "number", expected),
            Column(tr("expected to"), "number", expected),
            Column(tr("counted on"), "day"),
            Column(tr("in doubt"), "number", tr("How far the number of the group may be off, in plants.")),
            Column(tr("what is believed, and what to do")),
        )
        rows = [(r.group, r.place, r.counted, r.low, r.high, r.on, r.doubt, r.advice) for r in f.stock.recounts]
        blocks.append(Table("count_again", tr("Groups to count again, the most doubtful first"), columns, rows))
    else:
        blocks.append(Says(tr("No count is in doubt.")))
    if f.stock.settled:
        settled = trn(
            "{n} earlier count was wrong, but later counts show what stands; it is in the table discrepancies.",
            "{n} earlier counts were wrong, but later counts show what stands; they are in the table discrepancies.",
            f.stock.settled,
        )
        blocks.append(Says(settled, "soft"))
    if f.courses:
        says = key()
        if len(f.stock.recounts) > len(f.courses):
            says += " " + trn("Drawn is the most doubtful one.", "Drawn are the {n} most doubtful.", len(f.courses))
        drawn = [Drawing(course(c), c.says, is_named=True) for c in f.courses]
        blocks.append(Fold(tr("Each of them over time"), [Says(says, "lead"), *drawn]))
    return Chapter("again", tr("Groups to count again"), blocks)
