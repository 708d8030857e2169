"""What is usual of a share, month by month: the limits within which a month lies by chance alone, when lots or groups differ
and months do too.

A month is held against those before it. Shares are looked at as x = arcsin sqrt of (y + 3/8) / (n + 3/4), whose variance by
chance is 1 / (4 n + 2) whatever the share (F. J. Anscombe, Biometrika 35 (1948) 246-254), n being the number of plants divided
by the design effect. What months differ by beyond that is tau^2 (D. J. Spiegelhalter, Quality and Safety in Health Care 14
(2005) 347-351), from squares that one month far out cannot blow up.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

Real = NDArray[np.float64]
LEAST, MOST = 6, 24
"""Months that must be there before anything is called usual, and the months before that a month is held against."""
UNUSUAL, OUT_OF_LINE = 0.05, 0.002
"""Chances below which a month is called unusual, and out of line: as the limits of the funnel."""
_CUT = 0.1
_LEFT, _FREEDOM = 0.71, 0.73
"""Of squares of a normal variable about the median of a few, drawn in to the tenths, so much is left, and so much of their
degrees of freedom (by simulation, 6 to 24 values)."""


class Usual(NamedTuple):
    """`low` to `high` holds the share of a month by chance alone in 95 of 100; `middle` is the share of the months before;
    `chance` that a month like these lies as far from it; `between` is tau^2 and `freedom` what it rests on."""

    middle: float
    low: float
    high: float
    chance: float
    between: float
    freedom: float


def drawn_in(z: ArrayLike) -> Real:
    """The values (k,), those in the outer tenths brought to the tenths (Winsorised), quantiles interpolated."""
    values = np.asarray(z, dtype=float)
    low, high = np.quantile(values, [_CUT, 1 - _CUT])
    kept: Real = np.clip(values, low, high)
    return kept


def between_units(phi: float, errors: ArrayLike) -> float:
    """tau^2: by how much units of these standard errors (k,) vary beyond them, where the mean square of their standardised
    values is `phi`. 0 where they do not."""
    weights = 1 / np.asarray(errors, dtype=float) ** 2
    many, total = len(weights), float(weights.sum())
    below = total - float((weights**2).sum()) / total
    return max(0.0, (many * phi - (many - 1)) / below) if below > 0 else 0.0


def pooled_effect(units: ArrayLike, y: ArrayLike, n: ArrayLike, yy: ArrayLike, yn: ArrayLike, nn: ArrayLike) -> float:
    """The design effect that many months (k,) have in common, from how many units (groups) each has and the sums of y, n, y^2,
    y n and n^2 over them: what they vary by within months over what chance would make of it. Not below 1.

    The ratio estimator of J. N. K. Rao & A. J. Scott, Biometrics 48 (1992) 577-585, pooled.
    """
    m, a, b, aa, ab, bb = (np.asarray(v, dtype=float) for v in (units, y, n, yy, yn, nn))
    share = a / np.maximum(b, 1)
    known = (m > 1) & (share > 0) & (share < 1)
    found = m / np.maximum(m - 1, 1) * np.maximum(0.0, aa - 2 * share * ab + share**2 * bb)
    below = float((b * share * (1 - share))[known].sum())
    return max(1.0, float(found[known].sum()) / below) if below > 0 else 1.0


def _placed(y: Real, n: Real) -> Real:
    placed: Real = np.arcsin(np.sqrt((y + 0.375) / (n + 0.75)))
    return placed


def _share(place: float, n: float) -> float:
    angle = min(max(place, 0.0), math.pi / 2)
    return min(1.0, max(0.0, (math.sin(angle) ** 2 * (n + 0.75) - 0.375) / n))


def usual(y: ArrayLike, n: ArrayLike, deff: ArrayLike) -> list[Usual | None]:
    """What was usual for each month (k,), in order, with y of n and their design effects: by the months before it, at most
    `MOST`, that have anything. None where these are fewer than `LEAST`, and for a month of nothing."""
    own = np.maximum(1.0, np.asarray(deff, dtype=float))
    size, count = np.asarray(n, dtype=float) / own, np.asarray(y, dtype=float) / own
    places = _placed(count, size)
    errors = 1 / np.sqrt(4 * size + 2)
    found: list[Usual | None] = []
    for month in range(len(size)):
        before = np.arange(max(0, month - MOST), month)
        before = before[size[before] > 0]
        if size[month] <= 0 or len(before) < LEAST:
            found.append(None)
            continue
        off = (places[before] - np.median(places[before])) / errors[before]
        kept, many = drawn_in(off), len(before)
        between = between_units(float((kept**2).mean()) * many / (many - 1) / _LEFT, errors[before])
        weights = 1 / (errors[before] ** 2 + between)
        middle = float((weights * (np.median(places[before]) + kept * errors[before])).sum() / weights.sum())
        spread = math.sqrt(errors[month] ** 2 + between + 1 / weights.sum())
        freedom = _FREEDOM * (many - 1)
        half = float(special.stdtrit(freedom, 1 - UNUSUAL / 2)) * spread
        chance = 2 * float(special.stdtr(freedom, -abs(places[month] - middle) / spread))
        level, low, high = (_share(place, float(size[month])) for place in (middle, middle - half, middle + half))
        found.append(Usual(level, low, high, chance, between, freedom))
    return found


def chance_of_change(first: tuple[float, float, float], then: tuple[float, float, float], by: Usual) -> float:
    """The chance that two months like those of `by` differ as much as these, each as (y, n, design effect)."""
    y, n, deff = (np.array(v, dtype=float) for v in zip(first, then, strict=True))
    size = n / np.maximum(1.0, deff)
    places = _placed(y / np.maximum(1.0, deff), size)
    spread = math.sqrt(float((1 / (4 * size + 2)).sum()) + 2 * by.between)
    return 2 * float(special.stdtr(by.freedom, -abs(float(places[0] - places[1])) / spread))
