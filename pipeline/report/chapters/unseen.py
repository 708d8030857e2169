"""What went without a record."""

from __future__ import annotations

from collections.abc import Sequence

from formpack.words import listed, many, tr
from pipeline.report.blocks import Block, Chapter, Column, Fold, Head, Says, Table, interval, worked_out
from pipeline.report.figures import Figures
from pipeline.report.stock import Unrecorded, in_stage

_MOST_CLOSED = 10


def _table(name: str, caption: str, head: str, rows: Sequence[Unrecorded]) -> Table:
    monthly = Column(tr("a month, of 1,000 plants"), "decimal")
    columns = (Column(head), Column(tr("plants"), "number"), *interval(), monthly)
    return Table(name, caption, columns, [(in_stage(u.label), u.lost, u.low, u.high, u.a_month) for u in rows])


def chapter(f: Figures) -> Chapter:
    """What went without a record."""
    blocks: list[Block] = []
    if f.stock.gone_by_stage:
        stage = _table(
            "gone_by_stage", tr("Gone without a record, by the stage they were in"), tr("stage"), f.stock.gone_by_stage
        )
        place = _table(
            "gone_by_place", tr("Gone without a record, by the house they were in"), tr("house or yard"), f.stock.gone_by_place
        )
        blocks += [
            Says(tr("Plants that the counts show to be gone and nobody noted."), "lead"),
            stage,
            Fold(tr("By house"), [place]),
        ]
    else:
        blocks.append(Says(tr("The counts show no plants gone beyond those recorded.")))
    if f.stock.moves:
        columns = (
            Column(tr("from group"), "code"),
            Column(tr("to group"), "code"),
            Column(tr("plants, about"), "number"),
            Column(tr("not before"), "day"),
            Column(tr("not after"), "day"),
            Column(tr("how sure"), "share"),
        )
        rows = [(m.from_group, m.to_group, m.plants, m.since, m.until, m.confidence) for m in f.stock.moves]
        blocks.append(Table("unrecorded_moves", tr("Moves that nobody wrote down"), columns, rows))
    if closed := f.stock.closed:
        groups = [tr("{group} ({n} on {day})", group=c.group, n=c.plants, day=c.on) for c in closed]
        said = tr(
            "Of {groups} counted to 0, {plants} vanished without a record, the last closed first: {which}.",
            groups=many(len(closed), "group"),
            plants=many(sum(c.plants for c in closed), "plant"),
            which=listed(groups, _MOST_CLOSED),
        )
        blocks.append(Says(said))
    if f.stock.people:
        blocks += [Head(tr("Numbers that were shown")), *(Says(said) for said in f.stock.people)]
    if f.stock.gone_by_stage:
        blocks.append(
            worked_out(
                tr(
                    "Stage and house are those the plants were in when they went, not those of their groups now; what went"
                    " since the last count of a group is not known and not here. All groups are in it, those that are gone by"
                    " now too."
                )
            )
        )
    return Chapter("unseen", tr("Gone without a record"), blocks)
