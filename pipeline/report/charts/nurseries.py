"""Nurseries on one scale: few each with its name and number, many each as a thin line, in order, those out of line named."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from formpack.words import number, percent, tr
from pipeline.report.charts.base import ALARM, ASIDE, CLEAR, INK, LEAF, PEEL, RULE, STYLE, WIDTH, short, svg, tell
from pipeline.report.charts.rows import (
    MOST_ROWS,
    SIDE,
    dot_on_interval,
    line_of,
    lines_at,
    places,
    rows_of,
    shares,
    words_over,
)

_MOST, _NAMED = 400, 14
"""Nurseries that are drawn (of more, those out of line and some of the others evenly), and those that are named."""
_HIGH, _LEAST, _SCALE = 5.0, 1.6, 0.25


@dataclass(frozen=True)
class Row:
    """A nursery: its rate on its interval, a word for it, and `better`, `worse` or neither."""

    name: str
    rate: float
    low: float
    high: float
    said: str = ""
    flag: str = ""


def on_shares(rows: Sequence[Row], middle: float, says: str) -> str:
    """Shares up to all; a dashed line where all nurseries are together."""
    start = max(0.0, int(min(row.low for row in rows) * 10 - 0.5) / 10)
    return _drawn(rows, middle, says, (start, 1.0), lambda value: percent(value), shares)


def on_ratios(rows: Sequence[Row], says: str) -> str:
    """What was lost over what was expected; a dashed line where both are alike. Intervals are cut off at three."""
    stop = min(3.0, max(row.high for row in rows) * 1.05)
    return _drawn(rows, 1.0, says, (0.0, max(stop, 1.2)), lambda value: number(value, 2), _ratios, True)


def _ratios(axis: Any) -> None:
    axis.set_major_formatter(mpl.ticker.FuncFormatter(lambda value, _: number(value, 1)))


def _drawn(
    rows: Sequence[Row],
    middle: float,
    says: str,
    scale: tuple[float, float],
    shown: Callable[[float], str],
    ticks: Callable[..., None],
    is_most_first: bool = False,
) -> str:
    order = sorted(rows, key=lambda row: (-row.rate if is_most_first else row.rate, row.name))
    with mpl.rc_context(STYLE):
        figure, axes = (_few if len(order) <= MOST_ROWS else _many)(order, shown, scale)
        axes.axvline(middle, color=PEEL, linewidth=1, linestyle=(0, (4, 3)))
        axes.set_xlim(*scale)
        ticks(axes.xaxis)
        lines_at(axes)
        return svg(figure, says)


def _few(rows: Sequence[Row], shown: Callable[[float], str], scale: tuple[float, float]) -> tuple[Figure, Axes]:
    figure, axes = rows_of(len(rows))
    for place, row in zip(places(len(rows)), rows, strict=True):
        dot_on_interval(axes, line_of(place), row.low, row.rate, min(row.high, scale[1]))
        words_over(axes, place, row.name, row.said, ALARM if row.flag == "worse" else INK)
    return figure, axes


def _many(rows: Sequence[Row], shown: Callable[[float], str], scale: tuple[float, float]) -> tuple[Figure, Axes]:
    if len(rows) > _MOST:
        step = len(rows) / _MOST
        evenly = {int(i * step) for i in range(_MOST)}
        rows = [row for i, row in enumerate(rows) if row.flag or i in evenly]
    odd = [i for i, row in enumerate(rows) if row.flag]
    named = odd if len(odd) <= _NAMED else [*odd[: _NAMED // 2], *odd[-_NAMED // 2 :]]
    tall = min(_HIGH, max(_LEAST, 0.12 * len(rows)))
    height = tall + _SCALE
    figure = Figure(figsize=(WIDTH, height))
    axes = figure.add_axes((SIDE / WIDTH, _SCALE / height, 1 - 2 * SIDE / WIDTH, tall / height))
    apart = 0.13 / tall * len(rows)
    axes.set_ylim(len(rows) - 0.5 + apart / 2, -0.5 - apart / 2)
    axes.set_yticks([])
    axes.tick_params(labelsize=7.5)
    width = max(0.5, min(2.0, 40 * tall / len(rows)))
    for i, row in enumerate(rows):
        color = ALARM if row.flag == "worse" else LEAF if row.flag == "better" else ASIDE
        (line,) = axes.plot([row.low, min(row.high, scale[1])], [i, i], color=color if row.flag else RULE, linewidth=width)
        (dot,) = axes.plot([row.rate], [i], "o", color=color, markersize=max(1.5, min(4.0, 2 * width)), clip_on=False)
        told = tr(
            "{name}: {rate}, {low} to {high}", name=row.name, rate=shown(row.rate), low=shown(row.low), high=shown(row.high)
        )
        tell([line, dot], told)
    # names that would cover each other are moved down, the last ones up
    at = list(map(float, named))
    for i in range(1, len(at)):
        at[i] = max(at[i], at[i - 1] + apart)
    for i in reversed(range(len(at))):
        at[i] = min(at[i], len(rows) - 0.5 - apart * (len(at) - i - 0.5))
    for i, place in zip(named, at, strict=True):
        color = ALARM if rows[i].flag == "worse" else INK
        axes.text(scale[0], place, short(rows[i].name, 18), fontsize=7.5, va="center", color=color, bbox=CLEAR)
    return figure, axes
