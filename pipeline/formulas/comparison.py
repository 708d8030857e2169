"""Teams compared fairly: what each was given is allowed for, and so is that lots differ more than chance says.

The model: logit(take of a lot) = level + rootstock + scion + pair + season + attempt + team, fitted by weighted
penalised likelihood. A lot of n buds weighs n / (1 + (n - 1) rho), as D. A. Williams, Applied Statistics 31 (1982) 144-148.
The penalty draws each effect towards nothing as so many lots would: pairs strongly (they are what rootstock and scion do not
explain), the rest weakly, so that sparse and all-green cells stay finite.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import linalg, optimize, sparse, special, stats

from pipeline.formulas.proportions import Z95

Real = NDArray[np.float64]
Whole = NDArray[np.int64]

SPREAD = {"rootstock": 0.8, "scion": 0.8, "pair": 0.4, "season": 0.5, "attempt": 1.5, "team": 1.5}
"""Standard deviation, on the logit, that each kind of effect is expected to have; of attempt and team it stays so, for the
others it is learned from the nursery's own lots, with this as good as four effects seen."""


class Fit(NamedTuple):
    """`coefficients` (p,) on the logit and their `covariance` (p, p)."""

    coefficients: Real
    covariance: Real


def fit(
    taken: ArrayLike, read: ArrayLike, design: sparse.csr_array, penalty: ArrayLike, rho: float, start: Real | None = None
) -> Fit:
    """Penalised logistic regression of lots (m,) on a design (m, p), each lot weighing 1 / (1 + (n - 1) rho) a bud.

    `penalty` (p,) is 1 / spread^2 of each coefficient, 0 for none. With no penalty and rho from Williams' rule these are his
    estimates. Newton steps, halved where they would overshoot. Raises ValueError where the design cannot be told apart.
    """
    y, n, ridge = (np.asarray(v, dtype=float) for v in (taken, read, penalty))
    weight = 1 / (1 + rho * np.maximum(n - 1, 0))
    x = design.tocsr()

    def loss(b: Real) -> float:
        eta = x @ b
        return float(-(weight * (y * eta - n * np.logaddexp(0, eta))).sum() + (ridge * b * b).sum() / 2)

    b = np.zeros(x.shape[1]) if start is None else start
    now = loss(b)
    for _ in range(60):
        mean = special.expit(x @ b)
        slope = x.T @ (weight * (y - n * mean)) - ridge * b
        information = (x.T @ (x.multiply((weight * n * mean * (1 - mean))[:, None])).tocsr()).toarray() + np.diag(ridge)
        try:
            step = linalg.solve(information, slope, assume_a="pos")
        except linalg.LinAlgError:
            raise ValueError("the effects cannot be told apart") from None
        size = 1.0
        while loss(b + size * step) > now + 1e-12 and size > 1e-4:
            size /= 2
        b, before = b + size * step, now
        now = loss(b)
        if abs(before - now) < 1e-10 * (1 + abs(now)) and np.abs(size * step).max() < 1e-8:
            break
    mean = special.expit(x @ b)
    information = (x.T @ (x.multiply((weight * n * mean * (1 - mean))[:, None])).tocsr()).toarray() + np.diag(ridge)
    return Fit(b, linalg.inv(information))


def fit_with_rho(
    taken: ArrayLike, read: ArrayLike, design: sparse.csr_array, spread: ArrayLike, kind: ArrayLike, rounds: int = 20
) -> tuple[Fit, float, float]:
    """The fit with its rho and its degrees of freedom (lots less the coefficients that the penalty leaves free).

    rho is Williams': that at which the weighted squares of what is left over are as many as the degrees of freedom. `spread`
    (p,) is the standard deviation that each coefficient is expected to have (infinite for none). Coefficients of one `kind`
    (p,) from 1 on are a family whose own spread is learned, the one given standing for four of them; kind 0 is left as it is.
    The spreads are those of expectation and maximisation, N. E. Breslow & D. G. Clayton, JASA 88 (1993) 9-25.
    """
    y, n, expected = (np.asarray(v, dtype=float) for v in (taken, read, spread))
    family = np.asarray(kind)
    ridge, rho = 1 / expected**2, 0.0
    fitted, free = fit(y, n, design, ridge, rho), float(len(y))
    for _ in range(rounds):
        mean = special.expit(design @ fitted.coefficients)
        squares = (y - n * mean) ** 2 / (n * mean * (1 - mean))
        free = len(y) - (len(ridge) - float(np.diag(fitted.covariance) @ ridge))

        def over(value: float, squares: Real = squares, free: float = free) -> float:
            return float((squares / (1 + value * np.maximum(n - 1, 0))).sum() - free)

        before = (rho, ridge)
        rho = 0.0 if free <= 0 or over(0.0) <= 0 else optimize.brentq(over, 0.0, 1.0) if over(1.0) < 0 else 1.0
        seen = fitted.coefficients**2 + np.diag(fitted.covariance)
        for k in np.unique(family[family > 0]):
            own = family == k
            ridge = np.where(own, (own.sum() + 4) / (seen[own].sum() + 4 * expected[own][0] ** 2), ridge)
        fitted = fit(y, n, design, ridge, rho, fitted.coefficients)
        if abs(rho - before[0]) < 1e-7 + 1e-4 * rho and np.abs(ridge - before[1]).max() <= 1e-3 * ridge.max():
            break
    return fitted, rho, free


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
    alone = set(np.unique(team).tolist())
    for factor in levels:
        for level in np.unique(factor):
            there = np.unique(team[factor == level])
            if len(there) > 1:
                alone -= set(there.tolist())
    return alone


