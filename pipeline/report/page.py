"""Chapters -> the page: one self-contained HTML file for a wide screen, a phone and A4. It is whole without its script
(`page.js`), which sorts and finds in tables and tells the numbers of drawings."""

from __future__ import annotations

import base64
import datetime as dt
import hashlib
import re
from collections.abc import Iterator, Sequence
from functools import partial
from itertools import groupby
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from formpack import words
from formpack.words import tr
from pipeline.harmless import lines
from pipeline.report.blocks import Block, Cell, Chapter, Column, Drawing, Fold, Items, Pictures, Says, Table
from pipeline.report.charts.base import ALARM, ASIDE, INK, LEAF, PEEL, RULE

PALETTE = {
    "ink": INK,
    "soft": ASIDE,
    "rule": RULE,
    "leaf": LEAF,
    "peel": PEEL,
    "alarm": ALARM,
    "tint": "#f8ecd2",
    "paper": "#fdfcf8",
}
"""Colours of the page and its drawings. Text is ink, soft, leaf or alarm, on paper or tint; the others are lines."""
MOST_SHADE = 0.55
"""How much of leaf a cell of shade 1 has, so that ink stays readable on it."""
HEADS = ("text", "code", "day", "month")
"""Kinds of a first column that head rows."""
WORD, RANGE, SENTENCE = 12, 20, 40
"""Letters beyond which a cell gets the room of a name, and of a sentence, where the screen is narrow; words and ranges of
numbers are not broken."""
LONG = 15
"""Rows beyond which a table can be searched."""
KEPT = 18
"""Rows up to which a table stays on one sheet of paper."""
BESIDE = 66
"""Letters of a row that have room beside a drawing on a sheet of paper."""
_LETTERS = r"[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc]+"
_TURNED = re.compile(_LETTERS)
_RUN = re.compile(rf"({_LETTERS}(?:[\s.'’-]+{_LETTERS})*)|\b(\d\d-\d{{4}}-\d\d)\b")


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


def _flat(text: str) -> Markup:
    """A text inside an attribute or the title."""
    return escape(lines(text))


def _isolated(text: str) -> Markup:
    """A text as people read it: harmless; each run of letters that are read from right to left by itself, so that it turns
    nothing beside it round; codes of groups on one line."""
    plain, *parts = _RUN.split(lines(text))
    made = escape(plain)
    for turned, code, after in zip(parts[::3], parts[1::3], parts[2::3], strict=True):
        made += Markup("<bdi>{}</bdi>").format(turned) if turned else Markup('<span class="code">{}</span>').format(code)
        made += escape(after)
    return made


def _shown(value: Any) -> Any:
    return _isolated(value) if type(value) is str else value


def _in_style(text: str) -> str:
    """A text as a string of CSS, which could not end it or the style."""
    return '"' + re.sub(r"[^\w ,.]", lambda found: f"\\{ord(found[0]):x} ", lines(text)) + '"'


def _text(given: Any, column: Column) -> str:
    """What a cell shows."""
    cell = given if isinstance(given, Cell) else Cell(given)
    return cell.text or said(cell.value, column.kind)


def _long(table: Table) -> list[bool]:
    """Which columns hold sentences: they stand below the others where the screen is narrow."""
    return [
        c.kind == "text" and at > 0 and any(len(_text(row[at], c)) > SENTENCE for row in table.rows)
        for at, c in enumerate(table.columns)
    ]


def _is_kept(table: Table) -> bool:
    """Whether it stays on one sheet of paper, lines within its cells counted."""
    return (
        sum(1 + max(_text(given, c).count("\n") for given, c in zip(row, table.columns, strict=True)) for row in table.rows)
        <= KEPT
    )


def _is_slim(table: Table) -> bool:
    """Whether it has room beside a drawing on paper."""
    shown = zip(*([_text(given, c) for given, c in zip(row, table.columns, strict=True)] for row in table.rows), strict=True)
    heads = [max((len(word) for word in c.head.split()), default=0) for c in table.columns]
    letters = sum(2 + max(head, *(len(text) for text in texts)) for head, texts in zip(heads, shown, strict=False))
    return letters <= BESIDE


def _marks_say(table: Table) -> str:
    return table.mark_says or tr("out of line")


