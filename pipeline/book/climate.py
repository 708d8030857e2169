"""Readings of each place -> sums of each month."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator
from dataclasses import astuple
from itertools import groupby
from typing import Any

from pipeline.formulas.readings import Reading, outside_at_both_ends, sums
from pipeline.stages import Work

_TEXTS = ("location", "house", "what")
_NUMBERS = "outside_share outside_low outside_high lowest highest".split()
_COLUMNS = (
    dict.fromkeys(_TEXTS, "VARCHAR")
    | {"month": "DATE"}
    | dict.fromkeys(("readings", "limited", "outside"), "BIGINT")
    | dict.fromkeys(_NUMBERS, "DOUBLE")
    | {"days_without": "BIGINT", "longest_gap": "BIGINT", "hours_outside": "DOUBLE"}
)
SERIES = (
    "SELECT location, house, what, read_on, read_at, value, state FROM work.climate ORDER BY location, what, read_on, read_at"
)


def series(rows: Iterable[tuple[Any, ...]]) -> Iterator[tuple[tuple[str, str, str], list[Reading]]]:
    """The readings of each thing at each place, from rows of `SERIES`."""
    for key, some in groupby(rows, key=lambda row: row[:3]):
        yield key, [Reading(on, dt.time.fromisoformat(at) if at else None, value, state) for *_, on, at, value, state in some]


def is_at_a_time(what: str) -> bool:
    """Whether readings say how it was when they were made: not where they are the least or the most since the last one."""
    return not what.endswith(("_min", "_max"))


def sum_up(work: Work) -> None:
    """work.reading_months: of each thing that was measured at each place in each month how many readings were outside the
    limits, and how long there was none."""
    gap_hours = work.context.workspace.settings.climate.gap_hours
    made: list[tuple[Any, ...]] = []
    for key, readings in series(work.rows(SERIES)):
        hours = outside_at_both_ends(readings, gap_hours)
        before = None
        for month, some in groupby(readings, key=lambda r: r.on.replace(day=1)):
            own = list(some)
            of_month = sum(h for day, h in hours.items() if day.replace(day=1) == month)
            made.append((*key, month, *astuple(sums(own, of_month if is_at_a_time(key[2]) else None, before))))
            before = own[-1].on
    work.put("reading_months", _COLUMNS, made)
