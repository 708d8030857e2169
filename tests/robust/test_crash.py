"""A disk that is really full is one sentence. What room that is lacking does to each operation is looked at by test_faults."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline import run
from pipeline.workspace import Workspace
from tests.cli.test_cli import formpack
from tests.conftest import ROOT
from tests.robust.books import books_in, nursery, tables_in

COMMAND = [sys.executable, "-c", "from pipeline.cli import main; main()"]


def on_a_small_disk(workspace: Workspace, room: int, *words: str) -> subprocess.CompletedProcess[str]:
    """A command on a disk where no file can be larger."""
    return subprocess.run(
        [*COMMAND, *words],
        cwd=workspace.folder,
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (room, room)),
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )


@pytest.mark.parametrize("room", [-20_000_000, 300_000] if os.environ.get("CI") else [300_000])
def test_a_full_disk_is_one_sentence(room: int, tmp_path: Path) -> None:
    """The bytes of a file, once kept, may stay (a transaction of their own); the tables are as they were, until a command that
    has room makes them of what is kept."""
    workspace = nursery(tmp_path)
    run.import_files(workspace, sorted(workspace.inbox.iterdir())[:2], show=run.EVERYTHING)
    before = tables_in(tmp_path)
    for number in range(100):  # each small enough to stand in the store
        rows = "".join(f"k{number}-{n},{os.urandom(60_000).hex()}\n" for n in range(2))
        (workspace.inbox / f"big-{number}.csv").write_text("KEY,visit_date\n" + rows, encoding="utf-8")
    done = on_a_small_disk(workspace, workspace.store_file.stat().st_size + room, "import")
    assert (done.returncode, done.stdout, done.stderr.count("\n")) == (2, "", 1), done.stderr
    assert "could not be written, and is as it was; make room" in done.stderr
    assert tables_in(tmp_path) == before
    assert len(books_in(tmp_path)["files"]) == (2 if room < 0 else 105)
    formpack("check", cwd=tmp_path)
    formpack("import", cwd=tmp_path, code=1)
    assert len(books_in(tmp_path)["files"]) == 105


def test_no_room_for_a_new_store(tmp_path: Path) -> None:
    workspace = nursery(tmp_path)
    for room in (0, 5_000, 20_000):
        done = on_a_small_disk(workspace, room, "import")
        assert (done.returncode, done.stdout, done.stderr.count("\n")) == (2, "", 1), (room, done.stderr)
    formpack("import", cwd=tmp_path)
    formpack("check", cwd=tmp_path)
