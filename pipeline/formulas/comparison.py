"""Teams compared fairly: what each was given is allowed for, and so is that lots differ more than chance says.

The model: logit(take of a lot) = level + rootstock + scion + pair + season + attempt + team, fitted by weighted
penalised likelihood. A lot of n buds weighs n / (1 + (n - 1) rho), as D. A. Williams, Applied Statistics 31 (1982) 144-148.
The penalty draws each effect towards nothing as so many lots would: pairs strongly (they are what rootstock and scion do not
explain), the rest weakly, so that sparse and all-green cells stay finite.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from pipeline.formulas.proportions import Z95

if TYPE_CHECKING:
    from scipy import sparse

Real = NDArray[np.float64]
Whole = NDArray[np.int64]

SPREAD = {"rootstock": 0.8, "scion": 0.8, "pair": 0.4, "season": 0.5, "attempt": 1.5, "team": 1.5}
"""Standard deviation, on the logit, that each kind of effect is expected to have; of attempt and team it stays so, for the
others it is learned from the nursery's own lots, with this as good as four effects seen."""


class Fit(NamedTuple):
    """`coefficients` (p,) on the logit and their `covariance` (p, p)."""

    coefficients: Real
    covariance: Real


@dataclass(frozen=True)
class Design:
    """The distinct rows of a design of zeros and ones: `column` (k, c) the coefficients that a row takes up, out of `width`
    (`width` itself where it takes up fewer than k); `row` (m,) says which of them each lot has. Sums over the lots of each
    row are all that a fit needs."""

    column: Whole
    row: Whole
    width: int

    def times(self, b: Real) -> Real:
        """(c,) the rows times the coefficients."""
        product: Real = np.append(b, 0.0)[self.column].sum(0)
        return product

    def gathered(self, v: Real) -> Real:
        """(p,) the transposed rows times (c,) numbers."""
        found = np.zeros(self.width + 1)
        for own in self.column:
            found += np.bincount(own, v, self.width + 1)
        return found[:-1]

    def squared(self, v: Real) -> Real:
        """(p, p) the transposed rows times the rows, each weighing v (c,): a table for each two of the k."""
        half = np.zeros((self.width + 1, self.width + 1))
        for block, place in self._tables:
            half[block] += np.bincount(place, v, half[block].size).reshape(half[block].shape)
        half = half[:-1, :-1]
        return half + half.T + np.diag(self.gathered(v))

    @cached_property
    def _tables(self) -> list[tuple[tuple[slice, slice], Whole]]:
        least, most = self.column.min(1).tolist(), (self.column.max(1) + 1).tolist()
        return [
            (
                (slice(least[i], most[i]), slice(least[j], most[j])),
                (self.column[i] - least[i]) * (most[j] - least[j]) + self.column[j] - least[j],
            )
            for i, j in combinations(range(len(self.column)), 2)
        ]

    def of_lots(self, values: Real) -> Real:
        """(c,) sums of the values (m,) of the lots of each row."""
        sums: Real = np.bincount(self.row, values, self.column.shape[1]).astype(float)
        return sums


def _design(matrix: sparse.csr_array | Design) -> Design:
    if isinstance(matrix, Design):
        return matrix
    is_in = matrix.toarray()
    if not np.isin(is_in, (0, 1)).all():
        raise ValueError("a design is of zeros and ones")
    rows, row = np.unique(is_in, axis=0, return_inverse=True)
    column = np.where(rows > 0, np.arange(rows.shape[1]), rows.shape[1]).T
    return Design(column, row, rows.shape[1])


