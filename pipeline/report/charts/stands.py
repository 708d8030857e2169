"""What stands, as bars."""

from __future__ import annotations

from collections.abc import Sequence

import matplotlib as mpl

from formpack.words import number, tr
from pipeline.report.charts.base import INK, LEAF, STYLE, svg
from pipeline.report.charts.rows import BAR, counts, line_of, lines_at, places, rows_of, words_over
from pipeline.report.stock import Standing


def bars(standing: Sequence[Standing], says: str) -> str:
    """Plants that stand, with the whisker of what they may be."""
    with mpl.rc_context(STYLE):
        figure, axes = rows_of(len(standing))
        for place, s in zip(places(len(standing)), standing, strict=True):
            level = line_of(place)
            axes.barh(level, s.estimate, height=BAR, color=LEAF)
            axes.plot([s.low, s.high], [level, level], color=INK, linewidth=1, marker="|", markersize=5)
            span = tr("{n} ({low} to {high})", n=s.estimate, low=s.low, high=s.high)
            words_over(axes, place, s.label, span if s.low < s.high else number(s.estimate))
        axes.set_xlim(0, max(1, *(s.high for s in standing)) * 1.02)
        counts(axes.xaxis)
        lines_at(axes)
        return svg(figure, says)
