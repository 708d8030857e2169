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

Real = NDArray[np.float64]
Whole = NDArray[np.int64]

SPREAD = {"rootstock": 1.5, "scion": 1.5, "pair": 0.4, "season": 0.8, "attempt": 1.5, "team": 1.5}
"""Standard deviation, on the logit, that each kind of effect is expected to have."""


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


def fit_with_rho(taken: ArrayLike, read: ArrayLike, design: sparse.csr_array, penalty: ArrayLike) -> tuple[Fit, float]:
    """The fit, and the rho at which the weighted squares of what it leaves over are as many as its degrees of freedom
    (lots less the coefficients that the penalty leaves free): Williams' rule, not below 0."""
    y, n, ridge = (np.asarray(v, dtype=float) for v in (taken, read, penalty))
    fitted, rho = fit(y, n, design, ridge, 0.0), 0.0
    for _ in range(12):
        mean = special.expit(design @ fitted.coefficients)
        squares = (y - n * mean) ** 2 / (n * mean * (1 - mean))
        free = len(y) - (len(ridge) - float(np.diag(fitted.covariance) @ ridge))

        def over(value: float, squares: Real = squares, free: float = free) -> float:
            return float((squares / (1 + value * np.maximum(n - 1, 0))).sum() - free)

        found = 0.0 if free <= 0 or over(0.0) <= 0 else optimize.brentq(over, 0.0, 1.0) if over(1.0) < 0 else 1.0
        fitted = fit(y, n, design, ridge, found, fitted.coefficients)
        if abs(found - rho) < 1e-7 + 1e-4 * rho:
            break
        rho = found
    return fitted, found


class Compared(NamedTuple):
    """Of one team: its take had it budded the whole mix with a 95 % interval, the q-value of "differs from the mean of the
    others" and whether it is `better`, `worse` or neither (empty). Numbers are NaN where it cannot be compared."""

    adjusted: float
    low: float
    high: float
    q_value: float
    flag: str


CANNOT = "cannot be compared"


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
    blocks, penalty = [sparse.csr_array(np.ones((len(y), 1)))], [0.0]
    for kind, index in {**indices, "team": who}.items():
        _, own = np.unique(index[keep], return_inverse=True)
        width = int(own.max()) + 1
        blocks.append(sparse.csr_array((np.ones(len(y)), (np.arange(len(y)), own)), shape=(len(y), width)))
        penalty += [1 / SPREAD[kind] ** 2] * width
    design = sparse.hstack(blocks, format="csr")
    fitted, _ = fit_with_rho(y, n, design, penalty)
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
        names[teams], shares, covariance, np.bincount(who[keep], n)[teams].astype(np.float64), len(y) - len(teams), least
    )


def _judged(
    names: NDArray[np.str_], shares: Real, covariance: Real, buds: Real, freedom: int, least: int
) -> dict[str, Compared]:
    """Intervals on the logit, contrasts with the mean of the others, flags."""
    quantile = float(stats.t.ppf(0.975, max(4, freedom)))
    many = len(names)
    contrast = np.eye(many) - (1 - np.eye(many)) / (many - 1)
    error = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", contrast, covariance, contrast), 1e-300))
    difference = contrast @ shares
    chance = 2 * stats.t.sf(np.abs(difference) / error, max(4, freedom))
    q_values = stats.false_discovery_control(chance)
    found = {}
    for i, name in enumerate(names):
        middle = special.logit(shares[i])
        half = quantile * math.sqrt(covariance[i, i]) / (shares[i] * (1 - shares[i]))
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
    half = 1.959963984540054 * math.sqrt(variance * max(1.0, deff))
    return Ratio(float(ratio), float(ratio * math.exp(-half)), float(ratio * math.exp(half)))


def funnel(share: float, read: Real, deff: float = 1.0, quantile: float = 1.959963984540054) -> tuple[Real, Real]:
    """Limits within which a share of so many (k,) is expected to lie when nothing but chance is at work, widened by `deff`.

    D. J. Spiegelhalter, Statistics in Medicine 24 (2005) 1185-1202; with `deff` 1 and `quantile` 3 those of a p-chart.
    """
    half = quantile * np.sqrt(share * (1 - share) * deff / read)
    return np.maximum(0.0, share - half), np.minimum(1.0, share + half)
