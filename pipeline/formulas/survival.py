"""How many plants come through, by age, when plants of a group share their fate.

Times are steps 0 to T - 1 (of days, or as the caller likes). Plants of a group g that entered, were lost and left alive in
each step are whole numbers (G, T). At risk in a step are all that entered until then, less those lost or gone before it; what
leaves in a step leaves after that step's losses.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, stats

Real = NDArray[np.float64]
Counts = NDArray[np.int64]
_CHUNK = 4_000_000


class Curve(NamedTuple):
    """`at_risk`, `lost`, `left` (T,) whole plants; `survival` (T,) after each step; `error` (T,) its standard error by leaving
    out one group at a time (NaN for a single group); `greenwood` (T,) the error were every plant by itself."""

    at_risk: Counts
    lost: Counts
    left: Counts
    survival: Real
    error: Real
    greenwood: Real


def _at_risk(entered: Counts, lost: Counts, left: Counts) -> Counts:
    """(..., T) at risk in each step; never below what is lost in it."""
    gone = lost + left
    before = np.cumsum(gone, axis=-1) - gone
    risk: Counts = np.maximum(np.cumsum(entered, axis=-1) - before, lost)
    return risk


def _product(at_risk: Real, lost: Real) -> Real:
    """Kaplan-Meier's product over the last axis."""
    stays = 1 - np.divide(lost, at_risk, out=np.zeros_like(at_risk, dtype=float), where=at_risk > 0)
    product: Real = np.cumprod(np.clip(stays, 0.0, 1.0), axis=-1)
    return product


def kaplan_meier(entered: Counts, lost: Counts, left: Counts) -> Curve:
    """The survival curve of all plants. E. L. Kaplan & P. Meier, JASA 53 (1958) 457-481."""
    risk = _at_risk(entered.sum(0), lost.sum(0), left.sum(0))
    died = lost.sum(0)
    survival = _product(risk.astype(float), died.astype(float))
    hazard = np.divide(died, risk * (risk - died), out=np.zeros(len(risk)), where=(risk > died) & (risk > 0))
    groups = len(entered)
    error = np.full(len(risk), np.nan)
    if groups > 1:
        each = np.concatenate(list(_without_each(entered, lost, left, risk, died)))
        error = np.sqrt((groups - 1) / groups * ((each - each.mean(0)) ** 2).sum(0))
    return Curve(risk, died, left.sum(0), survival, error, survival * np.sqrt(np.cumsum(hazard)))


