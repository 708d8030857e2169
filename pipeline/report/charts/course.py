"""A group over time, small: its book, its counts and what is believed."""

from __future__ import annotations

import datetime as dt
from typing import Any

import matplotlib as mpl
import matplotlib.dates
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from formpack.words import number, short_day, short_month, tr
from pipeline.report.charts.base import ALARM, BAND, DOUBTFUL, INK, LEAF, PEEL, STYLE, WIDTH, short, svg
from pipeline.report.charts.rows import counts, lines_at
from pipeline.report.stock import Course

_HEIGHT, _LEFT, _RIGHT, _UNDER, _OVER = 1.5, 0.48, 0.25, 0.25, 0.2
_EPOCH = dt.date(1970, 1, 1)


def _day(on: dt.date) -> float:
    return float(mpl.dates.date2num(on))  # type: ignore[no-untyped-call]


def _days(axes: Axes, first: float, last: float) -> None:
    """Three or four days of the scale: firsts of months, or the first and the last day where it is short."""
    apart = round((last - first) / 30.4 / 3.5)
    if apart:
        axes.xaxis.set_major_locator(mpl.dates.MonthLocator(interval=apart))  # type: ignore[no-untyped-call]
    else:
        axes.set_xticks([first, last])
    said = short_month if apart else short_day
    axes.xaxis.set_major_formatter(mpl.ticker.FuncFormatter(lambda day, _: said(_EPOCH + dt.timedelta(day))))


def course(c: Course) -> str:
    """A group over time: the book as dashed steps, what is believed as a line in its band, counts as dots, a doubtful one as an
    open cross.

    A count that is far off is drawn at the edge, with its number, so that the rest can be seen.
    """
    with mpl.rc_context(STYLE | {"axes.spines.left": True, "ytick.major.size": 2}):
        figure = Figure(figsize=(WIDTH, _HEIGHT))
        inside = (1 - (_LEFT + _RIGHT) / WIDTH, 1 - (_UNDER + _OVER) / _HEIGHT)
        axes = figure.add_axes((_LEFT / WIDTH, _UNDER / _HEIGHT, *inside))
        days = [_day(on) for on, _, _, _ in c.believed]
        stands, low, high = [n for _, n, _, _ in c.believed], [n for _, _, n, _ in c.believed], [n for _, _, _, n in c.believed]
        turns, book = [_day(d) for d, _ in c.book], [n for _, n in c.book]
        axes.fill_between(days, low, high, **BAND, alpha=0.28)
        axes.step(days, stands, where="post", color=LEAF, linewidth=1.1)
        axes.step(turns, book, where="post", color=PEEL, linewidth=1.1, linestyle=(0, (4, 2)))
        reached = [*book, *low, *high]
        least, most = min(reached), max(reached)
        room = max(5, (most - least) * 0.15)
        axes.set_ylim(least - room, most + room)
        good = [n for n in c.counts if not n.flagged]
        axes.plot([_day(n.on) for n in good], [n.counted for n in good], "o", color=INK, markersize=3)
        first, last = min(*days, *turns), max(*days, *turns, *(_day(n.on) for n in c.counts))
        for n in (n for n in c.counts if n.flagged):
            at = min(max(n.counted, least - 0.6 * room), most + 0.6 * room)
            axes.plot([_day(n.on)], [at], "X", **DOUBTFUL)
            said = number(n.counted) if at == n.counted else tr("{n} (off the scale)", n=n.counted)
            side = -1 if _day(n.on) > (first + last) / 2 else 1
            near: Any = {"xytext": (8 * side, 0), "textcoords": "offset points", "ha": "right" if side < 0 else "left"}
            near["bbox"] = {"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 0.5}
            axes.annotate(said, (_day(n.on), at), **near, va="center", fontsize=7.5, color=ALARM)
        counts(axes.yaxis, 4)
        _days(axes, first, last)
        axes.tick_params(labelsize=7.5)
        lines_at(axes, "y")
        axes.set_axisbelow(True)
        title = f"{c.group}, {c.place}" if c.place else c.group
        figure.text(0.02, 1 - 0.02 / _HEIGHT, short(title, 50), va="top", fontsize=8.5, fontweight="bold")
        return svg(figure, c.says)