def fit(
    taken: ArrayLike,
    read: ArrayLike,
    design: sparse.csr_array | Design,
    penalty: ArrayLike,
    rho: float,
    start: Real | None = None,
) -> Fit:
    """Penalised logistic regression of lots (m,) on a design (m, p), each lot weighing 1 / (1 + (n - 1) rho) a bud.

    `penalty` (p,) is 1 / spread^2 of each coefficient, 0 for none. With no penalty and rho from Williams' rule these are his
    estimates. Newton steps, halved where they would overshoot. Raises ValueError where the design cannot be told apart.
    """
    y, n, ridge = (np.asarray(v, dtype=float) for v in (taken, read, penalty))
    weight, x = 1 / (1 + rho * np.maximum(n - 1, 0)), _design(design)
    y, n = x.of_lots(weight * y), x.of_lots(weight * n)

    def loss(b: Real, eta: Real) -> float:
        return float((n * np.logaddexp(0, eta) - y * eta).sum() + (ridge * b * b).sum() / 2)

    b = np.zeros(x.width) if start is None else start
    eta = x.times(b)
    now = loss(b, eta)
    for _ in range(60):
        mean = special.expit(eta)
        information = x.squared(n * mean * (1 - mean)) + np.diag(ridge)
        try:
            step = np.linalg.solve(information, x.gathered(y - n * mean) - ridge * b).astype(float)
        except np.linalg.LinAlgError:
            raise ValueError("the effects cannot be told apart") from None
        along, size, before = x.times(step), 1.0, now
        while (now := loss(b + size * step, eta + size * along)) > before + 1e-12 and size > 1e-4:
            size /= 2
        b, eta = b + size * step, eta + size * along
        if abs(before - now) < 1e-10 * (1 + abs(now)) and np.abs(size * step).max() < 1e-8:
            break
    return Fit(b, np.linalg.inv(information).astype(float))


def fit_with_rho(
    taken: ArrayLike, read: ArrayLike, design: sparse.csr_array | Design, spread: ArrayLike, kind: ArrayLike, rounds: int = 20
) -> tuple[Fit, float, float]:
    """The fit with its rho and its degrees of freedom (lots less the coefficients that the penalty leaves free).

    rho is Williams': that at which the weighted squares of what is left over are as many as the degrees of freedom. `spread`
    (p,) is the standard deviation that each coefficient is expected to have (infinite for none). Coefficients of one `kind`
    (p,) from 1 on are a family whose own spread is learned, the one given standing for four of them; kind 0 is left as it is.
    The spreads are those of expectation and maximisation, N. E. Breslow & D. G. Clayton, JASA 88 (1993) 9-25.
    """
    y, n, expected = (np.asarray(v, dtype=float) for v in (taken, read, spread))
    family, x = np.asarray(kind), _design(design)
    ridge, rho = 1 / expected**2, 0.0
    sizes, of_size = np.unique(np.maximum(n - 1, 0), return_inverse=True)
    fitted, free = fit(y, n, x, ridge, rho), float(len(y))
    for _ in range(rounds):
        mean = special.expit(x.times(fitted.coefficients))[x.row]
        squares = np.bincount(of_size, (y - n * mean) ** 2 / (n * mean * (1 - mean)), len(sizes)).astype(float)
        variance = np.diag(fitted.covariance)
        free = len(y) - (len(ridge) - float(variance @ ridge))
        before = (rho, ridge)
        rho = _williams(squares, sizes, free)
        seen = fitted.coefficients**2 + variance
        for k in np.unique(family[family > 0]):
            own = family == k
            ridge = np.where(own, (own.sum() + 4) / (seen[own].sum() + 4 * expected[own][0] ** 2), ridge)
        fitted = fit(y, n, x, ridge, rho, fitted.coefficients)
        if abs(rho - before[0]) < 1e-7 + 1e-4 * rho and np.abs(ridge - before[1]).max() <= 1e-3 * ridge.max():
            break
    return fitted, rho, free


def _williams(squares: Real, sizes: Real, free: float) -> float:
    """The rho in 0 to 1 at which squares / (1 + rho sizes), both (s,), add up to the degrees of freedom. What is left over
    falls ever less steeply as rho rises, so Newton's steps from 0 come near without going past."""
    rho = 0.0
    for _ in range(100):
        below = 1 + rho * sizes
        over = (squares / below).sum() - free
        slope = (squares * sizes / below**2).sum()
        if free <= 0 or over <= 0 or slope <= 0 or rho >= 1:
            break
        rho += over / slope
        if over / slope < 1e-14:
            break
    return float(min(1.0, rho)) if free > 0 else 0.0


