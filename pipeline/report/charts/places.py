"""The nursery as a plan: a block for each house, a cell for each place in it, shaded by a number that stands in the cell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from pipeline.report.charts.base import ALARM, ASIDE, INK, LEAF, RULE, STYLE, WIDTH, short, svg

ACROSS = 5
"""Cells in a row of the plan."""
MOST_CELLS = 60
"""A plan of more would be longer than a page of paper."""
_ROW, _HEAD, _GAP = 0.36, 0.2, 0.06
_DARKEST = 0.85


@dataclass(frozen=True)
class Spot:
    """A cell: its name, what stands in it, its shade from 0 (pale) to 1 (dark), None where there is too little to tell; out of
    line it has a heavy edge."""

    name: str
    text: str
    shade: float | None
    is_marked: bool = False


@dataclass(frozen=True)
class House:
    """`name` stands above its cells; it is empty where the house is its one cell."""

    name: str
    spots: Sequence[Spot]


def _fitting(name: str, letters: int) -> str:
    line = short(name)
    return line if len(line) <= letters else line[: letters - 1] + "…"


def _blocks(houses: Sequence[House]) -> list[list[House]]:
    """Houses in rows: first those with a name above their cells, then those of one cell beside each other."""
    single = [h for h in houses if not h.name]
    return [[h] for h in houses if h.name] + [single[i : i + ACROSS] for i in range(0, len(single), ACROSS)]


def plan(houses: Sequence[House], says: str) -> str:
    """The plan as SVG: pale is little, dark is much; a dashed cell has too little to tell."""
    rows = _blocks(houses)
    heads = [_HEAD if row[0].name or (i and rows[i - 1][0].name) else 0.0 for i, row in enumerate(rows)]
    deep = [_ROW * -(-sum(len(h.spots) for h in row) // ACROSS) + h + _GAP for row, h in zip(rows, heads, strict=True)]
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH, max(0.5, sum(deep))))
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        axes.set_xlim(0, WIDTH)
        axes.set_ylim(-sum(deep), 0)
        axes.axis("off")
        top = 0.0
        for row, head, depth in zip(rows, heads, deep, strict=True):
            axes.text(0.03, top - 0.12, _fitting(row[0].name, 42), va="center", fontsize=7.5, color=INK)
            for i, spot in enumerate(s for h in row for s in h.spots):
                _cell(axes, spot, (i % ACROSS) * WIDTH / ACROSS, top - head - _ROW * (i // ACROSS + 1))
            top -= depth
        return svg(figure, says)


def _cell(axes: mpl.axes.Axes, spot: Spot, left: float, low: float) -> None:
    width = WIDTH / ACROSS
    shade = 0.0 if spot.shade is None else _DARKEST * min(1.0, max(0.0, spot.shade))
    edge: Any = {"edgecolor": ALARM, "linewidth": 2.2} if spot.is_marked else {"edgecolor": RULE, "linewidth": 0.8}
    box = (left + 0.03, low + 0.02), width - 0.06, _ROW - 0.04
    axes.add_patch(Rectangle(*box, facecolor="white", **edge, linestyle="--" if spot.shade is None else "-"))
    if shade:
        axes.add_patch(Rectangle(*box, facecolor=LEAF, alpha=shade, linewidth=0))
        axes.add_patch(Rectangle(*box, facecolor="none", **edge))
    ink = "white" if shade > 0.5 else ASIDE if spot.shade is None else INK
    axes.text(left + width / 2, low + 0.245, _fitting(spot.name, 11), ha="center", va="center", fontsize=7.5, color=ink)
    weight = "bold" if spot.is_marked else "normal"
    axes.text(left + width / 2, low + 0.11, spot.text, ha="center", va="center", fontsize=7.5, color=ink, fontweight=weight)