def _without_each(entered: Counts, lost: Counts, left: Counts, risk: Counts, died: Counts) -> list[Real]:
    """The curve without each group, in chunks (g, T)."""
    size = max(1, _CHUNK // entered.shape[1])
    found = []
    for i in range(0, len(entered), size):
        part = slice(i, i + size)
        own = _at_risk(entered[part], lost[part], left[part])
        found.append(_product((risk - own).astype(float), (died - lost[part]).astype(float)))
    return found


def log_log_interval(survival: Real, error: Real, freedom: int) -> tuple[Real, Real]:
    """95 % limits of survivals by log(-log), with Student's t of `freedom`; NaN where there is no error to go by, and where
    nothing or everything was lost (which says too little to give limits this way)."""
    quantile = float(stats.t.ppf(0.975, max(1, freedom)))
    inside = (survival > 0) & (survival < 1)
    safe = np.where(inside, survival, 0.5)
    half = np.minimum(quantile * error / (safe * np.abs(np.log(safe))), 30.0)
    low, high = safe ** np.exp(half), safe ** np.exp(-half)
    return np.where(inside, low, np.nan), np.where(inside, high, np.nan)


class Incidence(NamedTuple):
    """`cumulative` (C,) share lost to each cause up to a step, `error` (C,) by leaving out one group at a time (NaN for one
    group), `asymptotic` (C,) the error were every plant by itself (Aalen's, as Greenwood's), `survival` what is left."""

    cumulative: Real
    error: Real
    asymptotic: Real
    survival: float


def aalen_johansen(entered: Counts, by_cause: Counts, left: Counts, step: int) -> Incidence:
    """Cumulative incidence of each cause up to and with a step; with the survivors they sum to one.

    `by_cause` (C, G, T). O. O. Aalen & S. Johansen, Scand. J. Statist. 5 (1978) 141-150.
    """
    entered, by_cause, left = entered[:, : step + 1], by_cause[:, :, : step + 1], left[:, : step + 1]
    lost = by_cause.sum(0)
    risk, died = _at_risk(entered.sum(0), lost.sum(0), left.sum(0)), lost.sum(0)
    survival = _product(risk.astype(float), died.astype(float))
    before = np.concatenate([[1.0], survival[:-1]])
    weight = np.divide(before, risk, out=np.zeros_like(before), where=risk > 0)
    cause = by_cause.sum(1)
    cumulative = cause @ weight
    groups = len(entered)
    error = np.full(len(cause), np.nan)
    if groups > 1:
        each = np.concatenate(_incidences_without(entered, by_cause, left, risk, died))
        error = np.sqrt((groups - 1) / groups * ((each - each.mean(0)) ** 2).sum(0))
    return Incidence(cumulative, error, _aalen_error(risk, died, cause, before), float(survival[-1]))


def _incidences_without(entered: Counts, by_cause: Counts, left: Counts, risk: Counts, died: Counts) -> list[Real]:
    size = max(1, _CHUNK // entered.shape[1])
    cause = by_cause.sum(1).astype(float)
    found = []
    for i in range(0, len(entered), size):
        part = slice(i, i + size)
        own_lost = by_cause[:, part].sum(0)
        own = _at_risk(entered[part], own_lost, left[part])
        rest = (risk - own).astype(float)
        survival = _product(rest, (died - own_lost).astype(float))
        before = np.concatenate([np.ones((len(own), 1)), survival[:, :-1]], axis=1)
        weight = np.divide(before, rest, out=np.zeros_like(before), where=rest > 0)
        found.append(weight @ cause.T - np.einsum("gt,cgt->gc", weight, by_cause[:, part]))
    return found


def _aalen_error(risk: Counts, died: Counts, cause: Counts, before: Real) -> Real:
    """Aalen's variance of each incidence at the last step, plants by themselves."""
    errors = []
    for own in cause:
        share = np.divide(own, risk, out=np.zeros(len(risk)), where=risk > 0)
        reached = np.cumsum(before * share)
        rest = reached[-1] - reached
        safe = (risk > died) & (risk > 0)
        first = np.divide(died, risk * (risk - died), out=np.zeros(len(risk)), where=safe) * rest**2
        second = before**2 * np.divide(own * (risk - own), risk.astype(float) ** 3, out=np.zeros(len(risk)), where=risk > 0)
        third = rest * before * np.divide(own, risk.astype(float) ** 2, out=np.zeros(len(risk)), where=risk > 0)
        errors.append(np.sqrt(max(0.0, (first + second - 2 * third).sum())))
    return np.array(errors)


class LogRank(NamedTuple):
    """`chi2` on `freedom` with its `p_value`; `observed` and `expected` (K,) losses of each level."""

    chi2: float
    freedom: int
    p_value: float
    observed: Real
    expected: Real


def log_rank(entered: Counts, lost: Counts, left: Counts, level: NDArray[np.int64], clustered: bool = True) -> LogRank:
    """Do levels (G,) of groups, numbered from 0, lose plants alike? N. Mantel, Cancer Chemother. Rep. 50 (1966) 163-170.

    Clustered: the variance is the sum over groups of the squares of what each adds to the statistic, so that a group counts
    as one, however many plants it holds; else the usual variance, each plant by itself.
    """
    many = int(level.max()) + 1
    own = _at_risk(entered, lost, left).astype(float)
    risk, died = own.sum(0), lost.sum(0).astype(float)
    hazard = np.divide(died, risk, out=np.zeros(len(risk)), where=risk > 0)
    of_level = np.zeros((many, len(risk)))
    np.add.at(of_level, level, own)
    share = np.divide(of_level, risk, out=np.zeros_like(of_level), where=risk > 0)
    observed = np.bincount(level, lost.sum(1), many).astype(float)
    expected = of_level @ hazard
    if clustered:
        left_over = lost - own * hazard
        scores = -(left_over @ share.T)
        scores[np.arange(len(level)), level] += left_over.sum(1)
        groups = len(level)
        variance = scores.T @ scores * groups / max(1, groups - 1)
    else:
        spare = np.divide(hazard * (risk - died), risk - 1, out=np.zeros(len(risk)), where=risk > 1)
        variance = np.diag(of_level @ spare) - (share * spare) @ of_level.T
    apart = (observed - expected)[:-1]
    freedom = int(np.linalg.matrix_rank(variance[:-1, :-1]))
    chi2 = float(apart @ linalg.pinvh(variance[:-1, :-1]) @ apart) if freedom else 0.0
    return LogRank(chi2, freedom, float(stats.chi2.sf(chi2, freedom)) if freedom else 1.0, observed, expected)
