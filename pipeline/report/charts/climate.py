"""Readings of one thing at one place: dots over the days, the limits as a band."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

import matplotlib as mpl
import matplotlib.dates
from matplotlib.figure import Figure

from formpack.words import tr
from pipeline.formulas.readings import ABOVE, BELOW, Reading, spans
from pipeline.report.charts.base import ASIDE, DOUBTFUL, INK, LEAF, STYLE, WIDTH, svg
from pipeline.report.charts.course import days_across
from pipeline.report.charts.rows import lines_at

_HEIGHT, _LEFT, _RIGHT, _UNDER, _OVER = 1.35, 0.48, 0.2, 0.25, 0.08
_NOON = dt.time(12)


def _at(moment: dt.datetime) -> float:
    return float(mpl.dates.date2num(moment))  # type: ignore[no-untyped-call]


def key() -> str:
    """What the marks of the drawing are."""
    return tr(
        "Dots are readings, an open cross is one outside the limits, the band is what the nursery's limits leave. A line"
        " joins two readings no further apart than gap_hours; between others nothing is drawn, as nothing is known. A reading"
        " without a time of day stands at noon."
    )


def readings_over_days(
    readings: Sequence[Reading], limits: tuple[float | None, float | None], gap_hours: float, is_joined: bool, says: str
) -> str:
    """Readings over time; `limits` are the least and the most, None where there is none. Lines only where `is_joined`, between
    two readings that are near enough to each other."""
    with mpl.rc_context(STYLE | {"axes.spines.left": True, "ytick.major.size": 2}):
        figure = Figure(figsize=(WIDTH, _HEIGHT))
        axes = figure.add_axes((_LEFT / WIDTH, _UNDER / _HEIGHT, 1 - (_LEFT + _RIGHT) / WIDTH, 1 - (_UNDER + _OVER) / _HEIGHT))
        values = [*(r.value for r in readings), *(limit for limit in limits if limit is not None)]
        room = max(0.1, 0.08 * (max(values) - min(values)))
        least, most = min(values) - room, max(values) + room
        axes.set_ylim(least, most)
        low, high = limits
        if limits != (None, None):
            axes.axhspan(least if low is None else low, most if high is None else high, color=LEAF, alpha=0.18, linewidth=0)
        of_moment = {r.moment: r.value for r in readings if r.moment is not None}
        for one, other, _ in spans(readings, gap_hours) if is_joined else ():
            axes.plot([_at(one), _at(other)], [of_moment[one], of_moment[other]], color=ASIDE, linewidth=0.6)
        for state_is_out in (False, True):
            shown = [r for r in readings if (r.state in (BELOW, ABOVE)) == state_is_out]
            at = [_at(dt.datetime.combine(r.on, r.at or _NOON)) for r in shown]
            style: Any = {**DOUBTFUL, "markersize": 5} if state_is_out else {"color": INK, "markersize": 2}
            axes.plot(at, [r.value for r in shown], "X" if state_is_out else "o", **style)
        days = [_at(dt.datetime.combine(r.on, _NOON)) for r in readings]
        first, last = min(days), max(days)
        axes.set_xlim(first - (edge := max(1.0, 0.03 * (last - first))), last + edge)
        axes.yaxis.set_major_locator(mpl.ticker.MaxNLocator(4))
        days_across(axes, first, last)
        axes.tick_params(labelsize=7.5)
        lines_at(axes, "y")
        axes.set_axisbelow(True)
        return svg(figure, says)
