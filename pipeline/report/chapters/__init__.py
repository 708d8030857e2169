"""The chapters of the report in their order, each a module with `chapter(store, workspace)`."""

from __future__ import annotations

from collections.abc import Callable

from pipeline.report.blocks import Chapter
from pipeline.report.chapters import bridge, money
from pipeline.store import Store
from pipeline.workspace import Workspace

CHAPTERS: tuple[Callable[[Store, Workspace], Chapter | None], ...] = (bridge.chapter, money.chapter)
"""A chapter that has nothing to say yet is None."""


def gather_chapters(store: Store, workspace: Workspace) -> list[Chapter]:
    return [found for made in CHAPTERS if (found := made(store, workspace))]
