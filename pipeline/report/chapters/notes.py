"""What people wrote in the last seven days."""

from __future__ import annotations

from formpack.words import tr, trn
from pipeline.report.blocks import Block, Chapter, Column, Says, Table
from pipeline.report.figures import Figures

_MOST, _LONGEST = 40, 500


def chapter(f: Figures) -> Chapter | None:
    """Notes of the week; nothing where nobody wrote any."""
    if not f.notes:
        return None
    columns = (
        Column(tr("day"), "day"),
        Column(tr("form")),
        Column(tr("group"), "code"),
        Column(tr("by")),
        Column(tr("note")),
    )
    rows = [(n.day, n.form, n.group, n.person, n.text[:_LONGEST]) for n in f.notes[:_MOST]]
    blocks: list[Block] = [Table("notes", tr("Notes of the week, the latest first"), columns, rows)]
    if (more := len(f.notes) - _MOST) > 0:
        said = trn(
            "{n} more, and all answers: the tables answers_FORM.", "{n} more, and all answers: the tables answers_FORM.", more
        )
        blocks.append(Says(said, "soft"))
    return Chapter("notes", tr("Notes of the week"), blocks)
