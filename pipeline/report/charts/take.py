"""How buds take: rates on their intervals, teams as they are and with the whole mix."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from formpack.words import many, tr
from pipeline.formulas.comparison import funnel
from pipeline.report.charts.base import ALARM, INK, LEAF, OPEN, PEEL, RULE, STYLE, WIDTH, short, svg
from pipeline.report.charts.rows import SIDE, counts, in_parts, line_of, lines_at, places, rows_of, shares, words_over
from pipeline.report.figures import Share, Team, flag_words

_THIN, _DASHES = "#8b978e", (0, (4, 3))


def _start(lows: Sequence[float]) -> float:
    """Where a scale of rates begins: a tenth below the least."""
    return max(0.0, int(min(lows, default=0.0) * 10 - 0.5) / 10)


def _middle(axes: Axes, middle: float | None) -> None:
    if middle is not None:
        axes.axvline(middle, color=PEEL, linewidth=1, linestyle=_DASHES)


def _key(figure: Figure, axes: Axes, columns: int) -> None:
    handles, labels = axes.get_legend_handles_labels()
    found: Any = {"fontsize": 7.5, "frameon": False, "columnspacing": 1, "handlelength": 1.6, "borderpad": 0}
    figure.legend(handles, labels, loc="upper left", bbox_to_anchor=(SIDE / WIDTH, 1), ncols=columns, **found)


def intervals(rows: Sequence[Share], middle: float | None, says: str) -> list[str]:
    """Rates as dots on their 95 % intervals, the number read over them; a dashed line where the whole nursery stands. Many rows
    become several drawings on one scale."""
    start = _start([s.low for s in rows])
    drawn = []
    with mpl.rc_context(STYLE):
        for part in in_parts(rows):
            figure, axes = rows_of(len(part))
            for place, s in zip(places(len(part)), part, strict=True):
                level = line_of(place)
                axes.plot([s.low, s.high], [level, level], color=LEAF, linewidth=2, solid_capstyle="round")
                axes.plot([s.rate], [level], "o", color=LEAF, markersize=5)
                words_over(axes, place, s.label, tr("{count} of {of}", count=s.count, of=s.of))
            _middle(axes, middle)
            axes.set_xlim(start, 1.0)
            shares(axes.xaxis)
            lines_at(axes)
            drawn.append(svg(figure, says))
    return drawn


def teams(rows: Sequence[Team], middle: float | None, says: str) -> str:
    """Each team twice: its take with the whole mix (full) and as it is (open), on their 95 % intervals."""
    with mpl.rc_context(STYLE):
        figure, axes = rows_of(len(rows), 2, over=0.2)
        for place, t in zip(places(len(rows)), rows, strict=True):
            first, fair, plain = place == len(rows), line_of(place, 0, 2), line_of(place, 1, 2)
            if t.adjusted is not None and t.adjusted_low is not None and t.adjusted_high is not None:
                axes.plot([t.adjusted_low, t.adjusted_high], [fair, fair], color=LEAF, linewidth=2, solid_capstyle="round")
                axes.plot(
                    [t.adjusted], [fair], "o", color=LEAF, markersize=5, label=tr("with the whole mix") if first else None
                )
            axes.plot([t.low, t.high], [plain, plain], color="#a9b5ab", linewidth=1.4, solid_capstyle="round")
            axes.plot([t.rate], [plain], "o", **OPEN, label=tr("as it is") if first else None)
            buds = many(t.of, "bud")
            said = tr("{buds}, {flag}", buds=buds, flag=flag_words(t.flag)) if t.flag else buds
            words_over(axes, place, t.label, said, ALARM if t.flag == "worse" else INK)
        _middle(axes, middle)
        axes.set_xlim(_start([min(t.low, t.adjusted_low or 1.0) for t in rows]), 1.0)
        shares(axes.xaxis)
        lines_at(axes)
        _key(figure, axes, 2)
        return svg(figure, says)


def _names(axes: Axes, rows: Sequence[Team]) -> None:
    """The codes of teams beside their dots, each where it hides no dot and no other code, as far as there is room."""
    to_points = 72 / axes.figure.dpi
    dots = [(t.of, y) for t in rows for y in (t.rate, t.adjusted) if y is not None]
    taken = [(x - 3, y - 3, x + 3, y + 3) for x, y in axes.transData.transform(dots) * to_points]
    for t in sorted(rows, key=lambda t: t.of):
        dot = (t.of, t.adjusted if t.adjusted is not None else t.rate)
        name = short(t.code, 12)
        x, y = axes.transData.transform(dot) * to_points
        boxes = []
        for up in (-3, 4, -10, 12, -18, 20):
            for right in (5, -5 - 5 * len(name)):
                boxes.append((x + right, y + up, x + right + 5 * len(name), y + up + 7))
        free = (b for b in boxes if all(b[0] > o[2] or b[2] < o[0] or b[1] > o[3] or b[3] < o[1] for o in taken))
        box = next(free, boxes[0])
        taken.append(box)
        axes.annotate(name, dot, xytext=(box[0] - x, box[1] - y), textcoords="offset points", fontsize=7.5)


def funnel_plot(rows: Sequence[Team], middle: float, deff: float, says: str) -> str:
    """Take against buds read, with the limits that 95 and 99.8 of 100 alike teams would keep within, lots differing."""
    sizes = np.linspace(max(50, min(t.of for t in rows) * 0.5), max(t.of for t in rows) * 1.08, 200)
    with mpl.rc_context(STYLE | {"axes.spines.left": True, "ytick.major.size": 2}):
        figure = Figure(figsize=(WIDTH, 2.7))
        axes = figure.add_axes((0.45 / WIDTH, 0.4 / 2.7, 1 - 0.7 / WIDTH, 1 - 0.85 / 2.7))
        for quantile, style, label in ((1.959964, "-", tr("limits of 95 in 100")), (3.090232, _DASHES, tr("of 998 in 1,000"))):
            low, high = funnel(middle, sizes, deff, quantile)
            axes.plot(sizes, low, color=_THIN, linewidth=1, linestyle=style, label=label)
            axes.plot(sizes, high, color=_THIN, linewidth=1, linestyle=style)
        axes.axhline(middle, color=PEEL, linewidth=1)
        for t in rows:
            if t.adjusted is not None:
                axes.plot([t.of, t.of], [t.rate, t.adjusted], color=RULE, linewidth=0.8)
                axes.plot([t.of], [t.adjusted], "o", color=LEAF, markersize=5)
            axes.plot([t.of], [t.rate], "o", **OPEN)
        low, high = funnel(middle, sizes[20:], deff, 3.090232)
        rates = [t.rate for t in rows]
        axes.set_ylim(max(0.0, min(*rates, low[0]) - 0.02), min(1.0, max(*rates, high[0]) + 0.01))
        _names(axes, rows)
        axes.set_xlabel(tr("buds read"), fontsize=7.5)
        axes.tick_params(labelsize=7.5)
        counts(axes.xaxis)
        shares(axes.yaxis)
        axes.plot([], [], "o", color=LEAF, markersize=5, label=tr("with the whole mix"))
        axes.plot([], [], "o", **OPEN, label=tr("as it is"))
        _key(figure, axes, 2)
        return svg(figure, says)
