"""How buds take: rates on their intervals, teams as they are and with the whole mix."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from formpack.words import many, percent, tr
from pipeline.formulas.comparison import funnel
from pipeline.report.charts.base import ALARM, CLEAR, INK, LEAF, OPEN, PEEL, RULE, STYLE, WIDTH, Box, freest, short, svg, tell
from pipeline.report.charts.rows import (
    SIDE,
    counts,
    dot_on_interval,
    in_parts,
    line_of,
    lines_at,
    places,
    rows_of,
    shares,
    words_over,
)
from pipeline.report.figures import Share, Team, flag_words

_THIN, _DASHES = "#8b978e", (0, (4, 3))
_INNER, _OUTER = 1.959964, 3.090232
"""Of a normal variable, what 95 and 99.8 of 100 keep within."""


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
                dot_on_interval(axes, line_of(place), s.low, s.rate, s.high)
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
        figure, axes = rows_of(len(rows), 2, over=0.28)
        for place, t in zip(places(len(rows)), rows, strict=True):
            first, fair, plain = place == len(rows), line_of(place, 0, 2), line_of(place, 1, 2)
            if t.adjusted is not None and t.adjusted_low is not None and t.adjusted_high is not None:
                axes.plot([t.adjusted_low, t.adjusted_high], [fair, fair], color=LEAF, linewidth=2, solid_capstyle="round")
                whole = tr("with the whole mix") if first else None
                axes.plot([t.adjusted], [fair], "o", color=LEAF, markersize=5, clip_on=False, label=whole)
            axes.plot([t.low, t.high], [plain, plain], color="#a9b5ab", linewidth=1.4, solid_capstyle="round")
            axes.plot([t.rate], [plain], "o", **OPEN, clip_on=False, label=tr("as it is") if first else None)
            buds = many(t.of, "bud")
            said = tr("{buds}, {flag}", buds=buds, flag=flag_words(t.flag)) if t.flag else buds
            words_over(axes, place, t.label, said, ALARM if t.flag == "worse" else INK)
        _middle(axes, middle)
        axes.set_xlim(_start([min(t.low, t.adjusted_low or 1.0) for t in rows]), 1.0)
        shares(axes.xaxis)
        lines_at(axes)
        _key(figure, axes, 2)
        return svg(figure, says)


def _names(axes: Axes, rows: Sequence[Team], odd: Sequence[Team]) -> None:
    """The names of teams out of line beside their dots, each where it hides no dot and no other name, as far as there is
    room."""
    to_points = 72 / axes.figure.dpi
    dots = [(t.of, y) for t in rows for y in (t.rate, t.adjusted) if y is not None]
    points = [(x, y) for x, y in axes.transData.transform(dots) * to_points]
    points += [(x + right, y + up) for x, y in points for right in (-3, 3) for up in (-3, 3)]
    (left, _), (right, _) = axes.transAxes.transform([(0, 0), (1, 0)]) * to_points
    taken: list[Box] = []
    for t in odd:
        dot = (t.of, t.adjusted if t.adjusted is not None else t.rate)
        name = short(t.label, 24)
        x, y = axes.transData.transform(dot) * to_points
        wide = 4.2 * len(name)
        starts = [x + 6, x - 6 - wide, min(max(left, x - wide / 2), right - wide)]
        fit = [s for s in starts if left <= s and s + wide <= right] or starts[2:]
        box = freest([(s, y + up, s + wide, y + up + 8) for up in (-3, -13, 5, -22, 14) for s in fit], points, taken)
        taken.append(box)
        axes.annotate(
            name, dot, xytext=(box[0] - x, box[1] - y), textcoords="offset points", fontsize=7.5, color=ALARM, bbox=CLEAR
        )


def _out_of_line(rows: Sequence[Team], middle: float, deff: float) -> list[Team]:
    """Teams that are said to be better or worse, or whose take with the whole mix lies beyond the outer limits."""
    found = []
    for t in rows:
        low, high = funnel(middle, np.array([float(t.of)]), deff, _OUTER)
        is_beyond = t.adjusted is not None and not low[0] <= t.adjusted <= high[0]
        if t.flag in ("better", "worse") or is_beyond:
            found.append(t)
    return found


def funnel_plot(rows: Sequence[Team], middle: float, deff: float, says: str) -> str:
    """Take against buds read, with the limits that 95 and 99.8 of 100 alike teams would keep within, lots differing. The teams
    out of line are named; each dot tells its own."""
    sizes = np.linspace(max(50, min(t.of for t in rows) * 0.5), max(t.of for t in rows) * 1.08, 200)
    with mpl.rc_context(STYLE | {"axes.spines.left": True, "ytick.major.size": 2}):
        figure = Figure(figsize=(WIDTH, 2.7))
        axes = figure.add_axes((0.45 / WIDTH, 0.4 / 2.7, 1 - 0.7 / WIDTH, 1 - 0.85 / 2.7))
        limits = ((_INNER, "-", tr("95 in 100 alike teams")), (_OUTER, _DASHES, tr("nearly all alike teams")))
        for quantile, style, label in limits:
            low, high = funnel(middle, sizes, deff, quantile)
            axes.plot(sizes, low, color=_THIN, linewidth=1, linestyle=style, label=label)
            axes.plot(sizes, high, color=_THIN, linewidth=1, linestyle=style)
        axes.axhline(middle, color=PEEL, linewidth=1)
        for t in rows:
            if t.adjusted is not None:
                axes.plot([t.of, t.of], [t.rate, t.adjusted], color=RULE, linewidth=0.8)
                tell(axes.plot([t.of], [t.adjusted], "o", color=LEAF, markersize=5), f"{t.label}: {percent(t.adjusted)}")
            tell(axes.plot([t.of], [t.rate], "o", **OPEN), f"{t.label}: {percent(t.rate)}")
        low, high = funnel(middle, sizes[20:], deff, _OUTER)
        rates = [t.rate for t in rows]
        axes.set_ylim(max(0.0, min(*rates, low[0]) - 0.02), min(1.0, max(*rates, high[0]) + 0.01))
        _names(axes, rows, _out_of_line(rows, middle, deff))
        axes.set_xlabel(tr("buds read"), fontsize=7.5)
        axes.tick_params(labelsize=7.5)
        counts(axes.xaxis)
        shares(axes.yaxis)
        axes.plot([], [], "o", color=LEAF, markersize=5, label=tr("with the whole mix"))
        axes.plot([], [], "o", **OPEN, label=tr("as it is"))
        _key(figure, axes, 2)
        return svg(figure, says)
