"""What was done to plants, and what became of them: take, survival and losses beside treatments, hygiene, climate, feeding and
the age of budwood. It shows no cause."""

from __future__ import annotations

from typing import Any

from formpack.words import marked, tr
from pipeline.rates.beside import LEVELS, OUTCOMES
from pipeline.report.blocks import Block, Chapter, Column, Drawing, Fold, Says, Table, interval, worked_out
from pipeline.report.chapters.batches import AGES
from pipeline.report.charts.beside import Row, beside
from pipeline.store import Store
from pipeline.workspace import Workspace

_LEAST = 5
"""Lines of groups of a level that is drawn; with fewer it stands in the table alone."""
DONE = {
    "treatment": marked("treatments"),
    "hygiene": marked("knives and shears"),
    "climate": marked("climate"),
    "feeding": marked("feeding"),
    "budwood_age": marked("age of budwood"),
}
LEVEL = {
    "none recorded": marked("none recorded"),
    "once": marked("once"),
    "more than once": marked("more than once"),
    "held": marked("disinfected as set"),
    "not held": marked("not as set"),
    "not told": marked("not told"),
    "within": marked("all within limits"),
    "seldom outside": marked("under a tenth outside"),
    "often outside": marked("a tenth or more outside"),
    "no reading": marked("no reading"),
    "several": marked("several"),
    "not known": marked("not known"),
}
"""What the table's codes are called; `tr` it. Ages of budwood are days."""
_CAME = {
    "take": (marked("Take"), marked("buds read"), marked("took")),
    "survival": (marked("Through a step"), marked("plants that began it"), marked("came through")),
    "lost": (marked("Losses on record, by month"), marked("plants at risk"), marked("lost")),
}
_ROWS = """
SELECT "by", level, units, lines, at_risk, came, rate, low, high, expected_rate FROM beside WHERE outcome = ?
"""


def chapter(store: Store, _workspace: Workspace) -> Chapter | None:
    """What was done and what became of it; None where nothing can be set beside."""
    drawings: list[Block] = []
    tables: list[Block] = []
    for outcome in OUTCOMES:
        found = sorted(store.rows(_ROWS, [outcome]), key=lambda r: (list(LEVELS).index(r[0]), LEVELS[r[0]].index(r[1])))
        if not found:
            continue
        head = tr(_CAME[outcome][0])
        tables.append(Fold(head, [_table(outcome, head, found)]))
        rows = [Row(f"{tr(DONE[r[0]])}: {_level(r[0], r[1])}", r[5], r[4], *r[6:]) for r in found if r[3] >= _LEAST]
        stroke = marked("{outcome}: the rate and its interval by what was done; the stroke is what the like of it had in all")
        says = tr(stroke, outcome=head)
        drawings += [Drawing(one, says, head=head) for one in beside(rows, says)] if rows else []
    if not tables:
        return None
    lead = tr(
        "This shows no cause. Who treats, feeds or disinfects more often has a reason; what is not recorded may have been done."
    )
    how = tr(
        "The dot is the rate, the line its 95 % interval, groups of one origin counting as one; the stroke is the rate to be"
        " expected had every pair and attempt, or every rootstock and stage, what it has in the whole nursery. Levels with"
        " fewer than {least} groups are in the tables alone.",
        least=_LEAST,
    )
    times = tr(
        "What was done counts for a time of fixed length: of buds the three weeks from the first day of setting; of a step its"
        " first 30 days; of a month that month and the one before. Treatments and readings are those of the places where the"
        " group stood then, and of the houses these are in. Before the first record of its kind nothing is told."
    )
    blocks: list[Block] = [Says(lead, "lead"), *drawings, *tables, worked_out(how, times)]
    return Chapter("beside", tr("What was done, and what became of it"), blocks)


def _level(by: str, level: str) -> str:
    return tr("{days} days", days=tr(AGES[level])) if by == "budwood_age" and level in AGES else tr(LEVEL[level])


def _table(outcome: str, caption: str, found: list[tuple[Any, ...]]) -> Table:
    _, at_risk, came = _CAME[outcome]
    columns = [
        Column(tr("what was done")),
        Column(tr("how")),
        Column(tr("groups"), "number", tr("Groups; those split off a group count as one with it."), is_aside=True),
        Column(tr(at_risk), "number"),
        Column(tr(came), "number"),
        Column(tr("share"), "share"),
        *interval("share"),
        Column(tr("to be expected"), "share", tr("Had every pair and attempt, or rootstock and stage, its rate of all.")),
    ]
    rows = [(tr(DONE[by]), _level(by, level), lines, n, y, *rates) for by, level, _, lines, n, y, *rates in found]
    return Table(f"beside_{outcome}", caption, columns, rows)
