"""A fall here and a rise there of the same size in the same days: plants that were moved and not written down."""

from __future__ import annotations

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


def pair_up(changes: Iterable[Change]) -> list[Match]:
    """Each rise with the fall that is nearest to it in size, in overlapping days, within what both leave open.

    A change takes part in one match only; the closest pairs are made first.
    """
    falls = [c for c in changes if c.fall > 0]
    rises = [c for c in changes if c.fall < 0]
    near = []
    for r in rises:
        for f in falls:
            apart, sd = abs(f.fall + r.fall), (f.sd**2 + r.sd**2) ** 0.5
            within = apart <= max(2.0, 2.5 * sd) and apart <= 0.25 * min(f.fall, -r.fall)
            if f.row != r.row and f.since <= r.until and r.since <= f.until and within:
                near.append((apart, -min(f.fall, -r.fall), f.row, f.step, r.row, r.step, f, r))
    matches, used = [], set()
    for *_, f, r in sorted(near, key=lambda n: n[:6]):
        if (f.row, f.step) not in used and (r.row, r.step) not in used:
            used |= {(f.row, f.step), (r.row, r.step)}
            matches.append(Match(f, r, (f.fall - r.fall) // 2))
    return matches
