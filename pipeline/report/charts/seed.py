"""How seed comes up: seedlings for each seed on their intervals."""

from __future__ import annotations

from collections.abc import Sequence

import matplotlib as mpl

from formpack.words import number
from pipeline.report.charts.base import PEEL, STYLE, svg
from pipeline.report.charts.rows import dot_on_interval, in_parts, line_of, lines_at, places, rows_of, words_over

Row = tuple[str, str, float, float, float]
"""Name, what is said at the right, and seedlings for each seed with the interval."""


def emergence(rows: Sequence[Row], says: str) -> list[str]:
    """Ratios as dots on their 95 % intervals; a dashed line where each seed gives one. Many rows become several drawings on one
    scale."""
    upto = max(1.0, *(high for *_, high in rows)) * 1.03
    drawn = []
    with mpl.rc_context(STYLE):
        for part in in_parts(rows):
            figure, axes = rows_of(len(part))
            axes.axvline(1, color=PEEL, linewidth=1, linestyle=(0, (4, 3)))
            for place, (name, said, rate, low, high) in zip(places(len(part)), part, strict=True):
                dot_on_interval(axes, line_of(place), low, rate, high)
                words_over(axes, place, name, said)
            axes.set_xlim(0, upto)
            axes.xaxis.set_major_locator(mpl.ticker.MaxNLocator(6, steps=[1, 2, 5, 10]))
            axes.xaxis.set_major_formatter(mpl.ticker.FuncFormatter(lambda value, _: number(value, 1)))
            lines_at(axes)
            drawn.append(svg(figure, says))
    return drawn
