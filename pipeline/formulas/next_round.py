"""Which groups to count next: how much doubt one more count takes away, and the walk that takes most away in some hours.

A count that nobody has made yet is expected to leave the variance E[Var(N | y)] = Var(N) - Var(E[N | y]), over all that may be
written (preposterior analysis: H. Raiffa & R. Schlaifer, Applied Statistical Decision Theory, 1961, ch. 5). What is written is,
as in `count_chain`, exact, or near, or quite wrong; a number that is quite wrong may be any up to twice what stands and a
thousand, and says nothing.

The walk is chosen by gain a minute, where a house costs some minutes before its first group; so a house is opened with as many
of its groups as make its gain a minute highest. Then each house of the walk is left out in turn, to see whether that is better.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
from scipy import special

from pipeline.formulas.miscounts import Real, Whole
from pipeline.formulas.sums import DRAWS, SHARES

_REACH = 4.5
"""Standard deviations of a near count beyond which none is expected."""


class Counting(NamedTuple):
    """How somebody counts of whom nothing is known but the nursery: chance of an exact count that is not quite wrong, standard
    deviation of a near one as a share of what stands, chance of one that is quite wrong."""

    exact: float
    error: float
    gross: float


def numbers(cells: Real) -> tuple[Whole, Real]:
    """The whole numbers that may stand, and their chances, from `sums.cells` of one group: the mean of a cell that is no whole
    number is parted between the two beside it."""
    below = np.floor(cells)
    share = cells - below
    both = np.concatenate([below, below + 1]).astype(np.int64)
    chances = np.concatenate([SHARES * (1 - share), SHARES * share]) / DRAWS
    is_there = chances > 1e-9
    stood, where = np.unique(both[is_there], return_inverse=True)
    weights = np.bincount(where, chances[is_there]).astype(float)
    return stood, weights / weights.sum()


def variance_left(stood: Whole, chances: Real, counting: Counting) -> tuple[float, float]:
    """The variance of what stands, and what of it one more count is expected to leave."""
    middle = float(chances @ stood)
    off = stood - middle
    now = float(chances @ off**2)
    if len(stood) < 2:
        return now, now
    sd = np.maximum(counting.error * stood, 0.5)
    reach = np.ceil(_REACH * sd).astype(np.int64)
    written = np.unique(np.concatenate([np.arange(max(0, x - r), x + r + 1) for x, r in zip(stood, reach, strict=True)]))
    apart = written[None, :] - stood[:, None]
    # nobody writes less than nothing
    lower = np.where(written[None, :] > 0, special.ndtr((apart - 0.5) / sd[:, None]), 0.0)
    near = special.ndtr((apart + 0.5) / sd[:, None]) - lower
    sound = (1 - counting.gross) * (counting.exact * (apart == 0) + (1 - counting.exact) * near)
    anything = counting.gross / (2 * int(stood.max()) + 1001)
    said = np.column_stack([sound + anything, np.zeros(len(stood))])
    said[:, -1] = np.maximum(1 - said.sum(1), 0)  # all other numbers say nothing
    joint = chances[:, None] * said
    evidence = joint.sum(0)
    means = off @ joint / np.maximum(evidence, 1e-300)
    return now, float(min(max(now - evidence @ means**2, 0.0), now))


class Costs(NamedTuple):
    """What a walk takes, in minutes: each group (G,), and each house before its first group."""

    of_group: Real
    of_house: float


def choose(gain: Real, house: Sequence[str], costs: Costs, limit: float) -> list[int]:
    """The groups to count in at most `limit` minutes, in the order of the walk: by gain a minute, houses as wholes."""
    members: dict[str, list[int]] = {}
    for i in np.argsort(-gain / costs.of_group, kind="stable").tolist():
        if gain[i] > 0:
            members.setdefault(house[i], []).append(i)
    best = _walk(gain, members, costs, limit)
    for left_out in dict.fromkeys(house[i] for i in best):
        other = _walk(gain, {h: m for h, m in members.items() if h != left_out}, costs, limit)
        if gain[other].sum() > gain[best].sum() + 1e-9:
            best = other
    return [i for h in dict.fromkeys(house[i] for i in best) for i in best if house[i] == h]


def _walk(gain: Real, members: dict[str, list[int]], costs: Costs, limit: float) -> list[int]:
    waiting, taken, opened, left = {h: list(m) for h, m in members.items()}, list[int](), set[str](), limit
    while True:
        found = [(*_bundle(gain, m, costs, left, h not in opened), h) for h, m in waiting.items() if m]
        _, groups, minutes, at = max(found, key=lambda f: f[0], default=(0.0, [], 0.0, ""))
        if not groups:
            return taken
        taken += groups
        opened.add(at)
        left -= minutes
        waiting[at] = [i for i in waiting[at] if i not in groups]


def _bundle(gain: Real, groups: Iterable[int], costs: Costs, left: float, is_new: bool) -> tuple[float, list[int], float]:
    """Of groups of one house, in the order of their gain a minute, those with which the house's is highest; one only where the
    house is open."""
    best: tuple[float, list[int], float] = (0.0, [], 0.0)
    minutes, total, some = costs.of_house if is_new else 0.0, 0.0, list[int]()
    for i in groups:
        if minutes + costs.of_group[i] > left + 1e-9:
            continue
        minutes, total, some = minutes + float(costs.of_group[i]), total + float(gain[i]), [*some, i]
        if total / minutes > best[0]:
            best = (total / minutes, some, minutes)
        if not is_new:
            break
    return best
