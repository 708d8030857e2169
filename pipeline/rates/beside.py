"""What was done to plants beside what became of them: plain rates by level, with what the like of them had in all."""

from __future__ import annotations

from typing import Any

import numpy as np

from pipeline.formulas.overdispersion import cautious, design_effect, pooled_interval, rho_within
from pipeline.stages import Work

LEVELS = {
    "treatment": ("none recorded", "once", "more than once"),
    "hygiene": ("held", "not held", "not told"),
    "climate": ("within", "seldom outside", "often outside", "no reading"),
    "feeding": ("within", "seldom outside", "often outside", "no reading"),
    "budwood_age": ("0 to 2", "3 to 7", "8 to 14", "after 14", "several", "not known"),
}
"""What was done -> its levels, in order."""
OUTCOMES = ("take", "survival", "lost")
_BESIDE = (
    dict.fromkeys(("outcome", "by", "level"), "VARCHAR")
    | dict.fromkeys(("units", "lines", "at_risk", "came"), "BIGINT")
    | dict.fromkeys(("rate", "low", "high", "expected_rate"), "DOUBLE")
)


def set_beside(work: Work) -> None:
    """work.beside from work.beside_units: of each outcome and what was done, by level, what came of the plants at risk, the
    rate with the 95 % interval for lines of groups differing as they do, and the rate to be expected had each cell (pair and
    attempt, rootstock and stage) the rate that it has over all levels (indirect standardisation). Where only one level was
    ever seen there is nothing to set beside."""
    rows: list[tuple[Any, ...]] = []
    for outcome in OUTCOMES:
        for by, levels in LEVELS.items():
            found = work.arrays(
                f"SELECT {by} AS level, root, cell, at_risk::BIGINT AS n, came::BIGINT AS y FROM work.beside_units"
                f" WHERE outcome = ? AND {by} IS NOT NULL ORDER BY ALL",
                [outcome],
            )
            level, root, cell = (np.asarray(found[k], dtype=str) for k in ("level", "root", "cell"))
            n, y = (np.asarray(found[k], dtype=np.int64) for k in ("n", "y"))
            if len(np.unique(level)) < 2:
                continue
            _, cells = np.unique(cell, return_inverse=True)
            expected = n * (np.bincount(cells, y) / np.bincount(cells, n))[cells]
            moments = cautious(rho_within(*_of_lines(y, n, np.char.add(np.char.add(level, "\t"), cell), root)))
            for name in levels:
                own = level == name
                if not (size := int(n[own].sum())):
                    continue
                came = int(y[own].sum())
                _, lines = np.unique(root[own], return_inverse=True)
                deff = design_effect(np.bincount(lines, n[own]), moments.rho)
                limits = pooled_interval(came, size, deff, moments.freedom)
                usual = float(expected[own].sum()) / size
                numbers = (int(own.sum()), int(lines.max()) + 1, size, came)
                rows.append((outcome, by, name, *numbers, came / size, *limits, usual))
    work.put("beside", _BESIDE, rows)


def _of_lines(y: Any, n: Any, cell: Any, root: Any) -> tuple[Any, Any, Any]:
    """(y, n, cell) with the units of one line and cell together: months of a group are not groups."""
    key = np.char.add(np.char.add(cell, "\t"), root)
    _, first, line = np.unique(key, return_index=True, return_inverse=True)
    return np.bincount(line, y), np.bincount(line, n), cell[first]
