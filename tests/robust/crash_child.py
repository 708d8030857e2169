"""Run by test_crash: imports in a child that is killed at a random moment, again and again."""

from __future__ import annotations

import os
import random
import shutil
import signal
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import pipeline.intake.frame_schema  # noqa: F401  imported before the forks, so that a child is quick
from pipeline import run
from pipeline.office.audit import proofs
from pipeline.store import Store
from pipeline.workspace import Workspace
from tests.conftest import every_table


def in_child(act: object, *words: object) -> int:
    """Fork, run `act`, give its pid; the parent opens no store before, so no lock or thread is inherited."""
    pid = os.fork()
    if pid == 0:
        code = 1
        try:
            code = int(act(*words) or 0)  # type: ignore[operator]
        finally:
            os._exit(code)
    return pid


def take_in(folder: Path) -> int:
    run.import_files(Workspace(folder), [folder / "inbox"])
    return 0


def look(folder: Path, expected: Path) -> int:
    """Exit 0 when the store opens and its proofs hold, and importing again ends in the expected tables."""
    with Store.open(folder / "store.duckdb") as store:
        has_tables = store.value("SELECT count(*) FROM information_schema.tables WHERE table_name = 'states'")
        if has_tables and any(places for name, _, places in proofs(store) if name != "accounted"):
            return 3
    run.import_files(Workspace(folder), [folder / "inbox"])
    with Store.open(folder / "store.duckdb") as store:
        if any(places for _, _, places in proofs(store)):
            return 4
    return 0 if repr(every_table(Workspace(folder))) == expected.read_text(encoding="utf-8") else 5


def write_tables(folder: Path, target: Path) -> int:
    take_in(folder)
    target.write_text(repr(every_table(Workspace(folder))), encoding="utf-8")
    return 0


def main(template: Path, times: int, seed: int) -> None:
    dice = random.Random(seed)
    expected = template.parent / "expected.txt"
    whole = template.parent / "whole"
    shutil.copytree(template, whole)
    started = time.perf_counter()
    assert os.waitpid(in_child(write_tables, whole, expected), 0)[1] == 0
    lasts = time.perf_counter() - started
    killed = 0
    folder = template.parent / "killed"
    for number in range(times * 3):
        if killed == times:
            break
        if number % 5 == 0:  # a new store now and then; else the one that was killed before, with one file more
            shutil.rmtree(folder, ignore_errors=True)
            shutil.copytree(template, folder)
        else:
            (folder / "store.duckdb").unlink() if dice.random() < 0.5 and (folder / "store.duckdb").exists() else None
            (folder / "store.duckdb.wal").unlink(missing_ok=True) if not (folder / "store.duckdb").exists() else None
        pid = in_child(take_in, folder)
        time.sleep(dice.uniform(0, 0.8 * lasts))
        os.kill(pid, signal.SIGKILL)
        killed += os.WIFSIGNALED(os.waitpid(pid, 0)[1])
        code = os.waitstatus_to_exitcode(os.waitpid(in_child(look, folder, expected), 0)[1])
        if code:
            sys.exit(f"after kill {number}: code {code}")
    print(killed)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
