"""Any number of people look at once; who writes does it alone, and who must wait is told."""

from __future__ import annotations

import os
import subprocess
import time
from contextlib import ExitStack
from pathlib import Path

import pytest

from pipeline import run, store
from pipeline.findings import Refused
from pipeline.workspace import Workspace
from tests.cli.test_cli import formpack
from tests.robust.books import books_in, broken, nursery
from tests.robust.stop_child import command, ended

IN_USE = "Another command is using the store; wait until it ends and try again.\n"
LOOKING = (("due",), ("history", "uuid:00000000-0000-4000-8000-000000000001"))


@pytest.fixture
def fresh(tmp_path: Path) -> Workspace:
    """A nursery of which every table is made; in a folder whose name the program could take for a word of the system."""
    workspace = nursery(tmp_path / "block 3, do not lock")
    run.import_files(workspace, [workspace.inbox], show=run.EVERYTHING)
    return workspace


class Waiting:
    """A clock for the store that goes on only while somebody waits, and what happens after so many seconds of waiting."""

    def __init__(self, after: float = 1e9, then: subprocess.Popen[str] | None = None) -> None:
        self.now, self.after, self.then = 0.0, after, then

    def monotonic(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.now += seconds
        if self.now > self.after and self.then is not None:
            self.then.kill()
            self.then.wait()


def test_many_look_at_the_same_moment(fresh: Workspace) -> None:
    """Each has the store open while all the others have."""
    with ExitStack() as stack:
        children = [stack.enter_context(command("after opened", "wait", *words, cwd=fresh.folder)) for words in LOOKING * 2]
        for child in children:
            code, out, err = ended(child, "go on\n")
            assert (code, err) == (0, "") and out


def test_a_reader_is_told_that_an_import_is_at_work(fresh: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    """Within two seconds of waiting; a writer waits for five. What waits goes on when the store is let go."""
    with command("before commit 1", "wait", "import", cwd=fresh.folder) as importing:
        for words, seconds in ((LOOKING[0], 2), (LOOKING[1], 2), (("import",), 6)):
            monkeypatch.setattr(store, "time", clock := Waiting())
            assert formpack(*words, cwd=fresh.folder, code=2) == IN_USE
            assert 0.5 < clock.now <= seconds
        monkeypatch.setattr(store, "time", clock := Waiting(3.0, importing))
        formpack("import", cwd=fresh.folder)
        assert 3.0 < clock.now < 3.5
    monkeypatch.setattr(store, "time", time)


def test_a_reader_never_sees_half_a_batch(tmp_path: Path) -> None:
    """At every point of an import who looks is sent away; before it the books are those of one file, after it of five."""
    workspace = nursery(tmp_path)
    run.import_files(workspace, sorted(workspace.inbox.iterdir())[:1])
    before = books_in(tmp_path)
    assert (len(before["submissions"]), len(before["movements"])) == (1, 2)
    for point in ("after files 1", "after stage states", "before commit 2", "after commit 2"):
        with command(point, "wait", "import", cwd=tmp_path) as importing:
            with pytest.raises(Refused, match="Another command"):
                books_in(tmp_path)
            importing.kill()
            importing.wait()
        found = books_in(tmp_path)
        assert (found["submissions"] == before["submissions"]) == (found["movements"] == before["movements"])
        assert (len(found["submissions"]) == 5) == (point == "after commit 2")
    formpack("check", cwd=tmp_path)


POINTS = ["before link", "after commit 3"]


@pytest.mark.parametrize("point", POINTS if os.environ.get("CI") else POINTS[:1])
def test_a_writer_was_killed_and_somebody_looks(point: str, tmp_path: Path) -> None:
    """What it left behind (a log beside the store, a new store that never came to be) is in nobody's way."""
    workspace = nursery(tmp_path)
    with command(point, "die", "import", cwd=tmp_path) as importing:
        assert ended(importing)[0] == -9
    assert (tmp_path / "store.duckdb.wal").exists() == (point != "before link")
    said = formpack("due", cwd=tmp_path, code=None)
    if point == "before link":
        assert said == "Nothing has been imported here yet; run `formpack import` first.\n"
    elif "files" not in point and "schema" not in point:
        assert "4 tasks" in said
    run.import_files(workspace, [workspace.inbox], show=run.EVERYTHING)
    assert broken(tmp_path) == []


def test_a_store_that_is_no_store_is_not_taken_for_one_in_use(fresh: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    fresh.store_file.write_bytes(b"")
    monkeypatch.setattr(store, "time", clock := Waiting())
    for words in (("due",), ("import",)):
        said = formpack(*words, cwd=fresh.folder, code=2)
        assert said.count("\n") == 1 and "is empty" in said
    assert clock.now == 0 and fresh.store_file.read_bytes() == b""