class Compared(NamedTuple):
    """Of one team: its take had it budded the whole mix with a 95 % interval, the q-value of "differs from the mean of the
    others" and whether it is `better`, `worse` or neither (empty). Numbers are NaN where it cannot be compared."""

    adjusted: float
    low: float
    high: float
    q_value: float
    flag: str


CANNOT = "cannot be compared"
_LEARNED = 1.05
"""Errors are so much larger because the spreads and rho are learned too (R. N. Kackar & D. A. Harville, JASA 79 (1984)
853-862); how much was set by simulation, tests/bench/rates_bench.py."""


def apart(team: Whole, *levels: Whole) -> set[int]:
    """The teams that share no level of any of the factors (each (m,)) with another team."""
    names, who = np.unique(team, return_inverse=True)
    alone = np.ones(len(names), dtype=bool)
    for factor in levels:
        _, level = np.unique(factor, return_inverse=True)
        is_there = np.bincount(level * len(names) + who, minlength=(level.max(initial=-1) + 1) * len(names)) > 0
        is_there = is_there.reshape(-1, len(names))
        alone &= ~is_there[is_there.sum(1) > 1].any(0)
    return set(names[alone].tolist())


def _numbered(values: Sequence[str]) -> tuple[list[str], Whole]:
    """The names in order and the number of each value (m,) among them."""
    names = sorted(set(values))
    number = {name: i for i, name in enumerate(names)}
    return names, np.fromiter(map(number.__getitem__, values), np.int64, len(values))


def _one_hot(factors: Sequence[Whole]) -> tuple[Design, list[int]]:
    """The design of a level common to all and one coefficient for each level of each factor (m,), with how many levels each
    factor has. Lots alike in all factors share a row."""
    _, row = np.unique(factors[0], return_inverse=True)
    for factor in factors[1:]:
        _, row = np.unique(row * (factor.max() + 1) + factor, return_inverse=True)
    _, first = np.unique(row, return_index=True)
    columns = [np.zeros(len(first), dtype=np.int64)]
    widths: list[int] = []
    for factor in factors:
        names, own = np.unique(factor, return_inverse=True)
        columns.append(1 + sum(widths) + own[first])
        widths.append(len(names))
    return Design(np.stack(columns), row, 1 + sum(widths)), widths


def compare_teams(
    taken: ArrayLike, read: ArrayLike, factors: dict[str, Sequence[str]], team: Sequence[str], least: int
) -> dict[str, Compared]:
    """Each team's adjusted take from lots (m,): marginal standardisation over the buds read of the whole nursery.

    `factors` names the columns of `SPREAD` except team. A team with fewer than `least` buds read gets no flag, and one that
    shares neither rootstock nor scion with another no number. Q-values: Y. Benjamini & Y. Hochberg, JRSS B 57 (1995) 289-300.
    """
    y, n = np.asarray(taken, dtype=float), np.asarray(read, dtype=float)
    names, who = _numbered(team)
    indices = {k: _numbered(v)[1] for k, v in factors.items()}
    alone = apart(who, indices["rootstock"], indices["scion"])
    keep = ~np.isin(who, list(alone)) & (n > 0)
    teams = np.unique(who[keep])
    if len(teams) < 2:
        alone |= set(teams.tolist())
    found = {names[t]: Compared(math.nan, math.nan, math.nan, math.nan, CANNOT) for t in sorted(alone)}
    if len(teams) < 2:
        return found
    y, n = y[keep], n[keep]
    kinds = [*indices, "team"]
    design, widths = _one_hot([index[keep] for index in [*indices.values(), who]])
    # the level too is held, very loosely: where all buds are green nothing else would
    spread = np.repeat([5.0, *(SPREAD[kind] for kind in kinds)], [1, *widths])
    family = np.repeat([0, *(0 if k in ("attempt", "team") else i for i, k in enumerate(kinds, 1))], [1, *widths])
    fitted, _, free = fit_with_rho(y, n, design, spread, family)
    first = design.width - len(teams)
    effects = fitted.coefficients[first:]
    base = design.times(fitted.coefficients) - effects[design.column[-1] - first]
    mix = design.of_lots(n) / n.sum()
    others = replace(design, column=design.column[:-1])
    shares, slopes = np.empty(len(teams)), np.zeros((len(teams), design.width))
    for i, effect in enumerate(effects):
        mean = special.expit(base + effect)
        shares[i] = mix @ mean
        gain = mix * mean * (1 - mean)
        slopes[i] = others.gathered(gain)
        slopes[i, first + i] = gain.sum()
    covariance = slopes @ fitted.covariance @ slopes.T
    buds = np.bincount(who[keep], n)[teams].astype(float)
    return found | _judged([names[t] for t in teams], shares, covariance, buds, int(free), least)


