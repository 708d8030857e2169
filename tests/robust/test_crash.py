"""Whatever happens to the machine, the books are whole."""

from __future__ import annotations

import os
import resource
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from pipeline import run
from pipeline.store import Store
from pipeline.workspace import Workspace
from tests.cli.test_cli import formpack
from tests.conftest import ROOT, SAMPLES, every_table, new_workspace

TIMES = 50 if os.environ.get("CI") else 4
"""How often the import is killed: each takes two seconds, so the full number is for CI."""
COMMAND = [sys.executable, "-c", "from pipeline.cli import main; main()"]


def _nursery(folder: Path) -> Workspace:
    workspace = new_workspace(folder)
    source = SAMPLES / "failed_buds_are_set_aside_and_budded_again" / "inbox"
    shutil.copytree(source, workspace.inbox, dirs_exist_ok=True)
    return workspace


def test_killed_at_any_moment_the_next_import_ends_in_the_same_books(tmp_path: Path) -> None:
    _nursery(tmp_path / "template")
    child = Path(__file__).parent / "crash_child.py"
    done = subprocess.run([sys.executable, str(child), str(tmp_path / "template"), str(TIMES), "20261102"], capture_output=True,
                          text=True, check=False, cwd=ROOT)  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    assert int(done.stdout) == TIMES, "too few were killed while at work"


@pytest.mark.parametrize("room", [60_000, 300_000, 1_500_000] if os.environ.get("CI") else [300_000])
def test_a_full_disk_is_one_sentence_and_the_store_is_as_it_was(room: int, tmp_path: Path) -> None:
    workspace = _nursery(tmp_path)
    files = sorted(workspace.inbox.iterdir())
    run.import_files(workspace, files[:2])
    before = every_table(workspace, ())
    size = workspace.store_file.stat().st_size
    big = workspace.inbox / "big.csv"
    big.write_text("KEY,visit_date\n" + "".join(f"k{n},{os.urandom(200).hex()}\n" for n in range(20_000)), encoding="utf-8")

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (size + room, size + room))

    done = subprocess.run([*COMMAND, "import"], cwd=workspace.folder, capture_output=True, text=True, preexec_fn=limit, check=False,
                          env={**os.environ, "PYTHONPATH": str(ROOT)})  # fmt: skip
    assert (done.returncode, done.stderr.count("\n")) == (2, 1), done.stderr
    assert "could not be written" in done.stderr
    assert every_table(workspace, ()) == before
    formpack("check", cwd=workspace.folder, code=None)


def test_a_store_in_use_is_waited_for_and_then_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.store._WAIT_SECONDS", 2.0)
    workspace = _nursery(tmp_path)
    run.import_files(workspace, [workspace.inbox])
    holder = (
        "import duckdb, sys, time; c = duckdb.connect(sys.argv[1]); print('held', flush=True); time.sleep(float(sys.argv[2]))"
    )
    for seconds, code in (("1", 0), ("30", 2)):
        with subprocess.Popen(
            [sys.executable, "-c", holder, str(workspace.store_file), seconds], stdout=subprocess.PIPE
        ) as held:
            assert held.stdout is not None and held.stdout.readline() == b"held\n"
            started = time.monotonic()
            said = formpack("import", cwd=workspace.folder, code=code)
            assert time.monotonic() - started < 20
            held.kill()
        assert code == 0 or said == "Another command is using the store; wait until it ends and try again.\n"


def test_a_reader_never_sees_half_a_batch(tmp_path: Path) -> None:
    """While an import is at work, a report waits or refuses; what it reads is all of a batch or nothing of it."""
    workspace = _nursery(tmp_path)
    run.import_files(workspace, sorted(workspace.inbox.iterdir())[:1])
    with subprocess.Popen([*COMMAND, "import"], cwd=workspace.folder, stdout=subprocess.DEVNULL,
                          env={**os.environ, "PYTHONPATH": str(ROOT)}) as importing:  # fmt: skip
        seen = set()
        while importing.poll() is None:
            try:
                with Store.open(workspace.store_file) as store:
                    seen.add((store.value("SELECT count(*) FROM submissions"), store.value("SELECT count(*) FROM movements")))
            except run.Refused:
                continue
    assert seen <= {(1, 2), (5, 5)}, seen
