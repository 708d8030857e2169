"""What work out of its time cost."""

from __future__ import annotations

from formpack.words import many, marked, tr, trn
from pipeline.report.blocks import Chapter, Column, Table, interval, worked_out
from pipeline.report.figures import Figures, Timeliness

_WORK = {"reading": marked("reading"), "cutting back": marked("cutting back")}
_WHEN = {"early": marked("early"), "in time": marked("in time"), "late": marked("late")}


def _cost(t: Timeliness) -> str:
    if t.difference is None or t.low is None or t.high is None:
        return ""
    if t.high < 0:
        return trn("about {n} plant", "about {n} plants", round(-t.difference * t.plants))
    return tr("nothing: it did better") if t.low > 0 else tr("the data cannot tell")


def found(f: Figures) -> str:
    """What late work cost, where that is shown."""
    cost = sum(round(-t.difference * t.plants) for t in f.timeliness if t.difference and t.high is not None and t.high < 0)
    if cost:
        return tr("Work out of its time cost about {plants}.", plants=many(cost, "plant"))
    return tr("It is not shown that work out of its time cost anything.")


def chapter(f: Figures) -> Chapter | None:
    """Work out of its time; nothing where none was, or none can be compared."""
    if all(t.difference is None for t in f.timeliness):
        return None
    against = tr("In points of the share that came through.")
    columns = (
        Column(tr("work")),
        Column(tr("when")),
        Column(tr("lots or groups"), "number"),
        Column(tr("buds or plants"), "number"),
        Column(tr("came through"), "share"),
        Column(tr("against in time"), "points", against),
        *interval("points"),
        Column(tr("what it cost")),
    )
    rows = [
        (tr(_WORK[t.work]), tr(_WHEN[t.kind]), t.units, t.plants, t.rate, t.difference, t.low, t.high, _cost(t))
        for t in f.timeliness
    ]
    earliest, latest, late = f.in_time
    how = worked_out(
        tr(
            "Buds are read in time from {earliest} to {latest} days after budding; cutting back is late from {late} days"
            " after the reading (nursery.toml). These are plain differences: what was late may have been harder too.",
            earliest=earliest,
            latest=latest,
            late=late,
        )
    )
    return Chapter(
        "late", tr("Work out of its time"), [Table("late_work", tr("What work out of its time cost"), columns, rows), how]
    )
