"""What was done beside what became of it: rates on their intervals, each with what the like of it had in all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import matplotlib as mpl

from formpack.words import tr
from pipeline.report.charts.base import PEEL, STYLE, svg
from pipeline.report.charts.rows import dot_on_interval, in_parts, line_of, lines_at, places, rows_of, shares, words_over


@dataclass(frozen=True)
class Row:
    """Of what was done the outcome: `came` of `at_risk`, the rate with its 95 % interval, and the rate of the like of it."""

    label: str
    came: int
    at_risk: int
    rate: float
    low: float
    high: float
    expected: float


def beside(rows: Sequence[Row], says: str) -> list[str]:
    """Rates as dots on their 95 % intervals, and as a stroke what was to be expected. Many rows become several drawings on one
    scale."""
    low = min(min(r.low, r.expected) for r in rows)
    high = max(max(r.high, r.expected) for r in rows)
    room = 0.05 * (high - low)
    drawn = []
    with mpl.rc_context(STYLE):
        for part in in_parts(rows):
            figure, axes = rows_of(len(part))
            for place, r in zip(places(len(part)), part, strict=True):
                level = line_of(place)
                dot_on_interval(axes, level, r.low, r.rate, r.high)
                axes.plot([r.expected], [level], "|", color=PEEL, markersize=11, markeredgewidth=2, clip_on=False)
                words_over(axes, place, r.label, tr("{count} of {of}", count=r.came, of=r.at_risk))
            axes.set_xlim(max(0.0, low - room), min(1.0, high + room))
            shares(axes.xaxis)
            lines_at(axes)
            drawn.append(svg(figure, says))
    return drawn
