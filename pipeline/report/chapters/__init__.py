"""The chapters of the report in their order, each a module with `chapter`: of the figures, or of store and workspace."""

from __future__ import annotations

from pipeline.report.blocks import Chapter
from pipeline.report.chapters import again, ahead, bridge, due, groups, late, look, lost, money, notes, stands, take, unseen
from pipeline.report.chapters import next as next_round
from pipeline.report.figures import Figures
from pipeline.store import Store
from pipeline.workspace import Workspace


def gather_chapters(store: Store, workspace: Workspace, f: Figures) -> list[Chapter]:
    """All chapters that have something to say."""
    found = (
        stands.chapter(f),
        again.chapter(f),
        next_round.chapter(f),
        bridge.chapter(store, workspace),
        unseen.chapter(f),
        lost.chapter(f),
        take.chapter(f),
        late.chapter(f),
        ahead.chapter(f),
        money.chapter(store, workspace),
        due.chapter(f),
        look.chapter(f),
        notes.chapter(f),
        groups.chapter(f),
    )
    return [chapter for chapter in found if chapter]
