"""Charts of the report as SVG text, drawn by matplotlib, quiet enough to print in black and white."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from typing import Any

import matplotlib as mpl
import matplotlib.dates
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from pipeline.formulas.comparison import funnel
from pipeline.report.charts.base import ALARM, ASIDE, BAND, DOUBTFUL, INK, LEAF, OPEN, PEEL, RULE, SHADES, STYLE, short, svg
from pipeline.report.figures import Cause, Point, Share, Step, Team
from pipeline.report.stock import Course, Standing


def _axes(rows: int, row_height: float = 0.235) -> tuple[Figure, Axes]:
    figure = Figure(figsize=(7.1, 0.55 + row_height * max(1, rows)), layout="constrained")
    return figure, figure.add_subplot()


def _beside(axes: Axes, place: float, text: str, color: str = ASIDE) -> None:
    """A small text to the right of the drawing, level with a place of its scale."""
    axes.annotate(text, (1.01, place), xycoords=("axes fraction", "data"), va="center", fontsize=7.5, color=color)


MOST_ROWS = 26
"""Rows of one drawing: more would not fit a page of paper under its heading."""


def intervals(shares: Sequence[Share], middle: float | None, says: str) -> str:
    """Rates as dots on their 95 % intervals, the number read at the right; a line where the whole nursery stands.

    Many rows become several drawings on one scale.
    """
    least = min([s.low for s in shares], default=0.0)
    start = max(0.0, int(least * 10 - 0.5) / 10)
    parts = [shares[i : i + MOST_ROWS] for i in range(0, len(shares), MOST_ROWS)]
    return "".join(_intervals(part, middle, start, says) for part in parts)


def _intervals(shares: Sequence[Share], middle: float | None, start: float, says: str) -> str:
    with mpl.rc_context(STYLE):
        figure, axes = _axes(len(shares))
        places = range(len(shares), 0, -1)
        for place, s in zip(places, shares, strict=True):
            axes.plot([s.low, s.high], [place, place], color=LEAF, linewidth=2.2, solid_capstyle="round")
            axes.plot([s.rate], [place], "o", color=LEAF, markersize=5)
            _beside(axes, place, f"{s.count:,} of {s.of:,}")
        if middle is not None:
            axes.axvline(middle, color=PEEL, linewidth=1, linestyle=(0, (4, 3)))
        axes.set_yticks(list(places), [short(s.label) for s in shares])
        axes.set_ylim(0.3, len(shares) + 0.7)
        axes.set_xlim(start, 1.0)
        axes.xaxis.set_major_locator(mpl.ticker.MultipleLocator(0.05 if start >= 0.6 else 0.1))
        axes.xaxis.set_major_formatter(mpl.ticker.PercentFormatter(1.0, decimals=0))
        axes.grid(axis="x", color=RULE, linewidth=0.5)
        axes.set_axisbelow(True)
        return svg(figure, says)


def teams(rows: Sequence[Team], middle: float | None, says: str) -> str:
    """Each team twice: its take as it is (open) and as it would be with the whole mix (full), on their 95 % intervals."""
    start = max(0.0, int(min([min(t.low, t.adjusted_low or 1.0) for t in rows], default=0.0) * 10 - 0.5) / 10)
    with mpl.rc_context(STYLE):
        figure, axes = _axes(len(rows), 0.4)
        places = list(range(len(rows), 0, -1))
        for place, t in zip(places, rows, strict=True):
            first, above, below = place == places[0], place + 0.17, place - 0.17
            axes.plot([t.low, t.high], [below, below], color="#a9b5ab", linewidth=1.6, solid_capstyle="round")
            axes.plot([t.rate], [below], "o", **OPEN, label="as it is" if first else None)
            if t.adjusted is not None and t.adjusted_low is not None and t.adjusted_high is not None:
                fair = [t.adjusted_low, t.adjusted_high]
                axes.plot(fair, [above, above], color=LEAF, linewidth=2.2, solid_capstyle="round")
                axes.plot([t.adjusted], [above], "o", color=LEAF, markersize=5, label="with the whole mix" if first else None)
            said = f"{t.of:,} buds" + (f", {t.flag}" if t.flag else "")
            _beside(axes, place, said, ALARM if t.flag == "worse" else ASIDE)
        if middle is not None:
            axes.axvline(middle, color=PEEL, linewidth=1, linestyle=(0, (4, 3)))
        axes.set_yticks(places, [short(t.label) for t in rows])
        axes.set_ylim(0.4, len(rows) + 0.6)
        axes.set_xlim(start, 1.0)
        axes.xaxis.set_major_formatter(mpl.ticker.PercentFormatter(1.0, decimals=0))
        axes.grid(axis="x", color=RULE, linewidth=0.5)
        axes.set_axisbelow(True)
        figure.legend(fontsize=7, frameon=False, loc="outside upper left", ncols=2)
        return svg(figure, says)


def funnel_plot(rows: Sequence[Team], middle: float, deff: float, says: str) -> str:
    """Take against buds read, with the limits that 95 and 99.8 of 100 alike teams would keep within, lots differing."""
    most = max(t.of for t in rows)
    sizes = np.linspace(max(50, min(t.of for t in rows) * 0.5), most * 1.08, 200)
    with mpl.rc_context(STYLE | {"axes.spines.left": True, "ytick.major.size": 3}):
        figure = Figure(figsize=(7.1, 3.0), layout="constrained")
        axes = figure.add_subplot()
        for quantile, style, label in ((1.959964, "-", "95 of 100"), (3.090232, (0, (4, 3)), "998 of 1,000")):
            low, high = funnel(middle, sizes, deff, quantile)
            axes.plot(sizes, low, color="#8b978e", linewidth=1, linestyle=style, label=f"{label} alike teams within")
            axes.plot(sizes, high, color="#8b978e", linewidth=1, linestyle=style)
        axes.axhline(middle, color=PEEL, linewidth=1)
        for i, t in enumerate(sorted(rows, key=lambda t: t.of)):
            if t.adjusted is not None:
                axes.plot([t.of, t.of], [t.rate, t.adjusted], color=RULE, linewidth=0.8)
                axes.plot([t.of], [t.adjusted], "o", color=LEAF, markersize=5, label=None if i else "with the whole mix")
            axes.plot([t.of], [t.rate], "o", **OPEN, label=None if i else "as it is")
            dot, away = (t.of, t.adjusted if t.adjusted is not None else t.rate), (5, (3, -9, 10)[i % 3])
            axes.annotate(short(t.code), dot, xytext=away, textcoords="offset points", fontsize=7.5)
        low, high = funnel(middle, sizes[20:], deff, 3.090232)
        rates = [t.rate for t in rows]
        axes.set_ylim(max(0.0, min(*rates, low[0]) - 0.02), min(1.0, max(*rates, high[0]) + 0.01))
        axes.set_xlabel("buds read")
        axes.set_ylabel("take")
        axes.xaxis.set_major_formatter(mpl.ticker.StrMethodFormatter("{x:,.0f}"))
        axes.yaxis.set_major_locator(mpl.ticker.MaxNLocator(6, steps=[1, 2, 5, 10]))
        axes.yaxis.set_major_formatter(mpl.ticker.PercentFormatter(1.0, decimals=0))
        figure.legend(fontsize=7, frameon=False, loc="outside upper left", ncols=4)
        return svg(figure, says)


def curve(points: Sequence[Point], head: str, says: str) -> str:
    """How many of a hundred plants are left by age, with the 95 % band."""
    with mpl.rc_context(STYLE | {"axes.spines.left": True, "ytick.major.size": 3}):
        figure = Figure(figsize=(7.1, 2.3), layout="constrained")
        axes = figure.add_subplot()
        days = [0, *(p.day for p in points)]
        if all(p.low is not None for p in points):
            low, high = [1.0, *(p.low or 0 for p in points)], [1.0, *(p.high or 0 for p in points)]
            axes.fill_between(days, low, high, **BAND, alpha=0.25)
        axes.step(days, [1.0, *(p.survival for p in points)], where="post", color=LEAF, linewidth=1.4)
        axes.set_ylim(max(0.0, min([p.low or p.survival for p in points], default=0) - 0.05), 1.01)
        axes.set_xlabel(head)
        axes.yaxis.set_major_locator(mpl.ticker.MaxNLocator(6, steps=[1, 2, 5, 10]))
        axes.yaxis.set_major_formatter(mpl.ticker.PercentFormatter(1.0, decimals=0))
        axes.grid(axis="y", color=RULE, linewidth=0.5)
        axes.set_axisbelow(True)
        return svg(figure, says)


def bars(standing: Sequence[Standing], says: str) -> str:
    """Plants that stand, with the whisker of what they may be."""
    with mpl.rc_context(STYLE):
        figure, axes = _axes(len(standing), 0.28)
        places = list(range(len(standing), 0, -1))
        most = max([s.high for s in standing], default=1)
        for place, s in zip(places, standing, strict=True):
            axes.barh(place, s.estimate, height=0.62, color=LEAF)
            axes.plot([s.low, s.high], [place, place], color=INK, linewidth=1)
            axes.text(s.high + most * 0.012, place, f"{s.estimate:,}", va="center", fontsize=8)
        axes.set_yticks(places, [short(s.label) for s in standing])
        axes.set_xlim(0, most * 1.12)
        axes.set_xlabel("plants")
        axes.set_ylim(0.4, len(standing) + 0.6)
        axes.xaxis.set_major_formatter(mpl.ticker.StrMethodFormatter("{x:,.0f}"))
        axes.grid(axis="x", color=RULE, linewidth=0.5)
        axes.set_axisbelow(True)
        return svg(figure, says)


def _day(on: dt.date) -> float:
    return float(mpl.dates.date2num(on))  # type: ignore[no-untyped-call]


def course(c: Course) -> str:
    """A group over time: the book as steps, what is believed as a band, counts as dots, a doubtful one as an open cross.

    A count that is far off is drawn at the edge, with its number, so that the rest can be seen.
    """
    with mpl.rc_context(STYLE | {"axes.spines.left": True, "ytick.major.size": 3}):
        figure = Figure(figsize=(7.1, 2.3), layout="constrained")
        axes = figure.add_subplot()
        days = [_day(on) for on, _, _, _ in c.believed]
        stands, low, high = [n for _, n, _, _ in c.believed], [n for _, _, n, _ in c.believed], [n for _, _, _, n in c.believed]
        turns, book = [_day(d) for d, _ in c.book], [n for _, n in c.book]
        axes.step(turns, book, where="post", color=PEEL, linewidth=1.1, label="the book, with every recorded change")
        axes.fill_between(days, low, high, **BAND, alpha=0.28, label="believed to stand, 95 %")
        axes.step(days, stands, where="post", color=LEAF, linewidth=1)
        inside = [*book, *low, *high]
        least, most = min(inside), max(inside)
        room = max(5, (most - least) * 0.15)
        axes.set_ylim(least - room, most + room)
        good = [n for n in c.counts if not n.flagged]
        axes.plot([_day(n.on) for n in good], [n.counted for n in good], "o", color=INK, markersize=3.5, label="counted")
        for i, n in enumerate(n for n in c.counts if n.flagged):
            at = min(max(n.counted, least - 0.6 * room), most + 0.6 * room)
            axes.plot([_day(n.on)], [at], "X", **DOUBTFUL, label=None if i else "counted, and doubtful")
            said = f"{n.counted:,}" + ("" if at == n.counted else " (off the scale)")
            left: Any = {"xytext": (-7, 0), "textcoords": "offset points", "ha": "right", "va": "center"}
            axes.annotate(said, (_day(n.on), at), **left, fontsize=8, color=ALARM)
        axes.yaxis.set_major_formatter(mpl.ticker.StrMethodFormatter("{x:,.0f}"))
        locator = mpl.dates.AutoDateLocator(minticks=3, maxticks=8)  # type: ignore[no-untyped-call]
        axes.xaxis.set_major_locator(locator)
        axes.xaxis.set_major_formatter(mpl.dates.ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]
        axes.grid(axis="y", color=RULE, linewidth=0.5)
        axes.set_axisbelow(True)
        axes.set_ylabel("plants")
        figure.legend(fontsize=7, frameon=False, loc="outside upper left", ncols=4)
        return svg(figure, c.says)


def ladder(steps: Sequence[Step], words: dict[str, str], says: str) -> str:
    """How much of what was lifted is left after each stage, with what each stage cost."""
    with mpl.rc_context(STYLE):
        figure, axes = _axes(len(steps) + 1, 0.28)
        before = 1.0
        labels = []
        for position, step in enumerate(steps):
            place = len(steps) - position
            axes.barh(place, before, height=0.62, color="#e6d3ae")
            axes.barh(place, step.survival, height=0.62, color=LEAF)
            axes.text(1.01, place, f"{step.survival:.1%}", va="center", fontsize=8)
            labels.append(words[step.stage])
            before = step.survival
        axes.set_yticks(list(range(len(steps), 0, -1)), labels)
        axes.set_xlim(0, 1.0)
        axes.set_ylim(0.4, len(steps) + 0.6)
        axes.xaxis.set_major_formatter(mpl.ticker.PercentFormatter(1.0, decimals=0))
        axes.set_axisbelow(True)
        return svg(figure, says)


def causes(rows: Iterable[Cause], words: dict[str, str], says: str) -> str:
    """Plants lost by cause, each bar parted by the stage the plants were in."""
    with mpl.rc_context(STYLE):
        rows = list(rows)
        figure, axes = _axes(len(rows) + 1, 0.27)
        stages = list(words)[:7]
        seen: set[str] = set()
        for place, cause in zip(range(len(rows), 0, -1), rows, strict=True):
            start = 0
            by_stage = dict(cause.by_stage)
            for stage, shade in zip(stages, SHADES, strict=True):
                lost = by_stage.get(stage, 0)
                if lost:
                    label = words[stage] if stage not in seen else None
                    seen.add(stage)
                    axes.barh(place, lost, left=start, height=0.64, color=shade, label=label)
                    start += lost
            axes.annotate(f" {cause.lost:,}", (start, place), va="center", fontsize=8)
        axes.set_xlabel("plants lost")
        axes.set_yticks(list(range(len(rows), 0, -1)), [short(c.label) for c in rows])
        axes.set_ylim(0.4, len(rows) + 0.6)
        axes.xaxis.set_major_formatter(mpl.ticker.StrMethodFormatter("{x:,.0f}"))
        axes.grid(axis="x", color=RULE, linewidth=0.5)
        axes.set_axisbelow(True)
        handles, labels = axes.get_legend_handles_labels()
        order = sorted(range(len(labels)), key=lambda i: [words[s] for s in stages].index(labels[i]))
        shown = [handles[i] for i in order], [labels[i] for i in order]
        axes.legend(*shown, loc="lower right", fontsize=7.5, frameon=False, title="lost while", title_fontsize=7.5)
        return svg(figure, says)
