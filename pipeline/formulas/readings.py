"""Readings of one thing at one place in the order of time -> sums. Nothing is made up of the time between two readings."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from pipeline.formulas.proportions import exact

WITHIN, BELOW, ABOVE, NO_LIMITS = "within", "below", "above", "no limits"


@dataclass(frozen=True)
class Reading:
    """`at` is the time of day, None where it is not known; `state` is one of the four words above."""

    on: dt.date
    at: dt.time | None
    value: float
    state: str

    @property
    def moment(self) -> dt.datetime | None:
        return None if self.at is None else dt.datetime.combine(self.on, self.at)


@dataclass(frozen=True)
class Sums:
    """`limited` are the readings that had limits; the share of these outside has its exact 95 % interval, None where none had.
    `days_without` are days between the first and the last reading on which there was none, `longest_gap` days from one
    reading to the next. `hours_outside` is what `outside_at_both_ends` gives; None where none had limits,
    or none was near to another."""

    readings: int
    limited: int
    outside: int
    share: float | None
    low: float | None
    high: float | None
    lowest: float
    highest: float
    days_without: int
    longest_gap: int
    hours_outside: float | None


def spans(readings: Sequence[Reading], gap_hours: float) -> Iterator[tuple[dt.datetime, dt.datetime, str]]:
    """The times between two moments of reading, one after the other and no further apart than `gap_hours`, with the state that
    all readings at both moments have, '' where they differ. A day with a reading whose time of day is not known has no span:
    that reading may lie anywhere in it."""
    untimed = {r.on for r in readings if r.at is None}
    states: dict[dt.datetime, set[str]] = {}
    for r in readings:
        if r.moment is not None:
            states.setdefault(r.moment, set()).add(r.state)
    moments = sorted(states)
    for one, other in pairwise(moments):
        days = ((one.date() + dt.timedelta(d)) for d in range((other.date() - one.date()).days + 1))
        if other - one <= dt.timedelta(hours=gap_hours) and untimed.isdisjoint(days):
            both = states[one] | states[other]
            yield one, other, both.pop() if len(both) == 1 else ""


def outside_at_both_ends(readings: Sequence[Reading], gap_hours: float) -> dict[dt.date, float]:
    """Hours between two readings that are both below or both above the limits, by the day of the second: 0 where they are not,
    no day where none is near enough to the one before (`gap_hours`). Where only one is outside nothing is counted."""
    hours: dict[dt.date, float] = {}
    for one, other, state in spans(readings, gap_hours):
        outside = (other - one).total_seconds() / 3600 if state in (BELOW, ABOVE) else 0.0
        hours[other.date()] = hours.get(other.date(), 0.0) + outside
    return hours


def sums(readings: Sequence[Reading], hours: float | None, before: dt.date | None = None) -> Sums:
    """The sums of at least one reading, in the order of days; `before` is the day of the reading before the first."""
    limited = [r for r in readings if r.state != NO_LIMITS]
    outside = sum(r.state != WITHIN for r in limited)
    days = [r.on for r in readings] if before is None else [before, *(r.on for r in readings)]
    gaps = [(b - a).days for a, b in pairwise(days)]
    low, high = exact(outside, len(limited)) if limited else (None, None)
    values = [r.value for r in readings]
    return Sums(
        *(len(readings), len(limited), outside, outside / len(limited) if limited else None, low, high),
        *(min(values), max(values), sum(max(0, gap - 1) for gap in gaps), max(gaps, default=0), hours if limited else None),
    )