def _cell(given: Any, column: Column, is_head: bool, is_long: bool, mark: bool, marks_say: str) -> Markup:
    """One cell. The first one of a row heads it, where it is no number; `data-v` is what is sorted by."""
    cell = given if isinstance(given, Cell) else Cell(given)
    text = _text(given, column)
    is_words = column.kind in ("text", "code")
    inside = Markup("<bdi>{}</bdi>").format(escape(lines(text))) if is_words and _TURNED.search(text) else _isolated(text)
    if cell.href:
        inside = Markup('<a href="{}">{}</a>').format(cell.href, inside)
    if mark:
        inside = Markup('<span class="unseen">{}: </span>{}').format(_flat(marks_say), inside)
    is_word = text and len(text) <= (RANGE if text[0].isdigit() else WORD)
    of_words = "long" if is_long else "word" if is_word else "name" if text else ""
    kind = "code" if column.kind == "code" else of_words if is_words else "r"
    aside = " aside" if column.is_aside else ""
    made = Markup('<th scope="row"') if is_head and text and column.kind in HEADS else Markup("<td")
    if classes := f"{kind}{aside}{' mark' if cell.is_marked else ''}".strip():
        made += Markup(' class="{}"').format(classes)
    if cell.value is not None and not isinstance(cell.value, str):
        made += Markup(' data-v="{}"').format(cell.value)
    elif cell.value and (cell.text or mark):
        made += Markup(' data-v="{}"').format(_flat(said(cell.value, column.kind)))
    if cell.shade is not None:
        dark = round(100 * MOST_SHADE * min(1.0, max(0.0, cell.shade)))
        made += Markup(' style="background: color-mix(in srgb, var(--leaf) {}%, transparent)"').format(dark)
    return made + Markup(">{}</{}>").format(inside, made[1:3])


def _row(row: Sequence[Any], table: Table, long: Sequence[bool], is_marked: bool = False) -> Markup:
    says = _marks_say(table)
    made = Markup("")
    for at, (given, column) in enumerate(zip(row, table.columns, strict=True)):
        has_mark = (is_marked and not at) or (isinstance(given, Cell) and given.is_marked)
        made += _cell(given, column, not at, long[at], has_mark, says)
    return made


def _has_marks(table: Table) -> bool:
    return bool(table.marked) or any(isinstance(c, Cell) and c.is_marked for row in table.rows for c in row)


def _together(blocks: Sequence[Block]) -> Iterator[Block | list[Drawing]]:
    """The blocks, drawings that follow each other as a list: they stand side by side where there is room."""
    for is_drawn, found in groupby(blocks, lambda block: isinstance(block, Drawing)):
        if is_drawn:
            yield [block for block in found if isinstance(block, Drawing)]
        else:
            yield from found


def _heads_say(table: Table, told: set[tuple[str, str]]) -> list[tuple[str, str, bool]]:
    """What the heads of a table mean, with the heads that mean it, and whether a table before it has told that already."""
    found: dict[str, list[str]] = {}
    for column in table.columns:
        if column.says:
            found.setdefault(column.says, []).append(column.head)
    said = [(says, ", ".join(heads)) for says, heads in found.items()]
    again = [(*one, one in told) for one in said]
    told.update(said)
    return again


def _without_line(chapter: Chapter) -> Sequence[Block]:
    """The blocks of a chapter, but for the one that says again what stands beside its title."""
    if len(chapter.blocks) < 2:
        return chapter.blocks
    first, *rest = chapter.blocks
    return rest if isinstance(first, Says) and not first.href and first.text == chapter.says else chapter.blocks


def _around_list(blocks: Sequence[Block]) -> tuple[Sequence[Block], Sequence[Block]]:
    """The first screen before its list of what to do, and from it on."""
    at = next((at for at, block in enumerate(blocks) if isinstance(block, Items)), max(0, len(blocks) - 1))
    return blocks[:at], blocks[at:]


def _has_pictures(chapters: Sequence[Chapter]) -> bool:
    return any(p.data for c in chapters for b in c.blocks if isinstance(b, Pictures) for p in b.pictures)


def _is_short(fold: Fold) -> bool:
    """Whether it is a few sentences, that one sheet of paper should hold."""
    return all(isinstance(block, Says) for block in fold.blocks)


def page_html(name: str, day: dt.date, first: Chapter, chapters: Sequence[Chapter], about: str = "") -> str:
    """The whole page: what the nursery is called, of what day, the first screen, and the chapters, folded. A page `about` one
    thing (a group, say) is headed by it, and its chapters are open."""
    here = Path(__file__)
    script = here.with_suffix(".js").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    environment = Environment(
        loader=PackageLoader("pipeline.report", "."),
        autoescape=True,
        finalize=_shown,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals |= {
        "tr": tr,
        "row": _row,
        "has_marks": _has_marks,
        "heads_say": partial(_heads_say, told=set()),
        "marks_say": _marks_say,
        "long": _long,
        "is_kept": _is_kept,
        "is_slim": _is_slim,
        "without_line": _without_line,
        "is_short": _is_short,
        "together": _together,
        "kind_of": lambda block: type(block).__name__,
        "LONG": LONG,
    }
    environment.filters["flat"] = _flat
    return environment.get_template("page.html").render(
        language=words.current(),
        name=name,
        day=day,
        about=about,
        first=first,
        around=((), first.blocks) if about else _around_list(first.blocks),
        chapters=chapters,
        palette=PALETTE,
        sheet_head=Markup(_in_style(tr("{name}, {day}", name=name, day=day))),
        style=Markup(here.with_suffix(".css").read_text(encoding="utf-8")),
        script=Markup(script),
        allowed=Markup(
            f"default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-{digest}'; base-uri 'none'"
            + ("; img-src data:" if _has_pictures([first, *chapters]) else "")
        ),
    )
