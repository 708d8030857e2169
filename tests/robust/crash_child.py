"""Run by test_crash: works in children that are killed at named points and at random moments, and looks at what they leave."""

from __future__ import annotations

import datetime as dt
import importlib
import os
import pickle
import random
import shutil
import signal
import sys
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import pipeline.intake.frame_schema  # noqa: F401  (heavy, and used in every child)
from pipeline import run
from pipeline.intake import ingest
from pipeline.store import Store
from pipeline.workspace import Workspace
from tests.conftest import DAY
from tests.robust.books import Books, books, books_in, broken, nursery
from tests.robust.points import watch


def in_child(act: Callable[..., object], *words: object) -> int:
    """Fork and do it there; gives the pid. The parent opens no store, so that no lock or thread is inherited."""
    pid = os.fork()
    if pid == 0:
        code = 1
        try:
            act(*words)
            code = 0
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(code)
    return pid


def done_in_child(act: Callable[..., object], *words: object) -> int:
    return os.waitstatus_to_exitcode(os.waitpid(in_child(act, *words), 0)[1])


for stage in run.STAGES:  # so that a child need not
    if stage.make:
        importlib.import_module("pipeline." + stage.make.rpartition(".")[0])


class _Noon(dt.datetime):
    """A clock that stands, so that the moment at which files came is the same in every child."""

    @classmethod
    def now(cls, tz: dt.tzinfo | None = None) -> _Noon:
        return cls(2026, 11, 2, 12, tzinfo=tz)


ingest.dt = SimpleNamespace(datetime=_Noon, date=dt.date)  # type: ignore[attr-defined]


# what is done


def import_all(folder: Path) -> None:
    run.import_files(Workspace(folder), [folder / "inbox"])


def bring_up_all(folder: Path) -> None:
    with run.opened(Workspace(folder)):
        pass


def import_and_look(folder: Path) -> None:
    import_all(folder)
    bring_up_all(folder)


def import_two(folder: Path) -> None:
    run.import_files(Workspace(folder), sorted((folder / "inbox").iterdir())[:2], show=run.EVERYTHING)


def keep_the_rest(folder: Path) -> None:
    with Store.open(folder / "store.duckdb") as store:
        ingest.keep(store, [folder / "inbox"], DAY, run.no_progress)


@dataclass
class Case:
    """A command that is killed, and the workspace that it begins with."""

    name: str
    act: Callable[[Path], None]
    folder: Path
    points: list[tuple[str, int]] = field(default_factory=list)
    """Each with the number of commits that are done when it is reached."""
    at: list[Books] = field(default_factory=list)
    """The books after so many commits."""
    seconds: float = 0.0

    def fresh(self, folder: Path) -> Path:
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(self.folder, folder)
        return folder


def trace(act: Callable[[Path], None], folder: Path, target: Path) -> None:
    """Do it once in full, noting the points and the books after every commit."""
    points: list[tuple[str, int]] = []
    at = [books_in(folder)]
    started = time.perf_counter()

    def note(point: str, connection: Any) -> None:
        if point.startswith("after commit"):
            at.append(books(Store(connection)))
        points.append((point, len(at) - 1))

    watch(note)
    act(folder)
    target.write_bytes(pickle.dumps((points, at, time.perf_counter() - started)))


def prepared(where: Path) -> list[Case]:
    """The cases, each begun where the workspace of the one before began and something more was done."""
    cases: list[Case] = []
    for name, first, act in (
        ("a first import, then all tables", nursery, import_and_look),
        ("another import", import_two, import_all),
        ("all tables", keep_the_rest, bring_up_all),
    ):
        case = Case(name, act, where / name)
        if cases:
            cases[-1].fresh(case.folder)
        assert done_in_child(first, case.folder) == 0
        assert done_in_child(trace, act, case.fresh(where / "whole"), where / "trace") == 0
        case.points, case.at, case.seconds = pickle.loads((where / "trace").read_bytes())
        cases.append(case)
    return cases


def killed_at(act: Callable[[Path], None], folder: Path, wanted: str) -> None:
    def stop(point: str, _: Any) -> None:
        if point == wanted:
            os.kill(os.getpid(), signal.SIGKILL)

    watch(stop)
    act(folder)


def look(case: Case, folder: Path, possible: list[Books]) -> None:
    """The store opens, and its books, in every table, are as they may be."""
    found = books_in(folder)
    assert found in possible, {n: (found.get(n), [p.get(n) for p in possible]) for n in {*found, *possible[-1]}}
    if case.act is bring_up_all:
        assert broken(folder, but=("accounted",)) == []


def end(folder: Path, whole: Books) -> None:
    """Importing again ends in the books of one whole run."""
    run.import_files(Workspace(folder), [folder / "inbox"], show=run.EVERYTHING)
    assert broken(folder) == []
    again = books_in(folder)
    for name in {*again, *whole} - {"marks", "changes"}:
        assert again.get(name) == whole.get(name), (name, set(again[name]) ^ set(whole[name]))
    assert not list(folder.glob("*.wal"))


def chosen(cases: list[Case], dice: random.Random, many: int) -> list[tuple[Case, str, int]]:
    """So many points, half of them of stages; with `many` 0 all, but of the later cases only some of their stages."""
    every = [[(case, *point) for point in case.points] for case in cases]
    stages = [[p for p in points if " stage " in p[1]] for points in every]
    others = [p for points in every for p in points if " stage " not in p[1]]
    if many:
        return dice.sample([p for points in stages for p in points], many // 2) + dice.sample(others, many - many // 2)
    return others + stages[0] + [p for points in stages[1:] for p in dice.sample(points, 12)]


def main(where: Path, many: int, seed: int) -> None:
    dice = random.Random(seed)
    cases = prepared(where)
    whole = cases[0].at[-1]
    reached = {point for point, _ in cases[0].points}
    missing = {f"{x} stage {s.name}" for s in run.STAGES for x in ("before", "after")} - reached
    assert not missing, missing
    commits = [len(case.at) - 1 for case in cases]  # layout, bytes, tables, all tables; bytes, tables; all tables
    assert commits == [4, 2, 1], f"the work is not done in the transactions that it should be: {commits}"
    before, kept = cases[1].at[:2]
    assert {name for name in kept if kept[name] != before[name]} == {"files"}
    folder = where / "killed"
    ended: set[tuple[str, int]] = set()
    for case, point, number in chosen(cases, dice, many):
        code = done_in_child(killed_at, case.act, case.fresh(folder), point)
        if code != -signal.SIGKILL or done_in_child(look, case, folder, [case.at[number]]):
            sys.exit(f"{case.name}, killed at: {point} (code {code})")
        if many and (case.name, number) in ended:  # every table is as it was then, and so is what comes of it
            continue
        ended.add((case.name, number))
        if done_in_child(end, folder, whole):
            sys.exit(f"{case.name}, importing again after it was killed at: {point}")
    hit = 0
    for _ in range(2 if many else 30):
        case = dice.choice(cases)
        pid = in_child(case.act, case.fresh(folder))
        time.sleep(dice.uniform(0, case.seconds))
        os.kill(pid, signal.SIGKILL)
        hit += os.WIFSIGNALED(os.waitpid(pid, 0)[1])
        if done_in_child(look, case, folder, [{}, *case.at]) or (not many and done_in_child(end, folder, whole)):
            sys.exit(f"{case.name}, killed at a random moment")
    print(f"{hit} of the random kills hit")


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
