"""Where plants are lost: what is left after each stage and at each age, and the causes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import matplotlib as mpl
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from formpack.words import number, percent, tr
from pipeline.report.charts.base import BAND, INK, LEAF, SHADES, STYLE, WIDTH, svg
from pipeline.report.charts.rows import BAR, counts, line_of, lines_at, places, rows_of, shares, words_over
from pipeline.report.figures import Cause, Point, Step

_PALE = "#e6d3ae"
_HATCHES = ("", "", "", "", "////", "....", "xxxx")
"""Beside `SHADES`, so that the later stages differ from the earlier in grey too."""


def ladder(steps: Sequence[Step], words: Mapping[str, str], says: str) -> str:
    """How much of what was lifted is left after each stage, with what each stage cost."""
    with mpl.rc_context(STYLE):
        figure, axes = rows_of(len(steps))
        before = 1.0
        for place, step in zip(places(len(steps)), steps, strict=True):
            level = line_of(place)
            axes.barh(level, before, height=BAR, color=_PALE)
            axes.barh(level, step.survival, height=BAR, color=LEAF)
            words_over(axes, place, tr(words[step.stage]), percent(step.survival))
            before = step.survival
        axes.set_xlim(0, 1.0)
        shares(axes.xaxis)
        return svg(figure, says)


def causes(rows: Sequence[Cause], words: Mapping[str, str], says: str) -> str:
    """Plants lost by cause, each bar parted by the stage the plants were in."""
    stages = [s for s in list(words)[:7] if any(s == stage for cause in rows for stage, _ in cause.by_stage)]
    looks: dict[str, Any] = {s: {"facecolor": SHADES[i], "hatch": _HATCHES[i]} for i, s in enumerate(list(words)[:7])}
    with mpl.rc_context(STYLE | {"hatch.linewidth": 0.5, "hatch.color": INK}):
        figure, axes = rows_of(len(rows), over=0.6)
        for place, cause in zip(places(len(rows)), rows, strict=True):
            start, by_stage = 0, dict(cause.by_stage)
            for stage in stages:
                lost = by_stage.get(stage, 0)
                axes.barh(line_of(place), lost, left=start, height=BAR, **looks[stage])
                start += lost
            words_over(axes, place, cause.label, number(cause.lost))
        axes.set_xlim(0, max(1, *(c.lost for c in rows)) * 1.02)
        counts(axes.xaxis)
        lines_at(axes)
        key = [Patch(**looks[s], label=tr(words[s])) for s in stages]
        figure.legend(handles=key, loc="upper left", ncols=3, fontsize=7.5, frameon=False, columnspacing=1, handlelength=1.4)
        return svg(figure, says)


def curve(points: Sequence[Point], head: str, says: str) -> str:
    """How many of a hundred plants are left by age, with the 95 % band."""
    with mpl.rc_context(STYLE | {"axes.spines.left": True, "ytick.major.size": 2}):
        figure = Figure(figsize=(WIDTH, 1.9))
        axes = figure.add_axes((0.45 / WIDTH, 0.4 / 1.9, 1 - 0.65 / WIDTH, 1 - 0.5 / 1.9))
        days = [0, *(p.day for p in points)]
        if all(p.low is not None for p in points):
            low, high = [1.0, *(p.low or 0 for p in points)], [1.0, *(p.high or 0 for p in points)]
            axes.fill_between(days, low, high, **BAND, alpha=0.25)
        axes.step(days, [1.0, *(p.survival for p in points)], where="post", color=LEAF, linewidth=1.4)
        axes.set_ylim(max(0.0, min([p.low or p.survival for p in points], default=0) - 0.05), 1.01)
        axes.set_xlabel(head, fontsize=7.5)
        axes.tick_params(labelsize=7.5)
        shares(axes.yaxis)
        counts(axes.xaxis)
        lines_at(axes, "y")
        axes.set_axisbelow(True)
        return svg(figure, says)
