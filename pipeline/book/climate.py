"""Readings of each place -> sums of each month, and what is measured in words."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator
from dataclasses import astuple
from itertools import groupby
from typing import Any

from formpack.words import marked, tr
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
_SAID = {
    "temperature": marked("temperature, °C"),
    "temperature_min": marked("lowest since set back, °C"),
    "temperature_max": marked("highest since set back, °C"),
    "humidity": marked("relative humidity, %"),
    "light": marked("light, lux"),
    "ec": marked("EC given, mS/cm"),
    "ph": marked("pH given"),
    "drain_ec": marked("EC of the drain water, mS/cm"),
    "drain_ph": marked("pH of the drain water"),
}
SERIES = (
    "SELECT location, house, what, read_on, read_at, value, state FROM work.climate ORDER BY location, what, read_on, read_at"
)


def series(rows: Iterable[tuple[Any, ...]]) -> Iterator[tuple[tuple[str, str, str], list[Reading]]]:
    """The readings of each thing at each place, from rows of `SERIES`."""
    for key, some in groupby(rows, key=lambda row: row[:3]):
        yield key, [Reading(on, dt.time.fromisoformat(at) if at else None, value, state) for *_, on, at, value, state in some]


def said(what: str) -> str:
    """What was measured, in words; what a form of the nursery's own measures, by its name."""
    return tr(_SAID[what]) if what in _SAID else what


def is_at_a_time(what: str) -> bool:
    """Whether readings say how it was when they were made: not where they are the least or the most since the last one."""
    return not what.endswith(("_min", "_max"))


def sum_up(work: Work) -> None:
    """work.reading_months: of each thing that was measured at each place in each month how many readings were outside the
    limits, and how long there was none."""
    gap_hours = work.context.workspace.settings.climate.gap_hours
    made: list[tuple[Any, ...]] = []
    for key, readings in series(work.rows(SERIES)):
        hours = outside_at_both_ends(readings, gap_hours) if is_at_a_time(key[2]) else {}
        before = None
        for month, some in groupby(readings, key=lambda r: r.on.replace(day=1)):
            own = list(some)
            of_month = [h for day, h in hours.items() if day.replace(day=1) == month]
            made.append((*key, month, *astuple(sums(own, sum(of_month) if of_month else None, before))))
            before = own[-1].on
    work.put("reading_months", _COLUMNS, made)
