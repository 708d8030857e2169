"""How many plants come through, by age, when plants of a group share their fate.

Times are steps 0 to T - 1 (of days, or as the caller likes). Plants of a group g that entered, were lost and left alive in
each step are whole numbers (G, T). At risk in a step are all that entered until then, less those lost or gone before it; what
leaves in a step leaves after that step's losses.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import special

Real = NDArray[np.float64]
Counts = NDArray[np.int64]
_CHUNK = 30_000
"""So many numbers of a part of the groups stay in the cache while they are worked on."""


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
    risk: Counts = entered - gone
    np.cumsum(risk, axis=-1, out=risk)
    risk += gone
    return np.maximum(risk, lost, out=risk)


def product(at_risk: Real, lost: Real) -> Real:
    """Kaplan-Meier's product over the last axis."""
    stays = 1 - np.divide(lost, at_risk, out=np.zeros_like(at_risk, dtype=float), where=at_risk > 0)
    share: Real = np.cumprod(np.clip(stays, 0.0, 1.0), axis=-1)
    return share


def survival_of(entered: Counts, lost: Counts, left: Counts) -> Real:
    """(T,) the survival curve alone, of plants (T,) of all groups together."""
    return product(_at_risk(entered, lost, left).astype(float), lost.astype(float))


def kaplan_meier(entered: Counts, lost: Counts, left: Counts) -> Curve:
    """The survival curve of all plants. E. L. Kaplan & P. Meier, JASA 53 (1958) 457-481."""
    risk = _at_risk(entered.sum(0), lost.sum(0), left.sum(0))
    died = lost.sum(0)
    survival = product(risk.astype(float), died.astype(float))
    hazard = np.divide(died, risk * (risk - died), out=np.zeros(len(risk)), where=(risk > died) & (risk > 0))
    error = np.full(len(risk), np.nan)
    if len(entered) > 1:
        apart = np.zeros((2, len(risk)))
        for part in _parts(entered):
            each = _curves_without(entered[part], lost[part], left[part], risk, died) - survival
            apart += each.sum(0), np.einsum("gt,gt->t", each, each)
        error = _jackknife(apart, len(entered))
    return Curve(risk, died, left.sum(0), survival, error, survival * np.sqrt(np.cumsum(hazard)))


