"""The chapters of the report in their order, each a module with `chapter`: of the figures, or of store and workspace."""

from __future__ import annotations

from dataclasses import replace

from formpack.words import listed, many, percent, tr, trn
from pipeline.rates.takes import LEAST_BUDS
from pipeline.report.blocks import Chapter, Says
from pipeline.report.chapters import (
    again,
    batches,
    bridge,
    due,
    groups,
    late,
    look,
    lost,
    money,
    months,
    notes,
    pairs,
    places,
    promises,
    stands,
    take,
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
        lost.chapter(f),
        places.chapter(store, workspace),
        take.chapter(f),
        batches.chapter(store, workspace),
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
        "take": _take(f) if f.take else "",
        "pairs": _pairs(f),
        "due": tr("{late} late, {coming} in the coming week", late=many(len(f.late), "task"), coming=len(f.coming)),
        "late": _late(f),
        "look": tr("{stops} kept out of the books, {notes} worth a look", **_looks(f)) if f.looks else "",
        "notes": many(len(f.notes), "note") if f.notes else "",
        "groups": many(len(f.groups), "group"),
    }
    return found if f.stock.by_stage else {"look": found["look"], "notes": found["notes"]}


def _unseen(f: Figures, gone: int) -> str:
    most = max(f.stock.gone_by_stage, key=lambda g: g.lost)
    given = {"plants": many(gone, "plant"), "opened": f.opened}
    return tr("{plants} of {opened} opened, most of them {stage}: {n}.", stage=in_stage(most.label), n=most.lost, **given)


def _lost(f: Figures) -> str:
    given = {"plants": many(sum(c.lost for c in f.causes), "plant"), "opened": f.opened}
    if not f.causes:
        return tr("{plants} of {opened} opened", **given)
    most = f.causes[0]
    return tr("{plants} of {opened} opened, most of them to: {cause} ({n}).", cause=most.label, n=most.lost, **given)


def _take(f: Figures) -> str:
    """The take of all, and the teams that are out of line."""
    assert f.take
    said = [tr("{share} of {n} buds took.", share=percent(f.take.rate), n=f.take.of)]
    for flag in ("worse", "better"):
        teams = listed(t.label for t in f.teams if t.flag == flag)
        if teams and flag == "worse":
            said.append(tr("Worse than the others: {teams}.", teams=teams))
        elif teams:
            said.append(tr("Better than the others: {teams}.", teams=teams))
    if len(said) == 1 and sum(t.q_value is not None for t in f.teams) > 1:
        said.append(tr("No team is out of line."))
    return " ".join(said)


def _pairs(f: Figures) -> str:
    """The pairs that took best and worst, of those with enough buds."""
    told = [s for s in f.by_pair if s.of >= LEAST_BUDS]
    if len(told) < 2:
        return ""
    best, worst = told[0], told[-1]
    return tr(
        "{best} took best, {high}; {worst} worst, {low}.",
        best=best.label,
        high=percent(best.rate, 0),
        worst=worst.label,
        low=percent(worst.rate, 0),
    )


def _late(f: Figures) -> str:
    """What being late or early is shown to have cost."""
    cost = round(sum(-t.difference * t.plants for t in f.timeliness if t.difference is not None and (t.high or 0) < 0))
    if not cost:
        return tr("It is not shown that work out of its time cost anything.")
    return trn("It cost about {n} plant.", "It cost about {n} plants.", cost)


def _looks(f: Figures) -> dict[str, int]:
    stops = sum(look.how_many for look in f.looks if look.severity == "stop")
    return {"stops": stops, "notes": sum(look.how_many for look in f.looks) - stops}
