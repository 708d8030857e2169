"""A fall here and a rise there of the same size in the same days: plants that were moved and not written down."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Change:
    """A change that no record explains: in group `row`, in step `step`, between two days (whole numbers).

    `fall` is how many plants fewer (negative: more), `sd` how sure that is, in plants.
    """

    row: int
    step: int
    fall: int
    sd: float
    since: int
    until: int


@dataclass(frozen=True)
class Match:
    """Plants that probably went from the group that fell to the group that rose."""

    fall: Change
    rise: Change
    size: int


def candidates(changes: Iterable[Change], each: int = 3) -> list[Match]:
    """For each rise the falls (at most `each`) that are nearest to it in size, in overlapping days, in another group and
    within what both leave open. Of the two sizes, one with the losses of the time and one without, the middle is taken."""
    changes = list(changes)
    falls = sorted((c for c in changes if c.fall > 0), key=lambda c: (c.fall, c.row, c.step))
    sizes = [f.fall for f in falls]
    found = []
    for r in (c for c in changes if c.fall < 0):
        near = []
        for f in falls[bisect_left(sizes, 0.8 * -r.fall) : bisect_right(sizes, 1.25 * -r.fall)]:
            apart, sd = abs(f.fall + r.fall), math.hypot(f.sd, r.sd)
            if f.row != r.row and f.since <= r.until and r.since <= f.until and apart <= max(2.0, 2.5 * sd):
                near.append((apart, f.row, f.step, f))
        found += [Match(f, r, (f.fall - r.fall) // 2) for *_, f in sorted(near, key=lambda n: n[:3])[:each]]
    return found


def log_prior(size: int, gain: float, groups: int, neighbours: int, is_neighbour: bool) -> float:
    """Natural logarithm of the chance that so many plants, give or take two, came unrecorded from one given other group.

    `gain` is the chance of any unrecorded gain in the step of the group that rose: seven in ten of them are taken to be
    moves from a group in the books, half of those from the same place, sizes thinning as 1 / (size + 5) up to 2,000.
    """
    partner = 0.5 / max(1, groups - 1) + (0.5 / max(1, neighbours) if is_neighbour else 0.0)
    return math.log(0.7 * max(gain, 1e-3) * partner * 5 / ((size + 5) * math.log(400)))


def settled(matches: Iterable[tuple[Match, float]]) -> list[tuple[Match, float]]:
    """Of matches with their log odds those more likely than not, the surest first, each change in one only."""
    used: set[tuple[int, int]] = set()
    found = []
    for match, odds in sorted(matches, key=lambda m: (-m[1], m[0].fall.row, m[0].rise.row, m[0].rise.step)):
        ends = {(match.fall.row, match.fall.step), (match.rise.row, match.rise.step)}
        if odds > 0 and not ends & used:
            used |= ends
            found.append((match, odds))
    return found
