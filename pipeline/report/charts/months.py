"""Small multiples of months: bars of what was done, shares with the limits of what is usual, what stood by stage. The last
month that is over has its number; the one that is not over is drawn open."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from formpack.words import number, short_month, tr
from pipeline.formulas.usual import OUT_OF_LINE, UNUSUAL
from pipeline.report.charts.base import ALARM, ASIDE, INK, LEAF, RULE, SHADES, STYLE, WIDTH, short, svg

_PALE = "#b9cdbe"
_STYLE = STYLE | {"font.size": 7.5}
_EVERY, _LEAST = 6, 6
"""Months between those named; a drawing has room for so many at least."""
_DOT: Any = {"marker": "o", "color": LEAF, "linestyle": ""}
_UNUSUAL: Any = {"marker": "D", "markerfacecolor": "white", "markeredgecolor": LEAF, "markersize": 5, "linestyle": ""}
_OUT: Any = {"marker": "X", "color": ALARM, "markersize": 7, "linestyle": ""}
_LETTERS = 22
_NUMBER: Any = {"textcoords": "offset points", "ha": "center", "fontweight": "bold", "color": INK}
_NUMBER |= {"bbox": {"boxstyle": "square,pad=0.05", "facecolor": "white", "edgecolor": "none", "alpha": 0.8}}
_OPEN: Any = {"color": "white", "edgecolor": ASIDE, "linewidth": 0.7}
_ROOM = 0.085
"""Of the height, what a line of letters takes."""


def _panel(months: Sequence[dt.date], last: int, height: float, every: int = _EVERY) -> tuple[Figure, Axes]:
    figure = Figure(figsize=(WIDTH, height), layout="constrained")
    axes = figure.add_subplot()
    named = list(range(last, -1, -every))
    axes.set_xticks(named, [short_month(months[i]) for i in named])
    axes.set_xlim(min(-0.6, len(months) - _LEAST - 0.4), len(months) - 0.4)
    axes.grid(axis="y", color=RULE, linewidth=0.5)
    axes.set_axisbelow(True)
    axes.yaxis.set_major_locator(mpl.ticker.MaxNLocator(3, steps=[1, 2, 5, 10]))
    return figure, axes


def counts(months: Sequence[dt.date], values: Sequence[int], last: int, says: str) -> str:
    """A bar for each month; `last` is the place of the last month that is over, those after it are open."""
    with mpl.rc_context(_STYLE):
        figure, axes = _panel(months, last, 1.35)
        for place, value in enumerate(values):
            is_over = place <= last
            fill = (LEAF if place == last else _PALE) if is_over else "white"
            axes.bar(place, value, width=0.8, color=fill, edgecolor=ASIDE if not is_over else fill, linewidth=0.7)
        axes.annotate(number(values[last]), (last, values[last]), xytext=(0, 3), **_NUMBER)
        axes.set_ylim(0, max(1, *values) * 1.18)
        axes.yaxis.set_major_formatter(mpl.ticker.FuncFormatter(lambda v, _: number(v)))
        return svg(figure, says)


def shares(
    months: Sequence[dt.date],
    values: Sequence[float | None],
    limits: Sequence[tuple[float, float] | None],
    chances: Sequence[float | None],
    last: int,
    says: str,
    shown: Callable[[float], str],
) -> str:
    """A dot for each month with anything, on the band of what was usual then; an unusual month is an open lozenge, one far out
    a cross. The scale is that of the values and of the latest bands: where the first ones, of few months, run off it, an arrow
    says how far they go."""
    with mpl.rc_context(_STYLE):
        figure, axes = _panel(months, last, 1.6)
        banded = [i for i, limit in enumerate(limits) if limit]
        low, high = (np.array([limits[i][side] for i in banded]) for side in (0, 1))  # type: ignore[index]
        if banded:
            edges = np.array([[i - 0.5, i + 0.5] for i in banded]).ravel()
            axes.fill_between(edges, low.repeat(2), high.repeat(2), color="#dfe8e0", linewidth=0)
            axes.plot(edges, low.repeat(2), edges, high.repeat(2), color="#8b978e", linewidth=0.7)
        there = [(i, v) for i, v in enumerate(values) if v is not None]
        axes.plot([i for i, _ in there], [v for _, v in there], color=LEAF, linewidth=0.7)
        for i, v in there:
            chance = 1.0 if (found := chances[i]) is None else found
            dot = _DOT | {"markersize": 6 if i == last else 3.5, "markerfacecolor": "white" if i > last else LEAF}
            axes.plot([i], [v], **(_OUT if chance < OUT_OF_LINE else _UNUSUAL if chance < UNUSUAL else dot))
        drawn = [*(v for _, v in there), *low[-_EVERY:], *high[-_EVERY:]]
        top, bottom = max(drawn, default=1.0), min(drawn, default=0.0)
        room = max(top - bottom, 0.002) * 0.12
        axes.set_ylim(max(0.0, bottom - room), min(1.0 + room / 4, top + 1.6 * room))
        axes.yaxis.set_major_formatter(mpl.ticker.FuncFormatter(lambda v, _: shown(v)))
        if (value := values[last]) is not None:
            axes.annotate(shown(value), (last, value), xytext=(0, 6), **_NUMBER)
        _cut_off(axes, banded, low, high, shown)
        _key(axes, [1.0 if (c := chances[i]) is None else c for i, _ in there])
        return svg(figure, says)


def _cut_off(axes: Axes, banded: Sequence[int], low: Any, high: Any, shown: Callable[[float], str]) -> None:
    """What the band reaches to where it runs off the scale."""
    bottom, top = axes.get_ylim()
    spot: Any = {"textcoords": "offset points", "ha": "left", "color": ASIDE}
    over, under = ([i for i, is_off in zip(banded, off, strict=True) if is_off] for off in (high > top, low < bottom))
    if over:
        axes.annotate("↑ " + shown(float(high.max())), (over[0] - 0.4, top), xytext=(0, -1), va="top", **spot)
    if under:
        axes.annotate("↓ " + shown(float(low.min())), (under[0] - 0.4, bottom), xytext=(0, 2), va="bottom", **spot)


def _key(axes: Axes, chances: Sequence[float]) -> None:
    """What a lozenge and a cross are, where there is one."""
    if any(OUT_OF_LINE <= chance < UNUSUAL for chance in chances):
        axes.plot([], [], **_UNUSUAL, label=tr("unusual"))
    if any(chance < OUT_OF_LINE for chance in chances):
        axes.plot([], [], **_OUT, label=tr("out of line"))
    if axes.get_legend_handles_labels()[0]:
        axes.legend(loc="lower right", bbox_to_anchor=(1, 1), ncols=2, frameon=False, fontsize=7.5, borderpad=0, handlelength=1)


def stacked(months: Sequence[dt.date], parts: Mapping[str, Sequence[int]], last: int, says: str) -> str:
    """A bar for each month, in layers from below; each layer is named at the right, level with where it ends, with its
    number in the last month that is over. A month after that is drawn open."""
    with mpl.rc_context(_STYLE):
        figure, axes = _panel(months, last, 2.2, 2 * _EVERY)
        below = np.zeros(len(months))
        shades = SHADES[: len(parts)]
        middles = []
        over, open_ = np.arange(last + 1), np.arange(last + 1, len(months))
        for (name, values), shade in zip(parts.items(), shades, strict=True):
            heights = np.asarray(values, dtype=float)
            for some, how in ((over, {"color": shade, "edgecolor": "white", "linewidth": 0.4}), (open_, _OPEN)):
                axes.bar(some, heights[some], bottom=below[some], width=0.84, **how)
            middles.append((name, float(below[-1] + heights[-1] / 2), int(values[last])))
            below += heights
        top = max(1.0, float(below.max())) * 1.05
        axes.set_ylim(0, top)
        axes.yaxis.set_major_formatter(mpl.ticker.FuncFormatter(lambda v, _: number(v)))
        whole = int(below[last])
        wide = 5 * len(number(whole))
        levels = _apart([m for _, m, _ in middles], _ROOM * top)
        spot: Any = {"xycoords": ("axes fraction", "data"), "textcoords": "offset points", "va": "center", "color": INK}
        for (name, _, n), level, shade in zip(middles, levels, shades, strict=True):
            axes.annotate("■", (1, level), xytext=(2, 0), **spot | {"color": shade})
            axes.annotate(number(n), (1, level), xytext=(11 + wide, 0), ha="right", **spot)
            axes.annotate(_cut(name), (1, level), xytext=(15 + wide, 0), **spot)
        if levels:
            spot["fontweight"] = "bold"
            head = levels[-1] + 1.2 * _ROOM * top
            axes.annotate(number(whole), (1, head), xytext=(11 + wide, 0), ha="right", **spot)
            axes.annotate(short_month(months[last]), (1, head), xytext=(15 + wide, 0), **spot)
        return svg(figure, says)


def _cut(name: str) -> str:
    """A name that leaves room for the bars beside it."""
    line = short(name)
    return line if len(line) <= _LETTERS else f"{line[: _LETTERS - 1]}…"


def _apart(places: Sequence[float], room: float) -> list[float]:
    """The places, in order, moved so that none is nearer to the next than `room`, the first not below half of it."""
    found: list[float] = []
    for place in places:
        found.append(max(place, found[-1] + room if found else room / 2))
    return found