def compare_teams(
    taken: ArrayLike, read: ArrayLike, factors: dict[str, Sequence[str]], team: Sequence[str], least: int
) -> dict[str, Compared]:
    """Each team's adjusted take from lots (m,): marginal standardisation over the buds read of the whole nursery.

    `factors` names the columns of `SPREAD` except team. A team with fewer than `least` buds read gets no flag, and one that
    shares neither rootstock nor scion with another no number. Q-values: Y. Benjamini & Y. Hochberg, JRSS B 57 (1995) 289-300.
    """
    y, n = np.asarray(taken, dtype=float), np.asarray(read, dtype=float)
    names, who = np.unique(np.asarray(team, dtype=str), return_inverse=True)
    indices = {k: np.unique(np.asarray(v, dtype=str), return_inverse=True)[1] for k, v in factors.items()}
    alone = apart(who, indices["rootstock"], indices["scion"])
    found = {str(names[t]): Compared(math.nan, math.nan, math.nan, math.nan, CANNOT) for t in alone}
    keep = ~np.isin(who, list(alone)) & (n > 0)
    teams = np.unique(who[keep])
    if len(teams) < 2:
        return found | {str(names[t]): Compared(math.nan, math.nan, math.nan, math.nan, CANNOT) for t in teams}
    y, n = y[keep], n[keep]
    # the level too is held, very loosely: where all buds are green nothing else would
    blocks, spread, family = [sparse.csr_array(np.ones((len(y), 1)))], [5.0], [0]
    for number, (kind, index) in enumerate({**indices, "team": who}.items(), start=1):
        _, own = np.unique(index[keep], return_inverse=True)
        width = int(own.max()) + 1
        blocks.append(sparse.csr_array((np.ones(len(y)), (np.arange(len(y)), own)), shape=(len(y), width)))
        spread += [SPREAD[kind]] * width
        family += [0 if kind in ("attempt", "team") else number] * width
    design = sparse.hstack(blocks, format="csr")
    fitted, _, free = fit_with_rho(y, n, design, spread, family)
    first = design.shape[1] - len(teams)
    base = design[:, :first] @ fitted.coefficients[:first]
    shares, slopes = np.empty(len(teams)), np.zeros((len(teams), design.shape[1]))
    mix = n / n.sum()
    for i in range(len(teams)):
        mean = special.expit(base + fitted.coefficients[first + i])
        shares[i] = mix @ mean
        gain = mix * mean * (1 - mean)
        slopes[i, :first] = design[:, :first].T @ gain
        slopes[i, first + i] = gain.sum()
    covariance = slopes @ fitted.covariance @ slopes.T
    return found | _judged(
        names[teams], shares, covariance, np.bincount(who[keep], n)[teams].astype(np.float64), int(free), least
    )


def _judged(
    names: NDArray[np.str_], shares: Real, covariance: Real, buds: Real, freedom: int, least: int
) -> dict[str, Compared]:
    """Intervals and contrasts with the mean of the others, on the logit; flags."""
    quantile = float(stats.t.ppf(0.975, max(4, freedom)))
    many = len(names)
    logits, slope = special.logit(shares), shares * (1 - shares)
    covariance = _LEARNED**2 * covariance / np.outer(slope, slope)
    contrast = np.eye(many) - (1 - np.eye(many)) / (many - 1)
    error = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", contrast, covariance, contrast), 1e-300))
    difference = contrast @ logits
    chance = 2 * stats.t.sf(np.abs(difference) / error, max(4, freedom))
    q_values = stats.false_discovery_control(chance)
    found = {}
    for i, name in enumerate(names):
        middle, half = logits[i], quantile * math.sqrt(covariance[i, i])
        flag = ("better" if difference[i] > 0 else "worse") if q_values[i] < 0.05 and buds[i] >= least else ""
        low, high = float(special.expit(middle - half)), float(special.expit(middle + half))
        found[str(name)] = Compared(float(shares[i]), low, high, float(q_values[i]), flag)
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
