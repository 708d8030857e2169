"""Houses compared by what they lost, what stood there allowed for: losses beside those to be expected at the rates of the
nursery (indirect standardisation), groups being frail or strong and losses coming in clumps.

Every plant at risk belongs to a cell (stage, rootstock, and how it is at risk) with one rate, that of the houses that are in
line; `expected` of a house is the sum of its exposures at these rates. What a house lost less what was expected is a sum over
units (the plants of one line in one house), each with the variance spread x expected + frailty x expected^2: losses in clumps,
and units that are frail in all their stages. Both are learned from how units of one house differ. The house furthest out
of line (of many the furthest few) is taken out of the rates, and the others are compared again, so that one bad house does not
make all others look good.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special
from scipy.sparse import csr_array

from pipeline.formulas.comparison import q_values
from pipeline.formulas.proportions import Z95

Real = NDArray[np.float64]
Whole = NDArray[np.int64]
Bool = NDArray[np.bool_]
_TINY = 1e-300
LEAST_GROUPS, LEAST_EXPECTED = 5, 20.0
"""A house gets a flag from so many lines of groups and so many losses expected on."""
_LEAST_APART = 0.2
"""The least share of what is expected of a house that must rest on others than itself."""
_ROUNDS = 20
_AT_ONCE = 50
"""One in so many of the houses told (at least one) is taken out of the rates at once."""


class Excess(NamedTuple):
    """Of one house: how many lines of groups (those of one root are one), what it lost and what was to be expected, their ratio
    with a 95 % interval, the q-value of "differs from the others", and `better`, `worse`, neither (empty). NaN where it cannot
    be said."""

    groups: int
    lost: int
    expected: float
    ratio: float
    low: float
    high: float
    q_value: float
    flag: str


LEAST_TOLD = 1.0
"""Losses that must be expected before a ratio to them says anything."""

_HOPELESS = 1e6
"""So many times the variance of a Poisson number is no limit at all."""


def ratio_limits(lost: ArrayLike, expected: ArrayLike, dispersion: ArrayLike = 1.0) -> tuple[Real, Real]:
    """The 95 % limits of lost / expected, lost being a Poisson number whose variance is `dispersion` times as large.

    F. Garwood, Biometrika 28 (1936) 437-442, on the numbers divided by the dispersion; N. E. Breslow & N. E. Day, Statistical
    Methods in Cancer Research II (IARC 1987), 2.3, for standardised ratios.
    """
    o, e = (np.asarray(v, dtype=float) / np.asarray(dispersion, dtype=float) for v in (lost, expected))
    low = np.where(o > 0, special.gammaincinv(np.maximum(o, 1e-12), 0.025), 0.0) / e
    return low, special.gammaincinv(o + 1, 0.975) / e


def _spread_of(z: Real, expected: Real) -> tuple[Real, Real]:
    """(spread, frailty) (2,) from squares (k,) that should be spread x expected + frailty x expected^2, by least squares with
    weights that are worked out again; and the covariance of both (2, 2) by what is left over."""
    x = np.stack([expected, expected**2], 1)
    found = np.array([1.0, 0.0])
    weight = 1 / np.maximum(expected, 1e-9)
    for _ in range(_ROUNDS):
        weight = 1 / np.maximum(x @ np.maximum(found, [1.0, 0.0]), 1e-9)
        found = optimize.nnls(x * weight[:, None], z * weight)[0]
    found[0] = max(1.0, found[0])
    left = (z - x @ found) * weight**2
    inverse = np.linalg.pinv((x * weight[:, None]).T @ (x * weight[:, None]))
    score = (x * left[:, None]).T @ (x * left[:, None])
    return found, inverse @ score @ inverse


class _Rows(NamedTuple):
    """What was at risk and lost, numbered from 0: rows (m,) with their house, unit and cell; units (u,) with their house."""

    house: Whole
    unit: Whole
    cell: Whole
    exposure: Real
    lost: Real
    house_of: Whole
    houses: int


class Spread(NamedTuple):
    """How lines of one house differ: their losses vary by clumps x expected + frailty x expected^2. NaN where no two can be set
    beside each other."""

    clumps: float
    frailty: float

    def dispersion(self, of_lines: ArrayLike) -> float:
        """How many times the variance of a sum is larger than chance alone has it, from what is expected of each line."""
        e = np.asarray(of_lines, dtype=float)
        return float(self.clumps + self.frailty * (e**2).sum() / max(float(e.sum()), _TINY))


class _Judged(NamedTuple):
    """Of each house (h,): expected losses, limits of the ratio, p-value (NaN where there is too little to tell); the spread."""

    spread: Spread
    expected: Real
    low: Real
    high: Real
    p: Real


def compare_losses(
    house: ArrayLike, line: ArrayLike, cell: ArrayLike, exposure: ArrayLike, lost: ArrayLike
) -> tuple[dict[int, Excess], Spread]:
    """Each house compared, and how lines differ, from rows (m,) of whole numbers: house, line of groups,
    cell, exposure (plants, plant-days), losses.

    What was lost where nothing else was exposed is what was expected there. Tests are two-sided, q-values over the houses with
    enough to tell; at least half of these stay in the rates.
    """
    names, h = np.unique(np.asarray(house), return_inverse=True)
    if not len(names):
        return {}, Spread(math.nan, math.nan)
    g, c = (np.unique(np.asarray(v), return_inverse=True)[1] for v in (line, cell))
    lines = int(g.max()) + 1
    pairs, unit = np.unique(h * lines + g, return_inverse=True)
    x, y = (np.asarray(v, dtype=float) for v in (exposure, lost))
    rows = _Rows(h, unit, c, x, y, pairs // lines, len(names))
    groups, seen = np.bincount(pairs // lines), _total(h, y, len(names))
    in_line = np.ones(len(names), dtype=bool)
    while True:
        judged = _judged(rows, groups, seen, in_line)
        q = np.full(len(names), math.nan)
        told = ~np.isnan(judged.p)
        if told.sum() > 1:
            q[told] = q_values(judged.p[told])
        out, all_told = np.flatnonzero(in_line & (q < 0.05)), int(told.sum())
        at_once = min(-(-all_told // _AT_ONCE), int((in_line & told).sum()) - all_told // 2 - 1)
        if not len(out) or at_once < 1:
            break
        in_line[out[np.argsort(judged.p[out], kind="stable")[:at_once]]] = False
    found = {}
    for i, name in enumerate(names.tolist()):
        expected = float(judged.expected[i])
        ratio = float(seen[i]) / expected if expected >= LEAST_TOLD else math.nan
        flag = "" if not q[i] < 0.05 else "worse" if ratio > 1 else "better"
        limits = float(judged.low[i]), float(judged.high[i])
        found[name] = Excess(int(groups[i]), int(seen[i]), expected, ratio, *limits, float(q[i]), flag)
    return found, judged.spread


def _total(of: Whole, values: Real, many: int) -> Real:
    return np.bincount(of, values, many).astype(float)


def _judged(rows: _Rows, groups: Whole, seen: Real, in_line: Bool) -> _Judged:
    """The houses judged by the rates of those that are in line."""
    h, unit, c, of, houses = rows.house, rows.unit, rows.cell, rows.house_of, rows.houses
    units, cells = len(of), int(c.max()) + 1
    standard = in_line[h]
    total, gone = (np.bincount(c[standard], v[standard], cells) for v in (rows.exposure, rows.lost))
    mean = np.where(total[c] > 0, rows.exposure * gone[c] / np.maximum(total[c], _TINY), rows.lost)
    own = csr_array((mean, (h, c)), shape=(houses, cells)).toarray()
    whole = own[in_line].sum(0)
    share = np.where(whole > 0, own / np.maximum(whole, _TINY), 0.0)  # of what is expected in each cell of the houses in line
    expected, per_unit = _total(h, mean, houses), _total(unit, mean, units)
    # how units of one house differ, each being a part of its house and of its cells
    ratio = (seen / np.maximum(expected, _TINY))[of]
    in_house = per_unit / np.maximum(expected[of], _TINY)
    by_share = np.bincount(unit, np.where(standard, mean * share[h, c], 0.0), units)
    used = (groups[of] > 1) & (ratio * per_unit > 0) & (in_house < 0.98)
    nothing = np.full(houses, math.nan)
    freedom = int(used.sum()) - len(np.unique(of[used]))
    if freedom < 1:
        return _Judged(Spread(math.nan, math.nan), expected, nothing, nothing, nothing)
    left = np.bincount(unit, rows.lost, units) - ratio * per_unit
    squares = left**2 / np.maximum((1 - in_house) * (1 - by_share / np.maximum(per_unit, _TINY)), 0.02)
    parts, doubt = _spread_of(squares[used], (ratio * per_unit)[used])
    # what a house lost beyond expectation, as a sum over units: its own in full, less those in line by its share of their cells
    means = csr_array((np.where(standard, mean, 0.0), (unit, c)), shape=(units, cells))
    by_line = ((share @ (means.T @ means).toarray()) * share).sum(1) + np.bincount(of, per_unit**2 - 2 * per_unit * by_share)
    slopes = np.stack([expected - 2 * np.bincount(of, by_share) + share**2 @ whole, by_line], 1)
    variance = np.maximum(slopes @ parts, _TINY)
    # not less than what the units of the house itself show, at the expected size
    by_own = np.bincount(of, left**2 / np.maximum(ratio, 1), houses) * groups / np.maximum(groups - 1, 1)
    variance = np.maximum(variance, by_own)
    rest = np.where(in_line, (own * (1 - share)).sum(1), expected)
    with np.errstate(over="ignore"):  # no doubt at all: as much freedom as there is; nothing beside it: no limits
        by_parts = 2 * variance**2 / np.maximum(np.einsum("ij,jk,ik->i", slopes, doubt, slopes), _TINY)
        apart = np.minimum(variance / np.maximum(rest, _TINY), _HOPELESS)
    student = np.clip(by_parts, 1, freedom)
    wider = np.maximum(1.0, apart) * (special.stdtrit(student, 0.975) / Z95) ** 2
    known = (expected >= LEAST_TOLD) & (wider < _HOPELESS)
    low, high = (np.where(known, v, math.nan) for v in ratio_limits(seen, np.maximum(expected, _TINY), wider))
    is_told = (groups >= LEAST_GROUPS) & (expected >= LEAST_EXPECTED) & (rest >= _LEAST_APART * expected)
    p = 2 * special.stdtr(student, -np.abs(seen - expected) / np.sqrt(variance))
    return _Judged(Spread(*map(float, parts)), expected, low, high, np.where(is_told, p, math.nan))
