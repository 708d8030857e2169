"""A walk in steps: each bar begins where the one above it ended."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any, NamedTuple

import matplotlib as mpl
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine

from formpack.words import number
from pipeline.report.charts.base import ASIDE, INK, LEAF, PEEL, RULE, STYLE, WIDTH, short, svg
from pipeline.report.charts.rows import lines_at

_ROOM_AROUND = 0.06
_HEIGHT, _LETTERS, _BETWEEN = 0.26, 28, 8
"""Inches of a row, letters of a line of its name, points between two such lines."""


class Step(NamedTuple):
    """A step of the walk, or what it has come to (`is_sum`): a bar of its own from the beginning of the scale."""

    label: str
    plants: int
    is_sum: bool = False


def signed(n: int) -> str:
    """A number of plants with its sign, the minus as long as the plus is wide."""
    return ("+" if n > 0 else "\N{MINUS SIGN}" if n < 0 else "") + number(abs(n))


def walk(steps: Sequence[Step], says: str, is_beside: bool = False) -> str:
    """The walk as a drawing, with its scale. Beside large sums that lie close together the reasons would be too small to see:
    `is_beside` draws what each reason adds or takes, on a scale of what there is more or less than the first sum, and the sums
    as a mark each."""
    zero = steps[0].plants if is_beside else 0
    levels, at = [], 0
    for step in steps:
        start, at = (0, step.plants) if step.is_sum else (at, at + step.plants)
        levels.append((start - zero, at - zero))
    ends = [end for _, end in levels]
    least, most = min(0, *ends), max(0, *ends)
    room = max(1.0, (most - least) * _ROOM_AROUND)
    wide = 4 + 5 * max(len(signed(step.plants)) for step in steps)
    with mpl.rc_context(STYLE | {"font.size": 7.5}):
        figure = Figure(figsize=(WIDTH, 0.4 + _HEIGHT * len(steps)), layout=ConstrainedLayoutEngine(w_pad=0.1))
        axes = figure.add_subplot()
        for place, (step, (start, end)) in enumerate(zip(steps, levels, strict=True)):
            if step.is_sum and is_beside:
                axes.plot([end], [place], "D", color=LEAF, markersize=6)
            else:
                how = (
                    {"color": LEAF}
                    if step.is_sum
                    else {"color": PEEL}
                    if end < start
                    else {"facecolor": "white", "edgecolor": LEAF, "linewidth": 1}
                )
                axes.barh(place, end - start, left=start, height=0.62, **how)
            if place + 1 < len(steps):
                axes.plot([end, end], [place - 0.31, place + 1.31], color=ASIDE, linewidth=0.6)
            said = number(step.plants) if step.is_sum else signed(step.plants)
            weight = "bold" if step.is_sum else "normal"
            spot: Any = {"xycoords": ("axes fraction", "data"), "textcoords": "offset points", "va": "center", "ha": "right"}
            axes.annotate(said, (1, place), xytext=(wide, 0), **spot, weight=weight, color=INK)
        axes.set_yticks([])
        for place, step in enumerate(steps):
            lines = textwrap.wrap(short(step.label), _LETTERS)
            for at, line in enumerate(lines):
                down = _BETWEEN * ((len(lines) - 1) / 2 - at)
                axes.annotate(line, (0, place), xytext=(-5, down), **spot)
        axes.set_ylim(len(steps) - 0.5, -0.5)
        axes.set_xlim(least - (room if least < 0 else 0), most + room)
        axes.xaxis.set_major_locator(mpl.ticker.MaxNLocator(3, integer=True, steps=[1, 2, 5, 10]))
        axes.xaxis.set_major_formatter(mpl.ticker.FuncFormatter(lambda v, _: signed(round(v)) if is_beside else number(v)))
        lines_at(axes)
        axes.set_axisbelow(True)
        axes.axvline(0, color=RULE, linewidth=0.8)
        return svg(figure, says)
