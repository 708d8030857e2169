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

    `freedom` is how many degrees of freedom the correlation, and with it the error, rests on; `unit` how many plants share
    what befalls them (the group a plant is in, in the mean over plants), 0 where only the size of a group to come is known.
    `apart` is by how much (standard deviation on the logit) the pair asked for may differ from those the rate was taken of,
    known on `apart_freedom`.
    """

    share: float
    logit_error: float
    rho: float
    freedom: float = KNOWN
    unit: float = 0.0
    apart: float = 0.0
    apart_freedom: float = KNOWN


_STEPS = 20
"""Steps that have draws of their own."""


@functools.cache
def _shared(seed: int, draws: int) -> tuple[Real, Real, Real, Real]:
    """(20, draws) even draws of the normal and of the evenly spread, twice each, for what is not known of the rates."""
    dice = np.random.default_rng(seed)
    even = (np.arange(draws) + 0.5) / draws
    first, second, third, fourth = (np.stack([dice.permutation(even) for _ in range(_STEPS)]) for _ in range(4))
    return special.ndtri(first), special.ndtri(second), third, fourth


def _too_small(freedom: float, chance: Real) -> Real:
    """By how much a variance found on so many degrees of freedom may be too small: freedom over a chi-square of it."""
    if freedom >= KNOWN:
        return np.ones_like(chance)
    found: Real = freedom / (2 * special.gammaincinv(freedom / 2, chance))
    return found


def draw_through(
    begin: ArrayLike, steps: Sequence[StepRate], group_size: int, draws: int = DRAWS, seed: int = SEED, own_seed: int = 0
) -> NDArray[np.int64]:
    """Plants left after all steps in so many draws, from `begin` (draws,) or one number for all.

    In each draw each step has a rate of its own (as well as it is known: a variance that was found on few groups may be
    larger, so that the rate follows Student's t), groups differ about it by rho (as well as that is known), and plants come
    through it by chance. What is not known is drawn from `seed`, by the place of a step from the end, so that groups that
    have the same steps ahead share it; the rest is drawn from `own_seed` too. One question has one answer.
    """
    of_rate, of_pair, of_spread, of_pairs = _shared(seed, draws)
    dice = np.random.default_rng([seed, own_seed])
    left = np.broadcast_to(np.asarray(begin, dtype=np.int64), (draws,)).copy()
    for k, step in enumerate(steps):
        place = (len(steps) - k) % _STEPS
        more = _too_small(step.freedom, of_spread[place])
        apart = np.sqrt(_too_small(step.apart_freedom, of_pairs[place])) * step.apart
        middle = special.logit(np.clip(step.share, 1e-6, 1 - 1e-6))
        share = special.expit(middle + step.logit_error * np.sqrt(more) * of_rate[place] + apart * of_pair[place])
        unit = max(2.0, step.unit or group_size)
        excess = 1 + (unit - 1) * np.clip(step.rho, 1e-6, 0.95)  # how many times larger than by chance
        rho = np.clip((excess * more - 1) / (unit - 1), 1e-6, 0.95)
        # the mean of as many groups' rates as so many plants make, the last of them not whole, as a beta of that variance
        whole, rest = np.divmod(left, unit)
        rho = rho / np.maximum(1, left**2 / np.maximum(1, whole * unit**2 + rest**2))
        size = (1 - rho) / rho
        share = dice.beta(np.maximum(share * size, 1e-3), np.maximum((1 - share) * size, 1e-3))
        left = dice.binomial(left, share)
    return left


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
