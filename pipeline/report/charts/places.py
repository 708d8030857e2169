"""The nursery by its places: a line for each, a house over the places in it, and cells shaded by the number that stands in
them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from pipeline.report.charts.base import ALARM, ASIDE, INK, LEAF, RULE, STYLE, WIDTH, short, svg

MOST_LINES = 40
"""Lines of a drawing, houses and places: more would be longer than a page of paper."""
_ROW, _NAMES = 0.22, 1.1
_DARKEST = 0.85


@dataclass(frozen=True)
class Spot:
    """A cell: what stands in it, its shade from 0 (pale) to 1 (dark), None where there is too little to tell; out of line it
    has a heavy edge."""

    text: str
    shade: float | None
    is_marked: bool = False


@dataclass(frozen=True)
class Line:
    """A place with its cells; a house that stands over its places has none."""

    name: str
    spots: Sequence[Spot] = ()
    is_inside: bool = False


def _fitting(name: str, letters: int) -> str:
    line = short(name)
    return line if len(line) <= letters else line[: letters - 1] + "…"


def plan(heads: Sequence[str], lines: Sequence[Line], says: str) -> str:
    """The places as SVG: pale is little, dark is much; a dashed cell has too little to tell."""
    high, wide = _ROW * (len(lines) + 1), (WIDTH - _NAMES) / max(1, len(heads))
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH, high))
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        axes.set_xlim(0, WIDTH)
        axes.set_ylim(-high, 0)
        axes.axis("off")
        said: Any = {"va": "center", "fontsize": 7.5, "color": INK}
        for i, head in enumerate(heads):
            axes.text(_NAMES + (i + 0.5) * wide, -_ROW / 2, _fitting(head, 17), ha="center", **said | {"color": ASIDE})
        for place, line in enumerate(lines, 1):
            in_by = 0.1 if line.is_inside else 0.0
            name = _fitting(line.name, (18 if line.is_inside else 20) if line.spots else 48)
            axes.text(0.03 + in_by, -_ROW * (place + 0.5), name, fontweight="normal" if line.spots else "bold", **said)
            for i, spot in enumerate(line.spots):
                _cell(axes, spot, _NAMES + i * wide, -_ROW * (place + 1), wide)
        return svg(figure, says)


def _cell(axes: mpl.axes.Axes, spot: Spot, left: float, low: float, width: float) -> None:
    shade = 0.0 if spot.shade is None else _DARKEST * min(1.0, max(0.0, spot.shade))
    edge: Any = {"edgecolor": ALARM, "linewidth": 2} if spot.is_marked else {"edgecolor": RULE, "linewidth": 0.8}
    box = (left + 0.03, low + 0.02), width - 0.06, _ROW - 0.04
    axes.add_patch(Rectangle(*box, facecolor="white", **edge, linestyle="--" if spot.shade is None else "-"))
    if shade:
        axes.add_patch(Rectangle(*box, facecolor=LEAF, alpha=shade, linewidth=0))
        axes.add_patch(Rectangle(*box, facecolor="none", **edge))
    ink = "white" if shade > 0.5 else ASIDE if spot.shade is None else INK
    weight = "bold" if spot.is_marked else "normal"
    at = left + width / 2, low + _ROW / 2
    axes.text(*at, _fitting(spot.text, 16), ha="center", va="center", fontsize=7.5, color=ink, fontweight=weight)
