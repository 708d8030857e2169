"""Buds of one lot share a day, a batch and a pair of hands, so lots differ more than chance says: by how much, and what
an interval must be for it.

rho is the correlation of two buds of one lot; the variance of y of n is n p (1 - p) (1 + (n - 1) rho).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from pipeline.formulas.proportions import Z95, wilson

Real = NDArray[np.float64]
Whole = NDArray[np.int64]
LEAST_RHO = 1e-6
_NO_RHO = math.log(1e-7)
"""The logit of rho below which it is taken for none."""
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


class Shared(NamedTuple):
    """What lots share beside their own: `rho` (k,) the correlation of two buds of one batch, of one team within one month, and
    the covariance of these, `doubt` (k, k)."""

    rho: Real
    doubt: Real


def shared_effect(read: float, of_lots: float, within: ArrayLike, moments: Moments, shared: Shared) -> tuple[float, float]:
    """(design effect, degrees of freedom) of a pooled share whose lots share clusters: two buds of one lot have the correlation
    of `moments`, those of two lots of one cluster that of its kind.

    `of_lots` is the sum of the squares of the lots' buds; `within` (k,), of each kind, that of the clusters' buds less that of
    their lots'. 1 + rho (of_lots / read - 1) + the sum of rho_k within_k / read; the freedom is F. E. Satterthwaite's,
    Biometrics Bulletin 2 (1946) 110-114.
    """
    own = design_effect_of_sums(read, of_lots, moments.rho)
    weight = np.asarray(within, dtype=float) / max(1.0, read)
    more = float(weight @ shared.rho)
    if more <= 0:
        return own, float(moments.freedom)
    doubt = float(weight @ shared.doubt @ weight) + 2 * own**2 / max(1, moments.freedom)
    return own + more, 2 * (own + more) ** 2 / doubt


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


def pooled_interval(taken: int, read: int, deff: float, freedom: float) -> tuple[float, float]:
    """The 95 % interval of a pooled share: Wilson's on the effective size read / deff, the normal quantile replaced by that
    of Student's t where rho rests on few lots (`freedom`; at most where it is 4 or less)."""
    size = read / max(1.0, deff)
    quantile = float(special.stdtrit(max(4, freedom), 0.975)) if deff > 1 else Z95
    return wilson(taken / read * size, size, quantile)


def alike_in_steps(taken: ArrayLike, read: ArrayLike, step: ArrayLike, group: ArrayLike, cell: ArrayLike) -> float:
    """The correlation, from 0 to 1, of the true shares of one group in two of its steps, from (m,) plants that came through
    of those that began, by step, group and cell (within a step and a cell groups differ by chance and by rho alone).

    By least squares on the products of the residuals of two steps of a group, each weighted by what it should vary by; with
    n plants a residual varies by n p (1 - p) (1 + (n - 1) rho), of which n p (1 - p) n rho is the group's own. A cell's
    mean is off with its groups, so that their products come out (m - 1) / m times too small.
    """
    y, n = np.asarray(taken, dtype=float), np.asarray(read, dtype=float)
    steps, groups = (np.unique(np.asarray(x), return_inverse=True)[1] for x in (step, group))
    cells = np.unique(np.stack([steps, np.unique(np.asarray(cell), return_inverse=True)[1]]), axis=1, return_inverse=True)[1]
    rho = np.array([rho_within(y[steps == s], n[steps == s], cells[steps == s]).rho for s in range(steps.max(initial=-1) + 1)])
    many = np.bincount(cells)[cells]
    p = (np.bincount(cells, y) / np.maximum(np.bincount(cells, n), 1))[cells]
    is_known = (many > 1) & (p > 0) & (p < 1) & (rho[steps] > 0)
    y, n, p, r = (np.asarray(x[is_known], dtype=float) for x in (y, n, p, rho[steps]))
    g, m = groups[is_known], many[is_known]
    own, all_of_it = n * r, 1 + (n - 1) * r
    residual = (y - n * p) / np.sqrt(n * p * (1 - p)) * np.sqrt(m / (m - 1))
    # over all pairs of a group's steps: half of the square of the sum less the sum of squares
    share, unit = residual * np.sqrt(own) / all_of_it, own / all_of_it
    above = (np.bincount(g, share) ** 2).sum() - (share**2).sum()
    below = (np.bincount(g, unit) ** 2).sum() - (unit**2).sum()
    return float(min(1.0, max(0.0, above / below))) if below > 0 else 0.0


class BetaBinomial(NamedTuple):
    """`coefficients` (p,) on the logit, `errors` (p,) from the observed information, `rho`, the log-likelihood with the
    binomial coefficients, and whether it converged."""

    coefficients: Real
    errors: Real
    rho: float
    log_likelihood: float
    converged: bool


