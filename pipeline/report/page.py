"""Figures -> the page: one self-contained HTML file, for the screen and for A4, with nothing to run in it."""

from __future__ import annotations

from dataclasses import replace

from jinja2 import Environment, PackageLoader, StrictUndefined

from pipeline.report import charts
from pipeline.report.figures import STEP_WORDS, Figures
from pipeline.report.stock import STAGE_WORDS


def _number(value: float | int | None) -> str:
    return "" if value is None else f"{value:,}"


def _percent(value: float | None) -> str:
    return "" if value is None else f"{value:.1%}"


def page_html(figures: Figures) -> str:
    """The whole page."""
    environment = Environment(
        loader=PackageLoader("pipeline.report", "."), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    environment.filters |= {"n": _number, "pc": _percent, "r": lambda v: "" if v is None else f"{v:.2f}"}
    middle = figures.take.rate if figures.take else None
    drawn = {
        "stages": charts.bars(
            [replace(s, label=STAGE_WORDS[s.label]) for s in figures.stock.by_stage],
            "Plants standing by stage; the numbers are in the table below.",
        ) if figures.stock.by_stage else "",
        "courses": [charts.course(c) for c in figures.courses],
        "ladder": charts.ladder(figures.steps, STEP_WORDS, "Share of lifted seedlings left after each stage.")
        if figures.steps else "",
        "causes": charts.causes(figures.causes, STAGE_WORDS, "Plants lost by cause and stage.") if figures.causes else "",
        "teams": charts.teams(figures.teams, middle, "Take by team, as it is and with the whole mix, with 95 percent intervals.")
        if figures.teams else "",
        "funnel": charts.funnel_plot(
            figures.teams, middle, figures.deff,
            "Take of each team against the buds read, with the limits within which alike teams lie.",
        ) if figures.teams and middle is not None else "",
        "opening": charts.curve(figures.from_opening, "days from opening", "Share of plants left by days from opening.")
        if figures.from_opening else "",
        "budding": charts.curve(figures.from_budding, "days from budding", "Share of plants left by days from budding.")
        if figures.from_budding else "",
        "rootstocks": charts.intervals(figures.by_rootstock, middle, "Take by rootstock with 95 percent intervals."),
        "pairs": charts.intervals(figures.by_pair, middle, "Take by combination with 95 percent intervals."),
        "months": charts.intervals(figures.by_month, middle, "Take by month of budding with 95 percent intervals."),
    }  # fmt: skip
    return environment.get_template("page.html").render(f=figures, charts=drawn, stage_words=STAGE_WORDS)
