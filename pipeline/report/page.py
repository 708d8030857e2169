"""Figures -> the page: one self-contained HTML file, for the screen and for A4, with nothing to run in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from formpack import words
from pipeline.harmless import lines
from pipeline.report import charts
from pipeline.report.blocks import Cell, Chapter
from pipeline.report.figures import STEP_WORDS, Figures
from pipeline.report.stock import STAGE_WORDS


def _number(value: float | int | None) -> str:
    return "" if value is None else f"{value:,}"


def _percent(value: float | None) -> str:
    return "" if value is None else f"{value:.1%}"


def _shown(value: Any) -> Any:
    """What people wrote, without what would turn the direction of reading or is no text at all."""
    return lines(value) if type(value) is str else value


def _drawn(f: Figures) -> dict[str, str | list[str]]:
    """The drawings by name; one of nothing is an empty text."""
    middle = f.take.rate if f.take else None
    drawn: dict[str, str | list[str]] = dict.fromkeys("stages ladder causes teams funnel opening budding".split(), "")
    if f.stock.by_stage:
        stages = [replace(s, label=STAGE_WORDS[s.label]) for s in f.stock.by_stage]
        drawn["stages"] = charts.bars(stages, "Plants standing by stage; the numbers are in the table below.")
    drawn["courses"] = [charts.course(c) for c in f.courses]
    if f.steps:
        drawn["ladder"] = charts.ladder(f.steps, STEP_WORDS, "Share of lifted seedlings left after each stage.")
    if f.causes:
        drawn["causes"] = charts.causes(f.causes, STAGE_WORDS, "Plants lost by cause and stage.")
    if f.teams:
        says = "Take by team, as it is and with the whole mix, with 95 percent intervals."
        drawn["teams"] = charts.teams(f.teams, middle, says)
    if f.teams and middle is not None:
        says = "Take of each team against the buds read, with the limits within which alike teams lie."
        drawn["funnel"] = charts.funnel_plot(f.teams, middle, f.deff, says)
    if f.from_opening:
        says = "Share of plants left by days from opening."
        drawn["opening"] = charts.curve(f.from_opening, "days from opening", says)
    if f.from_budding:
        says = "Share of plants left by days from budding."
        drawn["budding"] = charts.curve(f.from_budding, "days from budding", says)
    drawn["rootstocks"] = charts.intervals(f.by_rootstock, middle, "Take by rootstock with 95 percent intervals.")
    drawn["pairs"] = charts.intervals(f.by_pair, middle, "Take by combination with 95 percent intervals.")
    drawn["months"] = charts.intervals(f.by_month, middle, "Take by month of budding with 95 percent intervals.")
    return drawn


def said(value: Any, kind: str) -> str:
    """A value as its column shows it; '' for nothing."""
    if value is None or value == "":
        return ""
    if isinstance(value, str):
        return words.unpacked(value)
    if kind == "share":
        return words.percent(value)
    if kind == "points":
        return ("+" if value > 0 else "") + words.number(100 * value, 1)
    if kind in ("decimal", "money"):
        return words.number(value, 1 if kind == "decimal" else 0)
    if kind == "day":
        return words.short_day(value)
    if kind == "month":
        return words.short_month(value)
    return words.number(value)


def page_html(figures: Figures, chapters: Sequence[Chapter] = ()) -> str:
    """The whole page."""
    environment = Environment(
        loader=PackageLoader("pipeline.report", "."),
        autoescape=True,
        finalize=_shown,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals |= {
        "said": said,
        "kind_of": lambda block: type(block).__name__,
        "is_cell": lambda value: isinstance(value, Cell),
    }
    environment.filters |= {"n": _number, "pc": _percent, "r": lambda v: "" if v is None else f"{v:.2f}"}
    return environment.get_template("page.html").render(
        f=figures, charts=_drawn(figures), stage_words=STAGE_WORDS, chapters=chapters
    )
