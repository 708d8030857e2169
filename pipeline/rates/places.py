"""What was at risk and lost at each place -> losses of places and houses, houses compared fairly."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from pipeline.formulas.standardised import LEAST_TOLD, Spread, compare_losses, ratio_limits
from pipeline.stages import Work

MONTH, THOUSAND = 30, 1000
"""Losses are told for a thousand plants and thirty days, as those without a record are."""
_COLUMNS = (
    dict.fromkeys(("by", "level"), "VARCHAR")
    | dict.fromkeys(("lines", "lost", "not_recorded", "plant_days"), "BIGINT")
    | dict.fromkeys(("loss_rate", "loss_low", "loss_high", "expected", "ratio", "ratio_low", "ratio_high", "q_value"), "DOUBLE")
    | {"flag": "VARCHAR"}
)
_AT_RISK = """
SELECT r.location, coalesce(h.house, r.location) AS house, dense_rank() OVER (ORDER BY r.location) AS p,
    dense_rank() OVER (ORDER BY coalesce(h.house, r.location)) AS h, dense_rank() OVER (ORDER BY r.root) AS line,
    dense_rank() OVER (ORDER BY r.kind, r.rank, coalesce(r.rootstock, '')) AS cell,
    r.kind, sum(r.exposure)::BIGINT AS exposure, sum(r.lost)::BIGINT AS lost
FROM work.place_risks r LEFT JOIN work.houses h ON h.location = r.location
WHERE r.location IS NOT NULL
GROUP BY r.location, h.house, r.root, r.kind, r.rank, r.rootstock
ORDER BY r.location, line, cell
"""


def compare_places(work: Work) -> None:
    """work.place_losses: of the whole nursery, of each house and each place, what was lost there and what was to be expected at
    the rates of the houses that are in line."""
    names = work.rows(f"SELECT DISTINCT p, location, h, house FROM ({_AT_RISK}) ORDER BY p")
    found = work.arrays(f"SELECT p, h, line, cell, kind, exposure, lost FROM ({_AT_RISK}) ORDER BY p, line, cell")
    place, house, line, cell, exposure, lost = (
        np.asarray(found[k], dtype=np.int64) for k in ("p", "h", "line", "cell", "exposure", "lost")
    )
    kind = np.asarray(found["kind"], dtype=str)
    houses, spread = compare_losses(house, line, cell, exposure, lost)
    expected = _expected(house, cell, exposure, lost, {h for h, one in houses.items() if one.flag})

    def row(by: str, level: str, own: Any) -> tuple[Any, ...]:
        """One level, from the rows that are its own."""
        gone, days = int(lost[own].sum()), int(exposure[own & (kind == "recorded")].sum())
        of_lines = np.bincount(line[own], expected[own])
        usual = float(of_lines.sum())
        low, high = _limits(gone, of_lines, spread)
        rate = THOUSAND * MONTH / days if days else math.nan
        numbers = (
            gone * rate,
            low * rate,
            high * rate,
            usual,
            *(v / usual if usual >= LEAST_TOLD else math.nan for v in (gone, low, high)),
        )
        unseen = int(lost[own & (kind == "not_recorded")].sum())
        return by, level, int(np.count_nonzero(of_lines)), gone, unseen, days, *map(_known, numbers), None, None

    rows = [row("all", "all", np.ones(len(lost), dtype=bool))] if len(lost) else []
    for h, name in dict.fromkeys((h, house_name) for _, _, h, house_name in names):
        one = houses[h]
        fair = map(_known, (one.expected, one.ratio, one.low, one.high, one.q_value))
        rows.append((*row("house", name, house == h)[:9], *fair, one.flag or None))
    rows += [row("place", name, place == p) for p, name, _, _ in names]
    work.put("place_losses", _COLUMNS, rows)


def _expected(house: Any, cell: Any, exposure: Any, lost: Any, out: set[int]) -> Any:
    """(m,) the losses to be expected of each row at the rates of the houses that are not `out` of line."""
    standard = ~np.isin(house, sorted(out))
    width = int(cell.max(initial=0)) + 1
    total, gone = (np.bincount(cell[standard], v[standard], width) for v in (exposure, lost))
    return np.where(total[cell] > 0, exposure * gone[cell] / np.maximum(total[cell], 1), lost)


def _limits(gone: int, of_lines: Any, spread: Spread) -> tuple[float, float]:
    """The 95 % limits of so many losses, lines of groups differing as they do; NaN where it is not known how they differ."""
    if math.isnan(spread.clumps):
        return math.nan, math.nan
    low, high = ratio_limits(gone, 1.0, spread.dispersion(of_lines))
    return float(low), float(high)


def _known(value: float) -> float | None:
    """Nothing for what is not a number."""
    return value if math.isfinite(value) else None
