"""How many to begin with so that enough come through, at a given assurance."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

Real = NDArray[np.float64]
SEED, DRAWS = 20261102, 4000
_MOST = 10_000_000
KNOWN = 1e9
"""So many degrees of freedom are as good as knowing."""


def enough(wanted: int, good: float, bad: float, assurance: float) -> int:
    """The least n of which at least `wanted` come through with the assurance, where the share that comes through is
    beta(good, bad): the beta-binomial predictive. With `bad` 0 all come through.

    As many fail before the last wanted one comes through as the beta negative binomial says (N. L. Johnson, A. W. Kemp &
    S. Kotz, Univariate Discrete Distributions, 2005, 6.2.3), so its sum up to n - wanted is the chance, for all n at once.
    Raises ValueError where no number up to ten million is enough.
    """
    if bad <= 0 or wanted <= 0:
        return wanted
    assurance -= 1e-12  # a sum that falls short of it by rounding reaches it
    k = np.arange(wanted)
    log_chance, total = float(np.log1p(-bad / (good + bad + k)).sum()), 0.0  # that none fails
    begin, size = 0, 1024
    while wanted + begin <= _MOST:
        k = np.arange(begin, begin + size)
        steps = np.log((wanted + k) / (k + 1) * (bad + k) / (good + bad + wanted + k))
        logs = log_chance + np.concatenate([[0.0], steps.cumsum()])
        upto = total + np.exp(logs[:-1]).cumsum()
        if upto[-1] >= assurance:
            return wanted + begin + int(np.searchsorted(upto, assurance))
        log_chance, total, begin, size = float(logs[-1]), float(upto[-1]), begin + size, 2 * size
    raise ValueError(f"no number of plants is enough for {wanted}")


def enough_at_rate(wanted: int, share: float, assurance: float) -> int:
    """The least n of which at least `wanted` come through with the assurance, each with probability `share` by itself."""
    return _least(wanted, lambda n: float(special.bdtrc(wanted - 1, n, share)), assurance)


def _least(wanted: int, chance: Callable[[int], float], assurance: float) -> int:
    """The least n >= wanted whose chance reaches the assurance; chances must not fall with n. Raises ValueError where no
    number up to ten million is enough."""
    high = max(1, wanted)
    while chance(high) < assurance:
        high *= 2
        if high > _MOST:
            raise ValueError(f"no number of plants is enough for {wanted}")
    low = wanted
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if chance(middle) >= assurance else (middle + 1, high)
    return low


class StepRate(NamedTuple):
    """What is known of the share of plants that come through a step: the middle and its standard error on the logit, and
    the correlation of plants of one group (or of buds of one lot).

    `freedom` is how many degrees of freedom the error and the correlation rest on; `unit` how many plants share what befalls
    them (the group a plant is in, in the mean over plants), 0 where only the size of a group to come is known; `together` the
    correlation of how a group does in one step and in another.
    """

    share: float
    logit_error: float
    rho: float
    freedom: float = KNOWN
    unit: float = 0.0
    together: float = 0.0


_STEPS = 20
"""Steps that have draws of their own."""


@functools.cache
def _shared(seed: int, draws: int) -> tuple[Real, Real]:
    """(22, draws) even draws of the normal, and (draws,) of the evenly spread, for what is not known of the rates."""
    dice = np.random.default_rng(seed)
    even = (np.arange(draws) + 0.5) / draws
    normal: Real = special.ndtri(np.stack([dice.permutation(even) for _ in range(_STEPS + 2)]))
    return normal, dice.permutation(even)


@functools.lru_cache(maxsize=256)
def _too_small(freedom: float, seed: int, draws: int) -> Real:
    """(draws,) by how much a variance found on so many degrees of freedom may be too small: freedom over a chi-square of it."""
    _, even = _shared(seed, draws)
    found: Real = np.ones(draws) if freedom >= KNOWN else freedom / (2 * special.gammaincinv(freedom / 2, even))
    return found


def _freedom(steps: Sequence[StepRate], begin: float, group_size: int) -> float:
    """The degrees of freedom of what is not known of all steps together, on the logarithm of the share that comes through.
    F. E. Satterthwaite, Biometrics Bulletin 2 (1946) 110-114; rounded, so that like questions share their arithmetic."""
    parts = [
        ((1 - s.share) ** 2 * s.logit_error**2 + s.rho * (1 - s.share) / s.share / max(1.0, begin / (s.unit or group_size)), s)
        for s in steps
    ]
    below = sum(v * v / s.freedom for v, s in parts)
    return min(KNOWN, max(1.0, round(sum(v for v, _ in parts) ** 2 / below, 1))) if below > 0 else KNOWN


def draw_through(
    begin: ArrayLike, steps: Sequence[StepRate], group_size: int, draws: int = DRAWS, seed: int = SEED, own_seed: int = 0
) -> NDArray[np.int64]:
    """Plants left after all steps in so many draws, from `begin` (draws,) or one number for all.

    In each draw each step has a rate of its own (as well as it is known), groups differ about it by rho, in part alike in all
    steps, and plants come through it by chance. Variances that were found on few groups may be larger than they seem: in each
    draw they are so by one factor, so that all together follows Student's t. What is not known is drawn from `seed`, by the
    place of a step from the end, so that groups that have the same steps ahead share it; the rest is drawn from `own_seed`
    too. One question has one answer.
    """
    normal, _ = _shared(seed, draws)
    dice = np.random.default_rng([seed, own_seed])
    left = np.broadcast_to(np.asarray(begin, dtype=np.int64), (draws,)).copy()
    usable = [s._replace(share=min(max(s.share, 1e-6), 1 - 1e-6), rho=min(max(s.rho, 1e-6), 0.95)) for s in steps]
    more = _too_small(_freedom(usable, float(left.mean()), group_size), seed, draws)
    fate = dice.standard_normal(draws)
    for k, step in enumerate(usable):
        alike, apart = math.sqrt(step.together), math.sqrt(1 - step.together)
        error = step.logit_error * np.sqrt(more) * (alike * normal[-1] + apart * normal[(len(steps) - k) % _STEPS])
        share = special.expit(special.logit(step.share) + error)
        unit = max(2.0, step.unit or group_size)
        excess = 1 + (unit - 1) * step.rho  # how many times larger than by chance
        rho = np.clip((excess * more - 1) / (unit - 1), 1e-6, 0.95)
        # the mean of as many groups' rates as so many plants make, the last of them not whole
        whole, rest = np.divmod(left, unit)
        rho = rho / np.maximum(1, left**2 / np.maximum(1, whole * unit**2 + rest**2))
        share = _about(share, rho, alike * fate + apart * dice.standard_normal(draws))
        left = dice.binomial(left, share)
    return left


def _about(share: Real, rho: Real, deviation: Real) -> Real:
    """Shares on the logit-normal whose mean is `share` and whose variance is rho share (1 - share), nearly: D. J. C. MacKay,
    Neural Computation 4 (1992) 720-736, equation (10)."""
    spread = np.maximum(share * (1 - share), 1e-9)
    sd = np.minimum(np.sqrt(rho / spread), 3.0)
    found: Real = special.expit(special.logit(share) * np.sqrt(1 + np.pi * sd**2 / 8) + sd * deviation)
    return np.where(spread > 1e-9, found, share)


def enough_through(wanted: int, steps: Sequence[StepRate], group_size: int, assurance: float) -> int:
    """The least number to begin with of which at least `wanted` come through all steps with the assurance: by the beta-binomial
    for a single step whose rate is known, else by simulation (4,000 draws, a fixed seed). Raises ValueError where no number
    is enough."""
    if len(steps) == 1 and steps[0].logit_error == 0 and steps[0].freedom >= KNOWN:
        (step,) = steps
        p = step.share
        groups = max(1, math.ceil(wanted / max(p, 1e-6) / (step.unit or group_size)))
        rho = min(0.95, step.rho / groups)
        if rho < 1e-7:
            return enough_at_rate(wanted, p, assurance)
        return enough(wanted, p * (1 - rho) / rho, (1 - p) * (1 - rho) / rho, assurance)
    return _least(
        wanted,
        lambda n: float((draw_through(n, steps, group_size) >= wanted).mean()),
        assurance,
    )
