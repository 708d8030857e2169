"""What falls due, what is late, and remainders to clear out."""

from __future__ import annotations

from collections.abc import Sequence

from formpack.words import tr
from pipeline.report.blocks import Block, Chapter, Column, Fold, Head, Says, Table
from pipeline.report.figures import Figures, Task


def _tasks(name: str, caption: str, tasks: Sequence[Task], is_late: bool) -> Table:
    columns = [
        Column(tr("task")),
        Column(tr("group"), "code"),
        Column(tr("place")),
        Column(tr("plants or buds"), "number", tr("Buds that are to be read by then, or the plants of the group.")),
        Column(tr("due on"), "day"),
    ]
    rows = [[t.task, t.group, t.place, t.plants, t.due_on] for t in tasks]
    if is_late:
        columns.append(Column(tr("days late"), "number"))
        for row, t in zip(rows, tasks, strict=True):
            row.append(t.days_over)
    return Table(name, caption, columns, rows)


def chapter(f: Figures) -> Chapter:
    """What is due."""
    blocks: list[Block] = [Head(tr("Falling due in the seven days from {day}", day=f.day))]
    if f.coming:
        blocks.append(_tasks("due_soon", tr("Tasks that fall due"), f.coming, is_late=False))
    else:
        blocks.append(Says(tr("Nothing falls due.")))
    blocks.append(Head(tr("Late")))
    if f.late:
        blocks.append(_tasks("due_late", tr("Tasks that are late"), f.late, is_late=True))
    else:
        blocks.append(Says(tr("Nothing is late.")))
    if f.remainders:
        columns = (
            Column(tr("place")),
            Column(tr("remainders"), "number"),
            Column(tr("plants"), "number"),
            Column(tr("groups, with their plants")),
        )
        rows = [
            (r.place, len(r.groups), r.plants, ", ".join(tr("{group} ({n})", group=group, n=n) for group, n in r.groups))
            for r in f.remainders
        ]
        lead = Says(tr("What is left of groups that once were larger; nothing else is due for it."), "lead")
        table = Table("remainders", tr("Remainders to clear out, by place"), columns, rows)
        blocks.append(Fold(tr("Remainders to clear out"), [lead, table]))
    return Chapter("due", tr("What is due"), blocks)
