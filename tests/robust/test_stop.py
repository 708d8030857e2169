"""Ctrl-C, as a person presses it. What it leaves at each operation of each command is looked at by test_faults."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest

from pipeline import run
from tests.cli.test_cli import formpack
from tests.robust.books import nursery, tables_in
from tests.robust.stop_child import command, ended

STOPPED = "Stopped; the books are as they were before.\n"


@pytest.mark.parametrize(("point", "how"), [("before stage states", "wait"), ("before commit 2", "query")])
def test_a_real_signal(point: str, how: str, tmp_path: Path) -> None:
    """Between two queries and in the middle of one: no traceback, and the books are as they were."""
    workspace = nursery(tmp_path)
    run.import_files(workspace, sorted(workspace.inbox.iterdir())[:2])
    before = tables_in(workspace.folder)
    with command(point, how, "import", cwd=workspace.folder) as child:
        if how == "wait":
            child.send_signal(signal.SIGINT)
        assert ended(child) == (2, "", STOPPED)
    assert tables_in(workspace.folder) == before
    formpack("check", cwd=workspace.folder)
