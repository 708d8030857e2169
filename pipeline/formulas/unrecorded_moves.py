"""A fall here and a rise there of the same size in the same days: plants that were moved and not written down."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Change:
    """A change that no record explains: in group `row`, in step `step`, between two days (whole numbers).

    `fall` is how many plants fewer (negative: more), `sd` how sure that is, in plants; `usual` is what may have been lost
    in that time besides.
    """

    row: int
    step: int
    fall: int
    sd: float
    usual: float
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
        for f in falls[bisect_left(sizes, 0.7 * -r.fall) : bisect_right(sizes, 1.5 * -r.fall)]:
            apart, within = abs(f.fall + r.fall), 2.5 * math.hypot(f.sd, r.sd) + f.usual + r.usual
            if f.row != r.row and f.since <= r.until and r.since <= f.until and apart <= within:
                near.append((apart, f.row, f.step, f))
        found += [Match(f, r, (f.fall - r.fall) // 2) for *_, f in sorted(near, key=lambda n: n[:3])[:each]]
    return found


def log_prior(size: int, gain: float, kin: int, neighbours: int, is_kin: bool, is_neighbour: bool) -> float:
    """Natural logarithm of the chance that so many plants, give or take four, came unrecorded from one given other group.

    `gain` is the chance of any unrecorded gain in the step of the group that rose: seven in ten of them are taken to be
    moves from a group in the books (so that the other three are what a gain by itself is weighed with), half of those from
    one of the `neighbours` of its place and half from one of the `kin` of its rootstock (one in twenty against the kind),
    sizes thinning as 1 / (size + 5) up to 2,000.
    """
    partner = 0.5 / max(1, kin) + (0.5 / max(1, neighbours) if is_neighbour else 0.0)
    return math.log(0.7 / 0.3 * max(gain, 1e-3) * partner * (1.0 if is_kin else 0.05) * 9 / ((size + 5) * math.log(400)))


def settled(matches: Iterable[tuple[Match, float]]) -> list[tuple[Match, float]]:
    """Of matches with their log odds those that are three times as likely as not even against the other matches of the same
    fall or rise, with the log odds they have then."""
    matches = list(matches)
    sharing: dict[tuple[int, int], list[float]] = {}
    for m, odds in matches:
        for end in (m.fall, m.rise):
            sharing.setdefault((end.row, end.step), []).append(odds)
    found = []
    for m, odds in matches:
        rivals = sharing[m.fall.row, m.fall.step] + sharing[m.rise.row, m.rise.step]
        others = math.fsum(math.exp(min(o, 700)) for o in rivals) - 2 * math.exp(min(odds, 700))
        left = odds - math.log1p(max(0.0, others))
        if left > math.log(3):
            found.append((m, left))
    return found