def beta_binomial(taken: ArrayLike, read: ArrayLike, design: ArrayLike) -> BetaBinomial:
    """Maximum likelihood of logit(mean) = design (m, p) x coefficients with one rho for all lots (m,) of whole numbers.

    M. J. Crowder, Applied Statistics 27 (1978) 34-37. For whole numbers the likelihood is a product of mean + k theta,
    1 - mean + k theta and 1 / (1 + k theta), theta = rho / (1 - rho), so that how many lots of a row of the design reach
    beyond each k is all it needs: D. M. Smith, Applied Statistics 32 (1983) 196-204. Newton steps on (coefficients,
    logit rho), the curvature taken as positive, no step above 2, halved where they would overshoot.
    """
    y, n, x = np.asarray(taken, dtype=np.int64), np.asarray(read, dtype=np.int64), np.asarray(design, dtype=float)
    rows, cell = np.unique(x, axis=0, return_inverse=True)
    beyond = _Beyond(*(_how_many_beyond(v, cell, len(rows), int(n.max(initial=0))) for v in (y, n - y, n)))
    share = (y.sum() + 0.5) / (n.sum() + 1)
    first = np.linalg.lstsq(x, special.logit((y + share) / (n + 1)), rcond=None)[0]
    values = np.append(first, special.logit(0.05))
    now, slope, curve = _likelihood(values, rows, beyond)
    for _ in range(100):
        bend, axes = np.linalg.eigh(curve)
        step = axes @ ((axes.T @ slope) / np.maximum(np.abs(bend), 1e-10))
        step *= min(1.0, 2 / max(np.abs(step).max(), 1e-300))
        before, size = now, 1.0
        now, slope, curve = _likelihood(values + step, rows, beyond)
        while now < before - 1e-12 * (1 + abs(before)) and size > 1e-4:
            size /= 2
            now, slope, curve = _likelihood(values + size * step, rows, beyond)
        values = values + size * step
        if np.abs(size * step).max() < 1e-9 or values[-1] < _NO_RHO:
            break
    rho = float(special.expit(values[-1]))
    try:
        variance = -np.diag(np.linalg.inv(curve))[:-1]
        errors = np.sqrt(np.where(variance > 0, variance, np.nan))
    except np.linalg.LinAlgError:
        errors = np.full(x.shape[1], math.nan)
    ways = special.gammaln(n + 1) - special.gammaln(y + 1) - special.gammaln(n - y + 1)
    is_good = bool(np.abs(slope).max() < 1e-3 and LEAST_RHO < rho < 0.99)
    return BetaBinomial(values[:-1], errors, rho, float(ways.sum() + now), is_good)


class _Beyond(NamedTuple):
    """(c, K) how many lots of each row of the design have more than k taken, failed and read."""

    taken: Real
    failed: Real
    read: Real


def _how_many_beyond(values: Whole, cell: Whole, cells: int, top: int) -> Real:
    """(cells, top) how many values (m,) of each cell are above 0, 1, ... top - 1."""
    many = np.bincount(cell * (top + 1) + values, minlength=cells * (top + 1)).reshape(cells, top + 1)
    beyond: Real = many[:, :0:-1].cumsum(1)[:, ::-1].astype(float)
    return beyond


def _likelihood(values: Real, rows: Real, beyond: _Beyond) -> tuple[float, Real, Real]:
    """The log-likelihood without the binomial coefficients, its gradient and its Hessian in (coefficients, logit rho)."""
    mean, theta, k = special.expit(rows @ values[:-1])[:, None], math.exp(values[-1]), np.arange(beyond.read.shape[1])
    up, down, both = np.maximum(mean + k * theta, 1e-300), np.maximum(1 - mean + k * theta, 1e-300), 1 + k * theta
    found = (beyond.taken * np.log(up) + beyond.failed * np.log(down) - beyond.read * np.log(both)).sum()
    a, b, c = beyond.taken / up, beyond.failed / down, beyond.read / both
    aa, bb, cc = a / up, b / down, c / both
    by_mean, by_theta = (a - b).sum(1), (k * (a + b - c)).sum()
    bend = np.ravel(mean * (1 - mean))
    slope = np.append(rows.T @ (bend * by_mean), theta * by_theta)
    mixed = rows.T @ (bend * theta * -(k * (aa - bb)).sum(1))
    own = bend * (bend * -(aa + bb).sum(1) + (1 - 2 * np.ravel(mean)) * by_mean)
    last = theta * (by_theta - theta * (k * k * (aa + bb - cc)).sum())
    return float(found), slope, np.block([[rows.T @ (own[:, None] * rows), mixed[:, None]], [mixed, np.array([last])]])
