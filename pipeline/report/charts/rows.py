"""Rows under each other: of each a line of words, the name at the left and the number at the right, over what is drawn of it.
So a long name takes no room from the drawing."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Literal, TypeVar

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from formpack.words import number, percent
from pipeline.report.charts.base import CLEAR, INK, LEAF, RULE, WIDTH, short

SIDE = 0.2
"""Inches left free at both sides, for half a number of the scale."""
MOST_ROWS = 22
"""Rows of one drawing: more would not fit a page of paper under its heading."""
_LETTERS = 56
_HEIGHT, _SCALE, _TOP, _UNDER = 0.36, 0.25, 0.04, 0.16
BAR = 0.1 / _HEIGHT
"""How high the bar of a row with one is."""
_Row = TypeVar("_Row")


def rows_of(many: int, lines: int = 1, over: float = _TOP) -> tuple[Figure, Axes]:
    """A drawing of so many rows, the first at the place `many`, the last at 1, with room for `lines` lines or bars in each; and
    so many inches over them."""
    tall = (_HEIGHT + 0.1 * (lines - 1)) * many
    height = over + tall + _SCALE
    figure = Figure(figsize=(WIDTH, height))
    axes = figure.add_axes((SIDE / WIDTH, _SCALE / height, 1 - 2 * SIDE / WIDTH, tall / height))
    axes.set_ylim(0.5, many + 0.5)
    axes.set_yticks([])
    axes.tick_params(labelsize=7.5)
    axes.set_axisbelow(True)
    return figure, axes


def line_of(place: float, line: int = 0, lines: int = 1) -> float:
    """Where the middle of a line or bar of a row lies, the last lowest: nearer to its own words than to those under it."""
    return place - 0.5 + (_UNDER + 0.1 * (lines - 1 - line)) / (_HEIGHT + 0.1 * (lines - 1))


def words_over(axes: Axes, place: float, name: str, said: str, color: str = INK) -> None:
    """The words of a row."""
    level: Any = {"transform": axes.get_yaxis_transform(), "va": "top", "fontsize": 7.5, "bbox": CLEAR}
    axes.text(0, place + 0.48, short(name, max(12, _LETTERS - len(said))), ha="left", **level)
    axes.text(1, place + 0.48, said, ha="right", color=color, **level)


def dot_on_interval(axes: Axes, level: float, low: float, rate: float, high: float) -> None:
    """A rate as a dot on its interval."""
    axes.plot([low, high], [level, level], color=LEAF, linewidth=2, solid_capstyle="round", clip_on=False)
    axes.plot([rate], [level], "o", color=LEAF, markersize=5, clip_on=False)


def counts(axis: Any, most: int = 5) -> None:
    """A scale of whole numbers."""
    axis.set_major_locator(mpl.ticker.MaxNLocator(most, integer=True, steps=[1, 2, 5, 10]))
    axis.set_major_formatter(mpl.ticker.FuncFormatter(lambda value, _: number(value)))


def shares(axis: Any) -> None:
    """A scale of percentages."""
    axis.set_major_locator(mpl.ticker.MaxNLocator(6, steps=[1, 2, 5, 10]))
    axis.set_major_formatter(mpl.ticker.FuncFormatter(lambda value, _: percent(value, 0)))


def lines_at(axes: Axes, which: Literal["x", "y"] = "x") -> None:
    """Faint lines through the numbers of the scale."""
    axes.grid(axis=which, color=RULE, linewidth=0.5)


def in_parts(rows: Sequence[_Row]) -> Iterator[Sequence[_Row]]:
    """Rows by as many as one drawing takes."""
    for start in range(0, len(rows), MOST_ROWS):
        yield rows[start : start + MOST_ROWS]


def places(many: int) -> range:
    """Where the rows stand, from the first to the last."""
    return range(many, 0, -1)
