"""Figures -> the page: one self-contained HTML file, for the screen and for A4, with nothing to run in it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from formpack import words
from pipeline.harmless import lines
from pipeline.report.blocks import Cell, Chapter
from pipeline.report.figures import Figures


def _number(value: float | int | None) -> str:
    return "" if value is None else f"{value:,}"


def _percent(value: float | None) -> str:
    return "" if value is None else f"{value:.1%}"


def _shown(value: Any) -> Any:
    """What people wrote, without what would turn the direction of reading or is no text at all."""
    return lines(value) if type(value) is str else value


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


def page_html(figures: Figures, chapters: Sequence[Chapter]) -> str:
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
    environment.filters |= {"n": _number, "pc": _percent}
    return environment.get_template("page.html").render(f=figures, chapters=chapters)
