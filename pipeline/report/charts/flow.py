"""Where something went: columns of bars from left to right, and bands between them as wide as what went there."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path

from pipeline.report.charts.base import ASIDE, CLEAR, INK, LEAF, PEEL, STYLE, short, svg, tell

MOST = 14
"""Bars of a column; the smallest of more stand together as one."""
_LABEL, _GAP, _BAR, _LEAST, _SCALE = 0.17, 0.07, 0.09, 0.03, 2.6
"""Inches: of a label above its bar, between bars, width of a bar, the least height of one, and the largest column."""
_WIDE = 5.0
"""Inches of the drawing: it fills its page."""
_LETTERS = {3: 24, 4: 18, 5: 14}
COLOURS = {"source": INK, "group": LEAF, "stands": LEAF, "sent": PEEL, "gone": ASIDE}


class Bar(NamedTuple):
    """A place where plants were: `kind` is one of `COLOURS`; `says` is told to who points at it."""

    key: str
    column: int
    label: str
    plants: float
    kind: str
    says: str


class Band(NamedTuple):
    """So many plants went from one bar to another; `sure` of them certainly."""

    start: str
    end: str
    plants: float
    sure: float


def gathered(bars: Sequence[Bar], bands: Iterable[Band], others: Mapping[int, str]) -> tuple[list[Bar], list[Band]]:
    """The bars and bands, the smallest of a column with too many put together under the name that `others` has for so many."""
    columns: dict[int, list[Bar]] = defaultdict(list)
    for bar in bars:
        columns[bar.column].append(bar)
    names: dict[str, str] = {}
    kept: list[Bar] = []
    for column, some in sorted(columns.items()):
        largest = sorted(some, key=lambda b: (-b.plants, b.key))
        rest = largest[MOST - 1 :] if len(some) > MOST else []
        kept += [b for b in some if b not in rest]
        if rest:
            said = others[len(rest)]
            kept.append(Bar(f"others {column}", column, said, sum(b.plants for b in rest), rest[0].kind, said))
            names |= {b.key: f"others {column}" for b in rest}
    sums: dict[tuple[str, str], list[float]] = defaultdict(lambda: [0.0, 0.0])
    for band in bands:
        ends = names.get(band.start, band.start), names.get(band.end, band.end)
        if ends[0] != ends[1]:
            sums[ends][0] += band.plants
            sums[ends][1] += band.sure
    return kept, [Band(*ends, *amounts) for ends, amounts in sums.items()]


def flow(bars: Sequence[Bar], bands: Sequence[Band], says: str) -> str:
    """The drawing. What is certain of a band is dark, what is only possible is light."""
    columns: dict[int, list[Bar]] = defaultdict(list)
    for bar in bars:
        columns[bar.column].append(bar)
    most = max(sum(b.plants for b in some) for some in columns.values()) or 1.0
    tall = {b.key: max(_LEAST, _SCALE * b.plants / most) for b in bars}
    heights = {c: sum(tall[b.key] + _LABEL + _GAP for b in some) for c, some in columns.items()}
    height = max(heights.values()) + 0.05
    left, apart = 0.05, (_WIDE - 0.05) / len(columns)
    place: dict[str, tuple[float, float]] = {}
    with mpl.rc_context(STYLE | {"font.size": 9}):
        figure = Figure(figsize=(_WIDE, height))
        axes = figure.add_axes((0, 0, 1, 1))
        axes.set_xlim(0, _WIDE)
        axes.set_ylim(height, 0)
        axes.axis("off")
        for number, (_, some) in enumerate(sorted(columns.items())):
            x, y = left + number * apart, 0.0
            for bar in some:
                y += _LABEL
                place[bar.key] = (x, y)
                axes.text(
                    x,
                    y - 0.025,
                    short(bar.label, _LETTERS.get(len(columns), 12)),
                    va="bottom",
                    color=INK,
                    bbox=CLEAR | {"alpha": 0.6},
                )
                drawn = axes.add_patch(Rectangle((x, y), _BAR, tall[bar.key], color=COLOURS[bar.kind], linewidth=0))
                tell(drawn, bar.says)
                y += tall[bar.key] + _GAP
        _bands(axes, bands, place, tall, most)
        return svg(figure, says)


def _bands(
    axes: Axes, bands: Sequence[Band], place: Mapping[str, tuple[float, float]], tall: Mapping[str, float], most: float
) -> None:
    out: dict[str, float] = defaultdict(float)
    into: dict[str, float] = defaultdict(float)
    for band in sorted(bands, key=lambda b: (place[b.start], place[b.end])):
        (x0, y0), (x1, y1) = place[band.start], place[band.end]
        thick = _SCALE * band.plants / most
        y0, y1 = y0 + out[band.start], y1 + into[band.end]
        y0 = min(y0, place[band.start][1] + tall[band.start])
        y1 = min(y1, place[band.end][1] + tall[band.end])
        out[band.start] += thick
        into[band.end] += thick
        sure = thick * band.sure / band.plants if band.plants else 0.0
        for down, width, alpha in ((0.0, sure, 0.5), (sure, max(thick - sure, 0.008 if not sure else 0.0), 0.22)):
            if width > 0:
                _band(axes, (x0 + _BAR, y0 + down), (x1, y1 + down), width, {"facecolor": LEAF, "alpha": alpha})


def _band(axes: Axes, start: tuple[float, float], end: tuple[float, float], width: float, how: dict[str, Any]) -> None:
    (x0, y0), (x1, y1) = start, end
    middle = (x0 + x1) / 2
    points = [(x0, y0), (middle, y0), (middle, y1), (x1, y1), (x1, y1 + width)]
    points += [(middle, y1 + width), (middle, y0 + width), (x0, y0 + width), (x0, y0)]
    c = Path.CURVE4
    codes = [Path.MOVETO, c, c, c, Path.LINETO, c, c, c, Path.CLOSEPOLY]
    axes.add_patch(PathPatch(Path(points, codes), linewidth=0, zorder=0.5, **how))
