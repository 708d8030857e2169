"""The chapters of the report in their order, each a module with `chapter`: of the figures, or of store and workspace."""

from __future__ import annotations

from dataclasses import replace

from formpack.words import many, tr, trn
from pipeline.report.blocks import Chapter, Says
from pipeline.report.chapters import (
    again,
    batches,
    beside,
    bridge,
    climate,
    due,
    groups,
    hygiene,
    late,
    look,
    lost,
    money,
    months,
    notes,
    pairs,
    places,
    promises,
    scouting,
    seed,
    stands,
    take,
    treatments,
    unseen,
)
from pipeline.report.chapters import next as next_round
from pipeline.report.figures import Figures
from pipeline.report.stock import in_stage
from pipeline.store import Store
from pipeline.workspace import Workspace


def gather_chapters(store: Store, workspace: Workspace, f: Figures) -> list[Chapter]:
    """All chapters that have something to say, each with what it has found in a sentence."""
    found = (
        stands.chapter(f),
        bridge.chapter(store, workspace),
        months.chapter(store, workspace),
        promises.chapter(store, workspace),
        again.chapter(f),
        next_round.chapter(f),
        unseen.chapter(f),
        seed.chapter(store, workspace),
        lost.chapter(f),
        places.chapter(store, workspace),
        climate.chapter(store, workspace),
        scouting.chapter(store, workspace),
        treatments.chapter(store, workspace),
        take.chapter(f),
        batches.chapter(store, workspace),
        hygiene.chapter(store, workspace),
        beside.chapter(store, workspace),
        pairs.chapter(store, workspace),
        money.chapter(store, workspace),
        due.chapter(f),
        late.chapter(f),
        look.chapter(f),
        notes.chapter(f),
        groups.chapter(f),
    )
    says = _says(f)
    return [replace(c, says=c.says or says.get(c.name) or _begins(c)) for c in found if c]


def _begins(chapter: Chapter) -> str:
    """How a chapter begins, where that is a sentence."""
    first = chapter.blocks[0] if chapter.blocks else None
    return first.text if isinstance(first, Says) and first.tone in ("plain", "lead") else ""


def _says(f: Figures) -> dict[str, str]:
    """What the chapters have found that begin with something else."""
    total, recounts, gone = f.stock.total, f.stock.recounts, sum(g.lost for g in f.stock.gone_by_stage)
    groups_said = many(total.groups, "group")
    found = {
        "stands": tr("{n} ({low} to {high}) in {groups}", n=total.estimate, low=total.low, high=total.high, groups=groups_said),
        "again": trn("{n} group is in doubt.", "{n} groups are in doubt.", len(recounts)) if recounts else "",
        "unseen": _unseen(f, gone) if gone else "",
        "lost": _lost(f),
        "due": tr("{late} late, {coming} in the coming week", late=many(len(f.late), "task"), coming=len(f.coming)),
        "late": late.found(f),
        "look": tr("{stops} kept out of the books, {notes} worth a look", **_looks(f)) if f.looks else "",
        "notes": many(len(f.notes), "note") if f.notes else "",
        "groups": many(len(f.groups), "group"),
    }
    return found if f.stock.by_stage else {"look": found["look"], "notes": found["notes"]}


def _unseen(f: Figures, gone: int) -> str:
    most = max(f.stock.gone_by_stage, key=lambda g: g.lost)
    given = {"plants": many(gone, "plant"), "opened": f.opened}
    return tr("{plants} of {opened} opened, {n} of them {stage}.", stage=in_stage(most.label), n=most.lost, **given)


def _lost(f: Figures) -> str:
    given = {"plants": many(sum(c.lost for c in f.causes), "plant"), "opened": f.opened}
    if not f.causes:
        return tr("{plants} of {opened} opened", **given)
    most = f.causes[0]
    return tr("{plants} of {opened} opened; the most to one cause: {cause} ({n}).", cause=most.label, n=most.lost, **given)


def _looks(f: Figures) -> dict[str, int]:
    stops = sum(look.how_many for look in f.looks if look.severity == "stop")
    return {"stops": stops, "notes": sum(look.how_many for look in f.looks) - stops}
