"""Readings of places beside the nursery's limits, feeding, and the hours of weeding."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from formpack.words import number, percent, tr, trn
from pipeline.book.climate import SERIES, is_at_a_time, said, series
from pipeline.formulas.proportions import exact
from pipeline.formulas.readings import Reading, Sums, outside_at_both_ends, sums
from pipeline.report.blocks import Block, Cell, Chapter, Column, Drawing, Head, Says, Table, interval, worked_out
from pipeline.report.charts.climate import key, readings_over_days
from pipeline.report.stock import place_names
from pipeline.store import Store
from pipeline.workspace import Workspace

_DAYS = 365
"""The readings of so many days are shown."""
_MOST = 8
"""Drawings, those with the most readings outside first."""
_WEEDED = """
SELECT location, count(*), sum(people * minutes) / 60.0, count(*) FILTER (people IS NULL OR minutes IS NULL)
FROM answers_weeding WHERE visit_date BETWEEN $1 AND $2 GROUP BY location ORDER BY 3 DESC NULLS LAST, location
"""


@dataclass(frozen=True)
class Series:
    """The readings of one thing at one place in the period."""

    location: str
    what: str
    readings: Sequence[Reading]
    sums: Sums
    limits: tuple[float | None, float | None]


def chapter(store: Store, workspace: Workspace) -> Chapter | None:
    """None where nothing was read, fed or weeded in the last twelve months."""
    until: dt.date = store.value("SELECT as_of FROM work.day")
    since = until - dt.timedelta(days=_DAYS)
    gap_hours = workspace.settings.climate.gap_hours
    names = place_names(store)
    found = _gather(store, since, until, gap_hours)
    weeded = _weeding(store, workspace, names, since, until)
    if not (found or weeded):
        return None
    blocks: list[Block] = []
    says = ""
    if found:
        limited, outside = sum(s.sums.limited for s in found), sum(s.sums.outside for s in found)
        says = trn("{n} reading", "{n} readings", sum(s.sums.readings for s in found))
        if limited:
            says = tr("{outside} of {limited} readings that have limits were outside them.", outside=outside, limited=limited)
        lead = tr("Readings from {since} to {until}.", since=since, until=until)
        blocks += [Says(f"{says} {lead}" if limited else lead), _table(found, names), *_drawings(found, names, gap_hours)]
    return Chapter(
        "climate", tr("Climate, feeding and weeding"), [*blocks, *weeded, *([_how(gap_hours)] if found else [])], says
    )


def _gather(store: Store, since: dt.date, until: dt.date, gap_hours: float) -> list[Series]:
    limits = {
        (location, what): (low, high)
        for location, what, low, high in store.rows("SELECT DISTINCT location, what, limit_low, limit_high FROM work.climate")
    }
    made = []
    for (location, _, what), readings in series(store.rows(SERIES)):
        own = [r for r in readings if since < r.on <= until]
        if own:
            hours = outside_at_both_ends(own, gap_hours) if is_at_a_time(what) else {}
            made.append(Series(location, what, own, sums(own, sum(hours.values()) if hours else None), limits[location, what]))
    return made


def _table(found: Sequence[Series], names: dict[str, str]) -> Table:
    columns = [
        Column(tr("place")),
        Column(tr("what")),
        Column(tr("readings"), "number"),
        Column(tr("outside"), "number", tr("Readings below or above the limits of lists/limits.csv, as they are now.")),
        Column(tr("share"), "share", tr("Of the readings that have limits.")),
        *interval("share"),
        Column(tr("limits")),
        Column(tr("read"), says=tr("The lowest and the highest reading.")),
        Column(
            tr("hours outside"),
            "decimal",
            tr(
                "Between two readings near to each other that are both below, or both above; empty where none are so near, or"
                " readings are not of a moment."
            ),
        ),
        Column(tr("days without"), "number", tr("Days between the first and the last reading on which there was none.")),
        Column(tr("longest gap"), "number", tr("Days from one reading to the next.")),
        Column(tr("last read"), "day"),
    ]
    rows = [
        (
            *(names.get(s.location, s.location), said(s.what), s.sums.readings),
            *(s.sums.outside if s.sums.limited else Cell(None, tr("no limits")), s.sums.share, s.sums.low, s.sums.high),
            *(_between(s.limits), _between((s.sums.lowest, s.sums.highest)), s.sums.hours_outside),
            *(s.sums.days_without, s.sums.longest_gap, s.readings[-1].on),
        )
        for s in found
    ]
    return Table("climate", tr("Readings of each place"), columns, rows)


def _plain(value: float) -> str:
    return number(value, len(f"{value:.2f}".rstrip("0").partition(".")[2]))


def _between(limits: tuple[float | None, float | None]) -> str | None:
    low, high = (None if limit is None else _plain(limit) for limit in limits)
    if low is None or high is None:
        return (low and tr("from {low}", low=low)) or (high and tr("up to {high}", high=high)) or None
    return tr("{low} to {high}", low=low, high=high)


def _drawings(found: Sequence[Series], names: dict[str, str], gap_hours: float) -> list[Block]:
    drawn = sorted(found, key=lambda s: (-s.sums.outside, -s.sums.readings, s.location, s.what))[:_MOST]
    blocks: list[Block] = [Head(tr("Over the days")), Says(key(), "lead")]
    for s in drawn:
        head = tr("{place}: {what}", place=names.get(s.location, s.location), what=said(s.what))
        told = trn("{n} reading", "{n} readings", s.sums.readings)
        if s.sums.limited:
            told = tr("{outside} of {limited} readings outside.", outside=s.sums.outside, limited=s.sums.limited)
        svg = readings_over_days(s.readings, s.limits, gap_hours, is_at_a_time(s.what), f"{head}. {told}")
        blocks.append(Drawing(svg, f"{head}. {told}", head, told))
    if len(found) > len(drawn):
        blocks.append(Says(tr("Those with the most readings outside are drawn; the table has all."), "soft"))
    return blocks


def _weeding(store: Store, workspace: Workspace, names: dict[str, str], since: dt.date, until: dt.date) -> list[Block]:
    form = workspace.forms.get("weeding")
    if form is None or not {"location", "people", "minutes"} <= {q.name for q in form.kept}:
        return []
    columns = [
        Column(tr("place")),
        Column(tr("times"), "number"),
        Column(tr("hours of work"), "decimal", tr("People times the time, where both were given.")),
        Column(tr("not known"), "number", tr("Times of which people or minutes were not given; their hours are not in it.")),
    ]
    period = [since + dt.timedelta(days=1), until]
    rows = [(names.get(place, place), *rest) for place, *rest in store.rows(_WEEDED, period)]
    return [Table("weeding", tr("Weeding"), columns, rows)] if rows else []


def _how(gap_hours: float) -> Block:
    return worked_out(
        tr(
            "A reading says how it was at its moment and no more. The share of readings outside has its exact interval"
            " (Clopper and Pearson): none outside of 30 still leaves up to {high} possible. Readings are not made at random"
            " times, so the share of readings is not the share of the time.",
            high=percent(exact(0, 30)[1], 0),
        ),
        tr(
            "Hours outside are counted only between two readings no further apart than {hours} hours (gap_hours in"
            " nursery.toml) that are both below or both above the limits; it may have been within them for a while all the"
            " same. Where one of the two is within, nothing is counted, and nothing where a time of day is not known.",
            hours=number(gap_hours, 0 if gap_hours.is_integer() else 1),
        ),
    )
