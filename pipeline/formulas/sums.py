"""What stands in many groups together: the interval of a sum, from what is believed of each group and what groups share.

What is believed of a group is kept as the mean of each of `len(SHARES)` cells of chance, narrow ones in the tails, so that rare
large losses stay in the sum. Numbers are drawn for all groups at once, each group taking every cell as often as it is likely
(a Latin hypercube: M. D. McKay, R. J. Beckman & W. J. Conover, Technometrics 21 (1979) 239-245) in an order of its own, which
depends on its code alone: a group's draws stay the same whatever others there are.

Groups do not err each by itself: the people who count lean a little to one side, and how fast plants vanish is learned. Both
are drawn once for all groups (`Shared`).
"""

from __future__ import annotations

import functools
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy import special

from pipeline.formulas.miscounts import Real, Whole

DRAWS = 4000
_LOWER = (0, 1, 2, 4, 8, 16, 28, 40, 60, 80, 120, 160, 200, 280, 400, 500, 600, 800, 1000, 1200, 1400, 1600, 1800, 2000)
_EDGES = np.array([*_LOWER, *(DRAWS - e for e in _LOWER[-2::-1])])
SHARES = np.diff(_EDGES)
"""Of so many draws of DRAWS each cell is taken."""
_ROWS = 256
_SHARE = 0.95


@dataclass(frozen=True)
class Shared:
    """What is not known of all groups alike."""

    lean: float = 0.0
    """Standard deviation of what all counts together are off by, as a share of what stands."""
    loss: float = 0.0
    """Standard deviation of the rate at which plants vanish, as a share of it."""


class Sums(NamedTuple):
    """Of each level (L,): mean, standard deviation, and the interval that holds the sum in 95 of 100 cases."""

    mean: Real
    sd: Real
    low: Real
    high: Real


def cells(upto: Real, lowest: Whole, below_mean: Real) -> Real:
    """(G, cells) the mean of each cell of chance, where upto[g, i] is the chance of less than lowest[g] + i (the last is 1),
    and what is below the window (upto[g, 0]) is `below_mean` on average."""
    chance = np.diff(upto, axis=1)
    numbers = lowest[:, None] + np.arange(chance.shape[1])
    area = np.zeros_like(upto)
    area[:, 0] = upto[:, 0] * below_mean
    np.cumsum(chance * numbers, axis=1, out=area[:, 1:])
    area[:, 1:] += area[:, :1]
    at = _EDGES / DRAWS
    found = np.empty((len(upto), len(SHARES)))
    for g in range(len(upto)):
        places, areas = np.append(0.0, upto[g]), np.append(0.0, area[g])
        found[g] = np.diff(np.interp(at, places / places[-1], areas / places[-1])) * DRAWS / SHARES
    return found


@functools.cache
def _orders() -> Whole:
    """(rows, 2 DRAWS) which cell each draw takes, in orders of their own, twice over so that each can begin anywhere."""
    dice = np.random.Generator(np.random.PCG64(20260101))
    cell = np.repeat(np.arange(len(SHARES), dtype=np.uint8), SHARES)
    found = np.stack([dice.permutation(cell) for _ in range(_ROWS)])
    return np.concatenate([found, found], axis=1)


def _places(codes: Sequence[str]) -> Whole:
    """The row and the beginning of each group in `_orders`, from its code."""
    marks = np.array([zlib.crc32(c.encode()) for c in codes], dtype=np.int64)
    return np.stack([marks % _ROWS, marks // _ROWS % DRAWS])


def _normal(seed: int) -> Real:
    """DRAWS numbers of a standard normal, evenly spread over it, in an order of their own."""
    dice = np.random.Generator(np.random.PCG64(seed))
    return np.asarray(special.ndtri((dice.permutation(DRAWS) + 0.5) / DRAWS))


def draw_sums(
    codes: Sequence[str], spread: Real, unseen: Real, level: Whole, levels: int, shared: Shared, block: int = 500
) -> Real:
    """(levels, DRAWS) sums over the groups of each level. `spread` (G, cells) as of `cells`; `unseen` (G,) how many of what
    stood at its last count each group is expected to have lost; `level` (K, G) the K levels that each group is of."""
    found = np.zeros((levels, DRAWS))
    if not len(codes):
        return found
    orders, (row, begin) = _orders(), _places(codes)
    steps = np.arange(DRAWS)
    for at in range(0, len(codes), block):
        some = slice(at, at + block)
        which = orders[row[some, None], begin[some, None] + steps]
        drawn = np.take_along_axis(spread[some], which.astype(np.int64), axis=1)
        for each in level[:, some]:
            order = np.argsort(each, kind="stable")
            firsts = np.flatnonzero(np.diff(each[order], prepend=-1))
            found[each[order][firsts]] += np.add.reduceat(drawn[order], firsts, axis=0, dtype=np.float64)
    mean = sum(np.bincount(each, (spread * SHARES).sum(1) / DRAWS, levels) for each in level)
    gone = sum(np.bincount(each, unseen, levels) for each in level)
    # a rate is never below nothing: its factor is log-normal with mean 1
    spread_of_log = np.sqrt(np.log1p(shared.loss**2))
    factor = np.exp(spread_of_log * _normal(2) - spread_of_log**2 / 2) - 1
    together: Real = found + np.outer(mean, shared.lean * _normal(1)) - np.outer(gone, factor)
    return together


def sum_intervals(drawn: Real) -> Sums:
    """What the draws (L, DRAWS) of each sum say."""
    low, high = np.quantile(drawn, [(1 - _SHARE) / 2, (1 + _SHARE) / 2], axis=1)
    return Sums(drawn.mean(1), drawn.std(1), np.maximum(low, 0), np.maximum(high, 0))
