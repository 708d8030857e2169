"""What needs a look."""

from __future__ import annotations

from formpack.words import listed, tr, trn
from pipeline.report.blocks import Block, Chapter, Column, Says, Table
from pipeline.report.figures import Figures


def chapter(f: Figures) -> Chapter:
    """What needs a look."""
    blocks: list[Block] = [Says(tr("Nothing."))]
    if f.looks:
        columns = (
            Column(tr("how many"), "number"),
            Column(tr("kept out of the books")),
            Column(tr("for example")),
            Column(tr("what to do")),
        )
        rows = [(s.how_many, tr("yes") if s.severity == "stop" else tr("no"), s.example, s.advice) for s in f.looks]
        stops = frozenset(i for i, s in enumerate(f.looks) if s.severity == "stop")
        blocks = [
            Table(
                "looks",
                tr("What needs a look, what is kept out of the books first"),
                columns,
                rows,
                marked=stops,
                mark_says=tr("kept out"),
            ),
            Says(tr("All of them, one by one: formpack problems, or the sheet problems of the workbook."), "soft"),
        ]
    if f.old_lists:
        said = trn(
            "In the last 30 days {n} submission was made with a list of more than {days} days on the phone: {people}.",
            "In the last 30 days {n} submissions were made with a list of more than {days} days on the phone: {people}.",
            sum(n for _, n in f.old_lists),
            days=f.old_after,
            people=listed([tr("{name} ({n})", name=name, n=n) for name, n in f.old_lists], 6),
        )
        blocks.append(Says(said))
    return Chapter("look", tr("What needs a look"), blocks)