def _parts(entered: Counts) -> Iterator[slice]:
    """The groups (G, T) a few at a time."""
    size = max(1, _CHUNK // entered.shape[1])
    return (slice(i, i + size) for i in range(0, len(entered), size))


def _curves_without(entered: Counts, lost: Counts, left: Counts, risk: Counts, died: Counts) -> Real:
    """(g, T) the curve of all plants less those of each of these groups; `risk` and `died` (T,) are of all groups."""
    return product((risk - _at_risk(entered, lost, left)).astype(float), (died - lost).astype(float))


def _jackknife(apart: Real, groups: int) -> Real:
    """Standard errors from the sums, and the sums of squares, of how far each curve without a group is from that of all."""
    once, squared = apart
    errors: Real = np.sqrt((groups - 1) / groups * np.maximum(squared - once**2 / groups, 0))
    return errors


def log_log_interval(survival: Real, error: Real, freedom: int) -> tuple[Real, Real]:
    """95 % limits of survivals by log(-log), with Student's t of `freedom`; NaN where there is no error to go by, and where
    nothing or everything was lost (which says too little to give limits this way)."""
    quantile = float(special.stdtrit(max(1, freedom), 0.975))
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


class Losses(NamedTuple):
    """Plants lost, each (n,): to which cause, by which group, in which step, and how many."""

    cause: Counts
    group: Counts
    step: Counts
    plants: Counts


def aalen_johansen(entered: Counts, by_cause: Counts, left: Counts, step: int) -> Incidence:
    """Cumulative incidence of each cause up to and with a step; with the survivors they sum to one.

    `by_cause` (C, G, T). O. O. Aalen & S. Johansen, Scand. J. Statist. 5 (1978) 141-150.
    """
    flat = np.ravel(by_cause)
    at = np.flatnonzero(flat)
    cause, group, day = np.unravel_index(at, by_cause.shape)
    return incidences(entered, Losses(cause, group, day, flat[at]), len(by_cause), left, step)


def incidences(entered: Counts, losses: Losses, causes: int, left: Counts, step: int) -> Incidence:
    """The same with the losses listed, of so many causes, for most groups lose plants in few steps."""
    entered, left = entered[:, : step + 1], left[:, : step + 1]
    in_time = losses.step <= step
    of, group, at, plants = (v[in_time] for v in losses)
    shape = entered.shape
    lost = np.bincount(group * shape[1] + at, plants, entered.size).astype(np.int64).reshape(shape)
    cause = np.bincount(of * shape[1] + at, plants, causes * shape[1]).astype(np.int64).reshape(causes, shape[1])
    risk, died = _at_risk(entered.sum(0), lost.sum(0), left.sum(0)), lost.sum(0)
    survival = product(risk.astype(float), died.astype(float))
    before = np.concatenate([[1.0], survival[:-1]])
    cumulative = cause @ np.divide(before, risk, out=np.zeros_like(before), where=risk > 0)
    error = np.full(causes, np.nan)
    if len(entered) > 1:
        weight = np.concatenate([_weights_without(entered[p], lost[p], left[p], risk, died) for p in _parts(entered)])
        own = np.bincount(group * causes + of, weight[group, at] * plants, len(entered) * causes).reshape(-1, causes)
        each = weight @ cause.T.astype(float) - own - cumulative
        error = _jackknife(np.stack([each.sum(0), (each**2).sum(0)]), len(entered))
    return Incidence(cumulative, error, _aalen_error(risk, died, cause, before), float(survival[-1]))


def _weights_without(entered: Counts, lost: Counts, left: Counts, risk: Counts, died: Counts) -> Real:
    """(g, T) the share that each plant lost in a step is of all that came, without each of these groups."""
    rest = (risk - _at_risk(entered, lost, left)).astype(float)
    survival = product(rest, (died - lost).astype(float))
    weight = np.zeros_like(rest)
    np.divide(1.0, rest[:, 0], out=weight[:, 0], where=rest[:, 0] > 0)
    np.divide(survival[:, :-1], rest[:, 1:], out=weight[:, 1:], where=rest[:, 1:] > 0)
    return weight


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
    many, groups = int(level.max()) + 1, len(level)
    own, is_of = _at_risk(entered, lost, left).astype(float), (level == np.arange(many)[:, None]).astype(float)
    died_of = lost.sum(1)
    risk, died = own.sum(0), lost.sum(0).astype(float)
    hazard = np.divide(died, risk, out=np.zeros(len(risk)), where=risk > 0)
    of_level: Real = is_of @ own
    share = np.divide(of_level, risk, out=np.zeros_like(of_level), where=risk > 0)
    observed = np.bincount(level, died_of, many).astype(float)
    expected = of_level @ hazard
    if clustered:
        scores = own @ (share * hazard).T - lost @ share.T
        scores[np.arange(groups), level] += died_of - own @ hazard
        variance = scores.T @ scores * groups / max(1, groups - 1)
    else:
        spare = np.divide(hazard * (risk - died), risk - 1, out=np.zeros(len(risk)), where=risk > 1)
        variance = np.diag(of_level @ spare) - (share * spare) @ of_level.T
    apart = (observed - expected)[:-1]
    freedom = int(np.linalg.matrix_rank(variance[:-1, :-1]))
    chi2 = float(apart @ np.linalg.pinv(variance[:-1, :-1], hermitian=True) @ apart) if freedom else 0.0
    return LogRank(chi2, freedom, float(special.chdtrc(freedom, chi2)) if freedom else 1.0, observed, expected)


def median_age(ages: Counts, has_come: NDArray[np.bool_]) -> float | None:
    """The age by which half have come to it, of whole ages (n,) at which they came, or until which those who have not were
    looked at: where Kaplan and Meier's curve crosses a half (half way to the next step where it stays on it). None where it
    does not come so low."""
    steps, at = np.unique(ages, return_inverse=True)
    came, all_of = (np.bincount(at, weights, len(steps)).astype(np.int64) for weights in (has_come, np.ones(len(ages))))
    risk = len(ages) - np.concatenate([[0], np.cumsum(all_of)[:-1]])
    waiting = product(risk.astype(float), came.astype(float))
    below = np.flatnonzero((came > 0) & (waiting <= 0.5 + 1e-12))
    if not len(below):
        return None
    is_on_it = abs(waiting[below[0]] - 0.5) < 1e-12 and len(below) > 1
    return float(steps[below[0]] + steps[below[1]]) / 2 if is_on_it else float(steps[below[0]])
