"""A group over time: its book, its counts and what is believed; with its stages, where there is room."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

import matplotlib as mpl
import matplotlib.dates
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from formpack.words import number, short_day, short_month, tr
from pipeline.report.charts.base import (
    ALARM,
    ASIDE,
    BAND,
    CLEAR,
    DOUBTFUL,
    INK,
    LEAF,
    PEEL,
    RULE,
    STYLE,
    WIDTH,
    Box,
    freest,
    short,
    svg,
)
from pipeline.report.charts.rows import counts, lines_at
from pipeline.report.stock import Course

_HEIGHT, _LEFT, _RIGHT, _UNDER, _OVER = 1.5, 0.48, 0.25, 0.25, 0.06
_WIDE, _LARGE, _NAMES, _LETTER = 5.0, 3.2, 0.85, 10.0
"""Inches of the large drawing, across and up, and of the names above it, and points that a name turned up takes. It fills its
page; on a phone its letters have 7 px."""
_LINE = 1.1
"""Points of a line."""
_STRIP = 0.2
"""Of the height of the scale, what counts that are off it take."""
_EPOCH = dt.date(1970, 1, 1)


def _day(on: dt.date) -> float:
    return float(mpl.dates.date2num(on))  # type: ignore[no-untyped-call]


def days_across(axes: Axes, first: float, last: float) -> None:
    """Three or four days of the scale: firsts of months, or the first and the last day where it is short."""
    apart = round((last - first) / 30.4 / 3.5)
    if apart:
        axes.xaxis.set_major_locator(mpl.dates.MonthLocator(interval=apart))  # type: ignore[no-untyped-call]
    else:
        axes.set_xticks([first, last])
    said = short_month if apart else short_day
    axes.xaxis.set_major_formatter(mpl.ticker.FuncFormatter(lambda day, _: said(_EPOCH + dt.timedelta(day))))


def _steps(days: Sequence[float], levels: Sequence[int]) -> tuple[list[float], list[float]]:
    """Points close together on a line of steps."""
    many = np.linspace(days[0], days[-1], 120)
    at = np.clip(np.searchsorted(days, many, side="right") - 1, 0, len(days) - 1)
    return [*days, *many], [*map(float, levels), *(float(levels[i]) for i in at)]


def has_band(c: Course) -> bool:
    """Whether the band of its large drawing is somewhere wider than the line in it."""
    reached = [*(n for _, n in c.book), *(n for _, *all_of in c.believed for n in all_of)]
    points = 72 * (_LARGE - _NAMES - _UNDER) / max(10, 1.3 * (max(reached) - min(reached)))
    return any((high - low) * points > 2 * _LINE for _, _, low, high in c.believed)


def key(is_with_band: bool = True) -> str:
    """What the lines and marks of the drawing are."""
    if not is_with_band:
        return tr(
            "Dashed steps are the book with every recorded change, the line is what is believed to stand, dots are counts, an"
            " open cross is a count in doubt."
        )
    return tr(
        "Dashed steps are the book with every recorded change, the line in its band is what is believed to stand and its"
        " 95 % interval, dots are counts, an open cross is a count in doubt."
    )


def _name_stages(axes: Axes, stages: Sequence[tuple[dt.date, str]], points: float) -> None:
    """Above the drawing, `points` wide, the stages, turned up, each with a line to the day on which it was reached. Where days
    are too close for letters the names stand beside them."""
    first, last = axes.get_xlim()
    apart, places = (last - first) * _LETTER / points, [_day(on) for on, _ in stages]
    for at in range(1, len(places)):
        places[at] = max(places[at], places[at - 1] + apart)
    for at in range(len(places) - 1, -1, -1):
        places[at] = min(places[at], last if at == len(places) - 1 else places[at + 1] - apart)
    across: Any = {"transform": axes.get_xaxis_transform(), "clip_on": False, "color": ASIDE, "linewidth": 0.7}
    for (on, name), place in zip(stages, places, strict=True):
        day = _day(on)
        axes.axvline(day, color=RULE, linewidth=0.8, zorder=0)
        axes.plot([day, day, place], [1, 1.02, 1.06], **across)
        axes.text(
            place, 1.075, short(name, 16), transform=across["transform"], rotation=90, ha="center", va="bottom", fontsize=7.5
        )


def course(c: Course, stages: Sequence[tuple[dt.date, str]] | None = None) -> str:
    """A group over time: the book as dashed steps, what is believed as a line in its band, counts as dots, a doubtful one as an
    open cross. With the days on which it reached `stages` (if any) it is drawn larger, and they are named above it.

    A count that is far off is drawn in a strip of its own at the edge, with its number, so that the rest can be seen.
    """
    across, height = (WIDTH, _HEIGHT) if stages is None else (_WIDE, _LARGE)
    over = _NAMES if stages else _OVER
    with mpl.rc_context(STYLE | {"axes.spines.left": True, "ytick.major.size": 2}):
        figure = Figure(figsize=(across, height))
        inside = (1 - (_LEFT + _RIGHT) / across, 1 - (_UNDER + over) / height)
        axes = figure.add_axes((_LEFT / across, _UNDER / height, *inside))
        days = [_day(on) for on, _, _, _ in c.believed]
        stands, low, high = [n for _, n, _, _ in c.believed], [n for _, _, n, _ in c.believed], [n for _, _, _, n in c.believed]
        turns, book = [_day(d) for d, _ in c.book], [n for _, n in c.book]
        axes.fill_between(days, low, high, **BAND, alpha=0.28)
        axes.step(days, stands, where="post", color=LEAF, linewidth=_LINE)
        axes.step(turns, book, where="post", color=PEEL, linewidth=_LINE, linestyle=(0, (4, 2)))
        reached = [*book, *low, *high]
        least, most = min(reached), max(reached)
        room = max(5, (most - least) * 0.15)
        doubtful = [n for n in c.counts if n.flagged]
        low_end, high_end = least - room, most + room
        is_under, is_over = any(n.counted < low_end for n in doubtful), any(n.counted > high_end for n in doubtful)
        strip = _STRIP * (high_end - low_end)
        axes.set_ylim(low_end - strip * is_under, high_end + strip * is_over)
        good = [n for n in c.counts if not n.flagged]
        axes.plot([_day(n.on) for n in good], [n.counted for n in good], "o", color=INK, markersize=3)
        first, last = min(*days, *turns), max(*days, *turns, *(_day(n.on) for n in c.counts))
        axes.set_xlim(first - (room_at := max(1.0, 0.04 * (last - first))), last + room_at)
        drawn = [*zip(*_steps(days, stands), strict=True), *zip(*_steps(turns, book), strict=True)]
        drawn += [(_day(n.on), float(n.counted)) for n in good]
        lines = [(x, y) for x, y in axes.transData.transform(drawn) * 72 / figure.dpi]
        taken: list[Box] = []
        for n in doubtful:
            is_off = not low_end <= n.counted <= high_end
            at = (low_end - strip / 2 if n.counted < low_end else high_end + strip / 2) if is_off else n.counted
            axes.plot([_day(n.on)], [at], "X", **DOUBTFUL)
            said = tr("{n} (off the scale)", n=n.counted) if is_off else number(n.counted)
            x, y = axes.transData.transform((_day(n.on), at)) * 72 / figure.dpi
            wide = 4.2 * len(said)
            starts = [x + 7, x - 7 - wide] if _day(n.on) <= (first + last) / 2 else [x - 7 - wide, x + 7]
            ups = (-4,) if is_off else (-4, 4, -12, 12, -20)
            fit = [s for s in starts if s >= 72 * _LEFT and s + wide <= 72 * (across - 0.05)] or starts[:1]
            box = freest([(s, y + up, s + wide, y + up + 8) for up in ups for s in fit], lines, taken)
            taken.append(box)
            is_left = box[0] < x
            near: Any = {"xytext": (-7 if is_left else 7, box[1] - y), "textcoords": "offset points", "va": "bottom"}
            near["ha"] = "right" if is_left else "left"
            axes.annotate(said, (_day(n.on), at), **near, fontsize=7.5, color=ALARM, bbox=CLEAR)
        counts(axes.yaxis, 4)
        axes.set_yticks([v for v in axes.yaxis.get_major_locator().tick_values(low_end, high_end) if low_end <= v <= high_end])
        for end in [low_end] * is_under + [high_end] * is_over:
            axes.axhline(end, color=ASIDE, linewidth=0.8, linestyle=(0, (1, 2)))
        days_across(axes, first, last)
        _name_stages(axes, stages or (), 72 * across * inside[0])
        axes.tick_params(labelsize=7.5)
        lines_at(axes, "y")
        axes.set_axisbelow(True)
        return svg(figure, c.says)