def q_values(chances: ArrayLike) -> Real:
    """The least rate of false discoveries at which each of these p-values (k,) is among what is found: of each and all above
    it the least p k / rank. Y. Benjamini & Y. Hochberg, JRSS B 57 (1995) 289-300."""
    p = np.asarray(chances, dtype=float)
    order = np.argsort(p)[::-1]
    found = np.empty(len(p))
    found[order] = np.minimum.accumulate(p[order] * len(p) / np.arange(len(p), 0, -1))
    return np.minimum(found, 1.0)


def _judged(names: list[str], shares: Real, covariance: Real, buds: Real, freedom: int, least: int) -> dict[str, Compared]:
    """Intervals and contrasts with the mean of the others, on the logit; flags."""
    quantile = float(special.stdtrit(max(4, freedom), 0.975))
    many = len(names)
    logits, slope = special.logit(shares), shares * (1 - shares)
    covariance = _LEARNED**2 * covariance / np.outer(slope, slope)
    contrast = np.eye(many) - (1 - np.eye(many)) / (many - 1)
    error = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", contrast, covariance, contrast), 1e-300))
    difference = contrast @ logits
    q = q_values(2 * special.stdtr(max(4, freedom), -np.abs(difference) / error))
    found = {}
    for i, name in enumerate(names):
        middle, half = logits[i], quantile * math.sqrt(covariance[i, i])
        flag = ("better" if difference[i] > 0 else "worse") if q[i] < 0.05 and buds[i] >= least else ""
        low, high = float(special.expit(middle - half)), float(special.expit(middle + half))
        found[name] = Compared(float(shares[i]), low, high, float(q[i]), flag)
    return found


class Ratio(NamedTuple):
    """An odds ratio with its 95 % interval; NaN where it cannot be said."""

    ratio: float
    low: float
    high: float


def odds_ratio(taken: Real, failed: Real, others_taken: Real, others_failed: Real, deff: float = 1.0) -> Ratio:
    """The Mantel-Haenszel odds ratio over strata (each (s,)) with the interval of J. Robins, N. Breslow & S. Greenland,
    Biometrics 42 (1986) 311-323, its variance widened by `deff`."""
    total = taken + failed + others_taken + others_failed
    kept = total > 0
    a, b, c, d, t = (v[kept].astype(float) for v in (taken, failed, others_taken, others_failed, total))
    r, s, p, q = a * d / t, b * c / t, (a + d) / t, (b + c) / t
    if r.sum() <= 0 or s.sum() <= 0:
        return Ratio(math.nan, math.nan, math.nan)
    variance = (
        (p * r).sum() / (2 * r.sum() ** 2)
        + ((p * s + q * r).sum()) / (2 * r.sum() * s.sum())
        + (q * s).sum() / (2 * s.sum() ** 2)
    )
    ratio = r.sum() / s.sum()
    half = Z95 * math.sqrt(variance * max(1.0, deff))
    return Ratio(float(ratio), float(ratio * math.exp(-half)), float(ratio * math.exp(half)))


def funnel(share: float, read: Real, deff: float = 1.0, quantile: float = Z95) -> tuple[Real, Real]:
    """Limits within which a share of so many (k,) is expected to lie when nothing but chance is at work, widened by `deff`.

    D. J. Spiegelhalter, Statistics in Medicine 24 (2005) 1185-1202; with `deff` 1 and `quantile` 3 those of a p-chart.
    """
    half = quantile * np.sqrt(share * (1 - share) * deff / read)
    return np.maximum(0.0, share - half), np.minimum(1.0, share + half)
