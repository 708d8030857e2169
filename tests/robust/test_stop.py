"""Ctrl-C is one plain sentence, and the books are as they were."""

from __future__ import annotations

import gc
import os
import random
import signal
from pathlib import Path
from typing import Any

import pytest

from pipeline import run
from pipeline.workspace import Workspace
from tests.cli.test_cli import formpack
from tests.robust.books import books_in, broken, nursery, tables_in
from tests.robust.points import watch
from tests.robust.stop_child import command, ended

STOPPED = "Stopped; the books are as they were before.\n"


def half_a_nursery(folder: Path) -> Workspace:
    """Two of five files are taken in."""
    workspace = nursery(folder)
    run.import_files(workspace, sorted(workspace.inbox.iterdir())[:2], show=run.EVERYTHING)
    return workspace


def points_of(patch: pytest.MonkeyPatch, *words: str, cwd: Path, code: int | None = 0) -> list[str]:
    """The points that a command comes to."""
    found: list[str] = []
    with patch.context() as patched:
        watch(lambda point, _: found.append(point), patched.setattr)
        formpack(*words, cwd=cwd, code=code)
    return found


def stop(patch: pytest.MonkeyPatch, at: str, *words: str, cwd: Path) -> str:
    """What a command says that is stopped at a point."""

    def reach(point: str, _: Any) -> None:
        if point == at:
            raise KeyboardInterrupt

    with patch.context() as patched:
        watch(reach, patched.setattr)
        said = formpack(*words, cwd=cwd, code=2)
    gc.collect()  # a process that is stopped between opening a store and using it ends; here its connection has to be let go
    return said


def chosen(points: list[str], seed: int) -> list[str]:
    """The points before the work is done; a few of them every day."""
    before = points[: points.index(max(p for p in points if p.startswith("after commit")))]
    return before if os.environ.get("CI") else random.Random(seed).sample(before, 3)


def test_an_import_is_stopped_at_any_point(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    half_a_nursery(tmp_path / "whole")
    points = points_of(monkeypatch, "import", cwd=tmp_path / "whole")
    assert {"before files 1", "after block 1", "before stage states", "before commit 2"} <= set(points)
    workspace = half_a_nursery(tmp_path / "stopped")
    before = books_in(workspace.folder)
    for point in sorted(chosen(points, 1), key=points.index):
        assert stop(monkeypatch, point, "import", cwd=workspace.folder) == STOPPED, point
        if points.index(point) <= points.index("before commit 1"):
            assert books_in(workspace.folder) == before, point
        else:  # the bytes are kept by now, and nothing else
            after = books_in(workspace.folder)
            assert len(after.pop("files")) == 5
            assert after == {name: rows for name, rows in before.items() if name != "files"}, point
    formpack("import", cwd=workspace.folder)
    for folder in (workspace.folder, tmp_path / "whole"):
        formpack("check", cwd=folder)
    assert tables_in(workspace.folder) == tables_in(tmp_path / "whole")


def test_a_first_import_is_stopped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    workspace = nursery(tmp_path)
    for point in ("before link", "after link", "before schema", "before layout", "after layout", "before files 1"):
        assert stop(monkeypatch, point, "import", cwd=workspace.folder) == STOPPED, point
        assert tables_in(workspace.folder) == {} or set(tables_in(workspace.folder)) == {"last states"}
        assert not list(workspace.folder.glob(".new-*"))
    formpack("import", cwd=workspace.folder)
    formpack("check", cwd=workspace.folder)


@pytest.mark.parametrize("words", [["rebuild"], ["due"]])
def test_what_brings_up_is_stopped(words: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A bring-up, and a rebuilding, are one transaction: the tables never stand half made."""
    workspace = half_a_nursery(tmp_path)
    before = books_in(workspace.folder)
    list_of = workspace.lists / "locations.csv"
    list_of.write_text(list_of.read_text(encoding="utf-8").replace("House 1", "House One"), encoding="utf-8")
    ends = ["after stage list_locations", "before commit 1"] + (["before drop", "after drop"] if words == ["rebuild"] else [])
    for point in ends:
        assert stop(monkeypatch, point, *words, cwd=workspace.folder) == STOPPED, point
        assert books_in(workspace.folder) == before, point
    formpack(*words, cwd=workspace.folder)
    assert broken(workspace.folder) == [] and books_in(workspace.folder) != before


def test_decisions_are_stopped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Decisions and what comes of them are one transaction: none is in the books that was not said to be."""
    import openpyxl

    from pipeline.office.problem_list import SHEET

    workspace = nursery(tmp_path)
    bad = sorted(workspace.inbox.iterdir())[-1]
    bad.write_text(bad.read_text(encoding="utf-8").replace("<green>44", "<green>9944"), encoding="utf-8")
    formpack("import", cwd=workspace.folder, code=None)
    formpack("problems", "--to", "list.xlsx", cwd=workspace.folder, code=None)
    book = openpyxl.load_workbook(workspace.folder / "list.xlsx")
    head = [cell.value for cell in book[SHEET][1]]
    for column, text in (("decision", "withdraw"), ("reason", "a test")):
        book[SHEET].cell(2, head.index(column) + 1, text)
    book.save(workspace.folder / "list.xlsx")
    staff = next(iter(workspace.read_list("staff")))["code"]
    before = books_in(workspace.folder)
    words = ("correct", "list.xlsx", "--by", staff)
    for point in ("before stage withdrawn", "after stage states", "before commit 1"):
        assert stop(monkeypatch, point, *words, cwd=workspace.folder) == STOPPED, point
        assert books_in(workspace.folder) == before, point
    formpack(*words, cwd=workspace.folder, code=None)
    assert len(books_in(workspace.folder)["corrections"]) == 1
    formpack("check", cwd=workspace.folder)


@pytest.mark.parametrize(("point", "how"), [("before stage states", "wait"), ("before commit 2", "query")])
def test_a_real_signal(point: str, how: str, tmp_path: Path) -> None:
    """As a person does it, between two queries and in the middle of one: no traceback."""
    workspace = half_a_nursery(tmp_path)
    before = tables_in(workspace.folder)
    with command(point, how, "import", cwd=workspace.folder) as child:
        if how == "wait":
            child.send_signal(signal.SIGINT)
        assert ended(child) == (2, "", STOPPED)
    assert tables_in(workspace.folder) == before
    formpack("check", cwd=workspace.folder)
