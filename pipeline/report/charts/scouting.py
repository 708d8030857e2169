"""What scouting found, month by month: shares on their intervals, and upper limits where none was found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import matplotlib as mpl

from formpack.words import percent, tr
from pipeline.report.charts.base import ASIDE, STYLE, svg
from pipeline.report.charts.rows import dot_on_interval, in_parts, line_of, lines_at, places, rows_of, shares, words_over


@dataclass(frozen=True)
class Found:
    """A row: so many plants affected of those examined; `rate` and `low` are None where none was, and `high` the one limit."""

    label: str
    affected: int
    examined: int
    rate: float | None
    low: float | None
    high: float


def by_month(rows: Sequence[Found], says: str) -> list[str]:
    """Dots on their 95 % intervals; a thin line to the upper limit where none was found. Many rows become several drawings."""
    end = min(1.0, 1.05 * max(r.high for r in rows))
    drawn = []
    with mpl.rc_context(STYLE):
        for part in in_parts(rows):
            figure, axes = rows_of(len(part))
            for place, r in zip(places(len(part)), part, strict=True):
                level = line_of(place)
                if r.rate is None or r.low is None:
                    axes.plot([0, r.high], [level, level], color=ASIDE, linewidth=0.9, linestyle=(0, (2, 2)))
                    axes.plot([r.high], [level], "|", color=ASIDE, markersize=7)
                    said = tr("none of {n}: at most {limit}", n=r.examined, limit=percent(r.high))
                else:
                    dot_on_interval(axes, level, r.low, r.rate, r.high)
                    said = tr("{count} of {of}", count=r.affected, of=r.examined)
                words_over(axes, place, r.label, said)
            axes.set_xlim(0, end)
            shares(axes.xaxis)
            lines_at(axes)
            drawn.append(svg(figure, says))
    return drawn
