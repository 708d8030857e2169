"""Where to count next."""

from __future__ import annotations

from formpack.words import listed, many, tr
from pipeline.report.blocks import Block, Chapter, Column, Says, Table, worked_out
from pipeline.report.figures import Figures

_NAMED = 6
"""Groups left out of the round that are named."""


def chapter(f: Figures) -> Chapter:
    """Where to count next."""
    blocks: list[Block] = [Says(f.walk.says)]
    if f.walk.groups:
        doubt = tr("How far the number of the group may be off, in plants.")
        columns = (
            Column(tr("group"), "code"),
            Column(tr("place")),
            Column(tr("plants"), "number"),
            Column(tr("by")),
            Column(tr("minutes"), "number"),
            Column(tr("doubt now"), "number", doubt),
            Column(tr("doubt left"), "number", doubt),
        )
        rows = [
            (
                g.group,
                g.place,
                g.plants,
                tr("somebody other than {staff}", staff=g.not_by) if g.not_by else tr("anybody"),
                g.minutes,
                g.doubt,
                g.doubt_left,
            )
            for g in f.walk.groups
        ]
        blocks.append(Table("count_next", tr("The round of counting that takes most doubt away"), columns, rows))
        if f.walk.between:
            blocks.append(
                Says(
                    tr(
                        "{minutes} minutes in all: {groups} for the groups, and {between} to come into {houses}.",
                        minutes=f.walk.minutes,
                        groups=f.walk.minutes - f.walk.between,
                        between=f.walk.between,
                        houses=many(f.walk.houses, "house"),
                    ),
                    "soft",
                )
            )
    left = [r for r in f.stock.recounts if r.group not in {g.group for g in f.walk.groups}]
    if left:
        said = tr(
            "To be counted again, but not in this round, as other groups take more doubt away in the time: {groups}.",
            groups=listed([tr("{group} ({n})", group=r.group, n=tr("± {n}", n=r.doubt)) for r in left], _NAMED),
        )
        blocks.append(Says(said, href="#again"))
    how = worked_out(
        tr(
            "Of all rounds that fit into the time this one takes most doubt away for the plants walked, groups of one house"
            " together. Doubt is how far the number of a group may be off in plants, now and after one more count by somebody"
            " else; a group of a pair that is owed to orders counts up to twice."
        ),
        tr(
            "A number that is probably right to the plant, but with some chance is wrong by hundreds, has a narrow interval and"
            " much doubt. The doubts of groups add up by their squares."
        ),
        tr("formpack reconcile --next HOURS proposes a round for any time."),
    )
    return Chapter("next", tr("Where to count next"), [*blocks, how])
