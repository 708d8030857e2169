"""Buds of one lot share a day, a batch and a pair of hands, so lots differ more than chance says: by how much, and what
an interval must be for it.

rho is the correlation of two buds of one lot; the variance of y of n is n p (1 - p) (1 + (n - 1) rho).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special, stats

from pipeline.formulas.proportions import wilson

Real = NDArray[np.float64]
LEAST_RHO = 1e-6
USUAL_RHO = 0.03
"""What is taken for rho while hardly any two lots can be set beside each other (common practice, no published source)."""
_ENOUGH_FREEDOM = 10


class Moments(NamedTuple):
    """rho (not below 0) and the degrees of freedom it was estimated on: lots less cells."""

    rho: float
    freedom: int


def rho_within(taken: ArrayLike, read: ArrayLike, cell: ArrayLike) -> Moments:
    """The intraclass correlation of lots (m,) within cells, so that differences between cells are no noise.

    The analysis-of-variance estimator with the sums taken within cells: rho = (MSB - MSW) / (MSB + (n0 - 1) MSW),
    n0 = (sum n - sum over cells of (sum n^2 / sum n)) / (lots - cells). One cell is J. N. K. Rao & A. J. Scott's and
    A. Donner's case, Biometrics 48 (1992) 577-585. 0 where no cell has two lots. Lots with nothing read are left out.
    """
    y, n, c = (np.asarray(x) for x in (taken, read, cell))
    y, n, c = y[n > 0].astype(float), n[n > 0].astype(float), c[n > 0]
    _, index = np.unique(c, return_inverse=True)
    cells = int(index.max(initial=-1)) + 1
    freedom = len(y) - cells
    total = np.bincount(index, n, cells)
    if freedom <= 0 or n.sum() <= len(n):
        return Moments(0.0, max(0, freedom))
    mean = (np.bincount(index, y, cells) / total)[index]
    between = (n * (y / n - mean) ** 2).sum() / freedom
    within = (y * (1 - y / n)).sum() / (n.sum() - len(n))
    size = (n.sum() - (np.bincount(index, n * n, cells) / total).sum()) / freedom
    below = between + (size - 1) * within
    return Moments(min(1.0, max(0.0, (between - within) / below)) if below > 0 else 0.0, freedom)


def cautious(moments: Moments) -> Moments:
    """The same, rho not below the usual one while it rests on fewer than ten degrees of freedom (in proportion): a single lot,
    or two alike, cannot show that lots do not differ."""
    floor = USUAL_RHO * max(0.0, 1 - moments.freedom / _ENOUGH_FREEDOM)
    return Moments(max(moments.rho, floor), moments.freedom)


def design_effect(read: ArrayLike, rho: float) -> float:
    """How many times larger the variance of a pooled share is than by chance alone: 1 + rho (sum n^2 / sum n - 1)."""
    n = np.asarray(read, dtype=float)
    return design_effect_of_sums(float(n.sum()), float((n * n).sum()), rho)


def design_effect_of_sums(n: float, nn: float, rho: float) -> float:
    """The same from the sums of n and n^2; 1 where nothing was read."""
    return 1 + rho * max(0.0, nn / n - 1) if n > 0 else 1.0


def ratio_effect(taken: ArrayLike, read: ArrayLike) -> float:
    """The design effect of a pooled share by the ratio estimator, from the lots of one level alone.

    d = v N / (p (1 - p)), v = m / (m - 1) sum (y - n p)^2 / N^2. J. N. K. Rao & A. J. Scott, Biometrics 48 (1992) 577-585.
    """
    y, n = np.asarray(taken, dtype=float), np.asarray(read, dtype=float)
    return ratio_effect_of_sums(len(n), y.sum(), n.sum(), (y * y).sum(), (y * n).sum(), (n * n).sum())


def ratio_effect_of_sums(lots: int, y: float, n: float, yy: float, yn: float, nn: float) -> float:
    """The same from how many lots there are and the sums of y, n, y^2, y n and n^2; 1 where it cannot be said."""
    p = y / n if n else 0.0
    if lots < 2 or not 0 < p < 1:
        return 1.0
    return float(lots / (lots - 1) * max(0.0, yy - 2 * p * yn + p * p * nn) / (n * p * (1 - p)))


def pooled_interval(taken: int, read: int, deff: float, freedom: int) -> tuple[float, float]:
    """The 95 % interval of a pooled share: Wilson's on the effective size read / deff, the normal quantile replaced by that
    of Student's t where rho rests on few lots (`freedom`; at most where it is 4 or less)."""
    size = read / max(1.0, deff)
    quantile = float(stats.t.ppf(0.975, max(4, freedom))) if deff > 1 else float(stats.norm.ppf(0.975))
    return wilson(taken / read * size, size, quantile)


class BetaBinomial(NamedTuple):
    """`coefficients` (p,) on the logit, `errors` (p,) from the observed information, `rho`, the log-likelihood with the
    binomial coefficients, and whether it converged."""

    coefficients: Real
    errors: Real
    rho: float
    log_likelihood: float
    converged: bool


def beta_binomial(taken: ArrayLike, read: ArrayLike, design: ArrayLike) -> BetaBinomial:
    """Maximum likelihood of logit(mean) = design (m, p) x coefficients with one rho for all lots.

    M. J. Crowder, Applied Statistics 27 (1978) 34-37; a = mean (1 - rho) / rho, b = (1 - mean) (1 - rho) / rho.
    """
    y, n, x = (np.asarray(v, dtype=float) for v in (taken, read, design))

    def unlikely(values: Real) -> float:
        mean = special.expit(x @ values[:-1])
        rho = special.expit(values[-1])
        a, b = mean * (1 - rho) / rho, (1 - mean) * (1 - rho) / rho
        return float(-(special.betaln(y + a, n - y + b) - special.betaln(a, b)).sum())

    def slope(values: Real) -> Real:
        mean = special.expit(x @ values[:-1])
        rho = special.expit(values[-1])
        size = (1 - rho) / rho
        a, b = mean * size, (1 - mean) * size
        up, down = special.digamma(y + a) - special.digamma(a), special.digamma(n - y + b) - special.digamma(b)
        both = special.digamma(size) - special.digamma(n + size)
        by_mean = size * (up - down) * mean * (1 - mean)
        by_size = mean * up + (1 - mean) * down + both
        return -np.append(x.T @ by_mean, -(by_size.sum()) * size)

    share = (y.sum() + 0.5) / (n.sum() + 1)
    first = np.zeros(x.shape[1] + 1)
    first[:-1] = np.linalg.lstsq(x, special.logit((y + share) / (n + 1)), rcond=None)[0]
    first[-1] = special.logit(0.05)
    found = optimize.minimize(unlikely, first, jac=slope, method="BFGS", options={"gtol": 1e-8})
    step = 1e-4
    curve = np.array([(slope(found.x + step * e) - slope(found.x - step * e)) / (2 * step) for e in np.eye(len(first))])
    rho = float(special.expit(found.x[-1]))
    try:
        variance = np.diag(np.linalg.inv((curve + curve.T) / 2))[:-1]
        errors = np.sqrt(np.where(variance > 0, variance, np.nan))
    except np.linalg.LinAlgError:
        errors = np.full(x.shape[1], math.nan)
    ways = special.gammaln(n + 1) - special.gammaln(y + 1) - special.gammaln(n - y + 1)
    is_good = bool(np.abs(slope(found.x)).max() < 1e-3 and LEAST_RHO < rho < 0.99)
    return BetaBinomial(found.x[:-1], errors, rho, float(ways.sum() - found.fun), is_good)
