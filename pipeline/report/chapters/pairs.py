"""Rootstock by scion: how buds take, how many of the trees come through, and what stands."""

from __future__ import annotations

from collections.abc import Mapping

from formpack.words import number, percent, tr
from pipeline.rates.promises import Names, Pair
from pipeline.report.blocks import Block, Cell, Chapter, Column, Fold, Says, Table
from pipeline.store import Store
from pipeline.workspace import Workspace

_LEAST_BUDS, _LEAST_LOTS = 100, 3
"""Of fewer buds no share is shown; of fewer lots (or groups) it is shown without a shade."""
_MOST = 12
"""Rows and columns that are looked at at once; larger grids are folded away."""
_TAKES = """
SELECT split_part(level, '+', 1), split_part(level, '+', 2), take_rate, read, lots FROM take_rates
WHERE "by" = 'rootstock+scion' AND read > 0
"""
_THROUGH = """
WITH steps AS (
    SELECT rootstock, scion, step, count(DISTINCT root) AS units, sum(began)::BIGINT AS began,
        sum(through)::BIGINT AS through
    FROM work.step_counts WHERE step IN ('read', 'cut_back', 'staked', 'topped') AND began > 0 GROUP BY ALL
),
ways AS (SELECT count(DISTINCT step) AS steps FROM steps)
SELECT rootstock, scion, CASE WHEN min(through) > 0 THEN exp(sum(ln(through / began))) ELSE 0 END, min(began), min(units)
FROM steps, ways WHERE rootstock IS NOT NULL AND scion IS NOT NULL
GROUP BY rootstock, scion, ways.steps HAVING count(*) = ways.steps AND bool_or(step = 'topped')
"""
_STANDS = """
SELECT rootstock, scion, sum(estimate)::BIGINT FROM standing
WHERE rootstock IS NOT NULL AND scion IS NOT NULL AND stage <> 'gone' GROUP BY ALL
"""


def chapter(store: Store, workspace: Workspace) -> Chapter | None:
    """None where nothing is budded."""
    takes = {(a, b): _share(share, read, lots) for a, b, share, read, lots in store.rows(_TAKES)}
    through = {(a, b): _share(share, of, units) for a, b, share, of, units in store.rows(_THROUGH)}
    stand = {(a, b): n for a, b, n in store.rows(_STANDS)}
    if not (takes or stand):
        return None
    names = Names.read(store)
    largest = max(stand.values(), default=1)
    plants = {pair: Cell(n, number(n), shade=n / largest if largest else None) for pair, n in stand.items()}
    every = {*takes, *stand}
    blocks: list[Block] = [
        Says(
            tr(
                "Rootstocks down, scions across. A share of fewer than {lots} lots or groups has no shade: it may be chance. Of"
                " fewer than {buds} buds none is shown.",
                lots=_LEAST_LOTS,
                buds=_LEAST_BUDS,
            ),
            "lead",
        )
    ]
    graded = {pair: names.grades[pair] for pair in sorted(every) if pair in names.grades}
    if graded:
        blocks.append(Says(tr("✕: the compatibility list has the pair as incompatible. ?: it has it as doubtful."), "plain"))
    grids: list[Block] = [
        _matrix("take", tr("Buds that took"), takes, names),
        _matrix("through", tr("Trees that came through, from the reading of the buds until they were ready"), through, names),
        _matrix("stand", tr("What stands, budded plants"), plants, names),
    ]
    grids = [grid for grid in grids if isinstance(grid, Table) and grid.rows]
    is_large = max(len({a for a, _ in every}), len({b for _, b in every})) > _MOST
    blocks += [Fold(grid.caption, [grid]) for grid in grids if isinstance(grid, Table)] if is_large else grids
    if graded:
        said: list[Block] = [Says(grade.says(names.plain(pair)), "soft") for pair, grade in graded.items()]
        blocks.append(Fold(tr("What the compatibility list says of pairs that are here"), said))
    return Chapter("pairs", tr("Rootstock and scion"), blocks, says=_found(takes, names))


def _found(takes: Mapping[Pair, Cell], names: Names) -> str:
    """The pairs that took best and worst, of those with enough lots."""
    known = sorted((c.value, pair) for pair, c in takes.items() if c.value is not None and c.shade is not None)
    if len(known) < 2:
        return tr("Take, coming through and what stands of each pair")
    (low, worst), (high, best) = known[0], known[-1]
    given = {"best": names.plain(best), "high": percent(high, 0), "worst": names.plain(worst), "low": percent(low, 0)}
    return tr("{best} took best ({high}), {worst} worst ({low}).", **given)


def _share(value: float | None, of: int, units: int) -> Cell:
    """A share as a cell, shaded from a half up; few lots have no shade, and very few buds no number."""
    if value is None or of < _LEAST_BUDS:
        return Cell(None, tr("few"))
    shade = min(1.0, max(0.0, 2 * value - 1)) if units >= _LEAST_LOTS else None
    return Cell(value, percent(value, 0), shade=shade)


def _matrix(name: str, caption: str, cells: Mapping[Pair, Cell], names: Names) -> Table:
    """The pairs that there are; one that the compatibility list doubts has its sign, also where nothing is of it."""
    rootstocks = sorted({a for a, _ in cells}, key=names.rootstock)
    scions = sorted({b for _, b in cells}, key=names.scion)

    def cell(pair: Pair) -> Cell | None:
        found, grade = cells.get(pair), names.grades.get(pair)
        if grade is None:
            return found
        if found is None:
            return Cell(None, grade.mark)
        return Cell(found.value, f"{found.text} {grade.mark}", shade=found.shade, is_marked=True)

    columns = [Column(tr("rootstock")), *(Column(names.scion(b), "share" if name != "stand" else "number") for b in scions)]
    rows = [(names.rootstock(a), *(cell((a, b)) for b in scions)) for a in rootstocks]
    marks_say = tr("incompatible or doubtful")
    return Table(f"pairs_{name}", caption, columns, rows, is_matrix=True, mark_says=marks_say)
