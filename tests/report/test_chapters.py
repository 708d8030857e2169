"""Every chapter, of a nursery with nothing in it, with one group, and with some of everything, says whole things."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator, Sequence
from typing import Any
from xml.etree import ElementTree

import pytest

from formpack import words
from pipeline import run
from pipeline.report.blocks import Block, Cell, Chapter, Drawing, Fold, Head, Says, Table
from pipeline.report.chapters import gather_chapters
from pipeline.report.figures import gather
from pipeline.report.page import said
from pipeline.workspace import Workspace
from tests.book.test_reconcile import Bench
from tests.conftest import SAMPLES, looked_at, new_workspace

TYPES: dict[str, Any] = {
    "text": str,
    "code": str,
    "number": int,
    "decimal": (int, float),
    "share": (int, float),
    "points": (int, float),
    "money": (int, float),
    "day": dt.date,
    "month": dt.date,
}
WIDE = 270.0
"""Points of every drawing: 360 px."""


def chapters_of(workspace: Workspace) -> list[Chapter]:
    with looked_at(workspace) as store:
        return gather_chapters(store, workspace, gather(store, workspace))


def blocks_of(blocks: Sequence[Block]) -> Iterator[Block]:
    """All blocks, those that are folded away too."""
    for block in blocks:
        yield block
        if isinstance(block, Fold):
            yield from blocks_of(block.blocks)


def words_of(block: Block) -> Iterator[str]:
    """All that a block says in words."""
    if isinstance(block, Says | Head):
        yield block.text
    elif isinstance(block, Drawing):
        yield block.says
    elif isinstance(block, Fold):
        yield block.title
    else:
        yield block.caption
        for column in block.columns:
            yield from (text for text in (column.head, column.says) if text or text is column.head)
        for row in [*block.rows, *([block.total] if block.total else [])]:
            for value, column in zip(row, block.columns, strict=True):
                is_cell = isinstance(value, Cell)
                bare = value.value if is_cell else value
                assert bare is None or isinstance(bare, TYPES[column.kind]), (block.name, column.head, value)
                if shown := (value.text if is_cell and value.text else said(bare, column.kind)):
                    yield shown


def assert_drawn_whole(drawing: Drawing) -> None:
    """The drawing has its width, and its words lie within; a letter of the page's small print is half as wide as it is high."""
    tree = ElementTree.fromstring(re.sub("xlink:href", "href", drawing.svg))
    assert float(tree.attrib["viewBox"].split()[2]) == WIDE
    for text in tree.iter("{http://www.w3.org/2000/svg}text"):
        style = text.attrib.get("style", "")
        size = float(re.findall(r"([\d.]+)px", style)[0])
        wide, at = 0.5 * size * len(text.text or ""), float(text.attrib["x"])
        start = at - wide * (1 if "text-anchor: end" in style else 0.5 if "text-anchor: middle" in style else 0)
        assert start >= -1 and start + wide <= WIDE + 1, (text.text, start, start + wide)


def assert_whole(chapters: list[Chapter]) -> None:
    """Nothing is left unfilled or unformatted, and every table fits its columns."""
    names = []
    for chapter in chapters:
        assert chapter.title and chapter.blocks
        for block in blocks_of(chapter.blocks):
            for text in words_of(block):
                assert text.strip() and not re.search(r"[{}\x00-\x09\x1c-\x1f]|\bNone\b|\bnan\b", text), (chapter.name, text)
            if isinstance(block, Table):
                names.append(block.name)
                heads = [column.head for column in block.columns]
                assert len(set(heads)) == len(heads), heads
                assert block.rows and all(0 <= row < len(block.rows) for row in block.marked), block.name
            if isinstance(block, Drawing):
                assert_drawn_whole(block)
    assert len(set(names)) == len(names) and all(re.fullmatch(r"\w+", name) for name in names)
    assert len({chapter.name for chapter in chapters}) == len(chapters)


def text_of(chapters: list[Chapter], name: str) -> str:
    (found,) = (c for c in chapters if c.name == name)
    return " ".join(text for block in blocks_of(found.blocks) for text in words_of(block))


def test_a_nursery_with_nothing_in_it(workspace: Workspace) -> None:
    run.import_files(workspace, [])
    chapters = chapters_of(workspace)
    assert_whole(chapters)
    assert "No group has been opened yet." in text_of(chapters, "stands")
    assert [c.name for c in chapters] == "stands promises again next unseen lost take due look".split()


def test_one_group(workspace: Workspace) -> None:
    bench = Bench(workspace)
    bench.open(0, 1000)
    bench.counts(0, 999, 650, 998)
    bench.take_in(dt.date(2026, 8, 31))
    chapters = chapters_of(workspace)
    assert_whole(chapters)
    assert "1 earlier count was wrong, but later counts show what stands" in text_of(chapters, "again")
    (groups,) = (c for c in chapters if c.name == "groups")
    assert groups.says == "1 group" and len(groups.blocks) == 1


@pytest.mark.parametrize("language", ["en", "pt"])
def test_some_of_everything(language: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    workspace = new_workspace(tmp_path_factory.mktemp("some"))
    run.import_files(workspace, [SAMPLES / "failed_buds_are_set_aside_and_budded_again" / "inbox"])
    words.use(language)
    try:
        chapters = chapters_of(workspace)
        assert_whole(chapters)
        assert ("1,005" if language == "en" else "1.005") in text_of(chapters, "take")
    finally:
        words.use("en")
