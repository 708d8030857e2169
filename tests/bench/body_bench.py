"""By hand: `python tests/bench/body_bench.py [FOLDER] [--only PART ...]`. What it costs to put nurseries together: raw
submissions and hand-overs, here and on Spark, one large nursery among many, and a second run. CPU is user and system of every
process that a run began, Java's and its workers' too; memory is what all of them held at once. Both are looked at ten times a
second, as what nobody waits for is not in the figures of the kernel."""

from __future__ import annotations

import argparse
import ctypes
import json
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, NamedTuple

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from pipeline.body import combined, sources  # noqa: E402
from pipeline.body.sources import Found, How, Source, take_in  # noqa: E402
from tests.bench.nurseries import write_nurseries  # noqa: E402

SPARK = (("spark", "local[1]"), ("spark", "local[2]"))
HERE = (("duckdb", ""),)
TIMES = "BODY_BENCH_TIMES"
"""Where tasks say how long they took, a file each."""
_SUBREAPER = 36


class Cost(NamedTuple):
    """Seconds of CPU and by the clock, MB, the clock of parts by name, and begin, end and CPU of each task by nursery."""

    cpu: float
    wall: float
    memory: float
    parts: dict[str, float]
    tasks: dict[str, tuple[float, float, float]]


# -- what is measured, in a process of its own


def timed(source: Source, how: How) -> Found:
    """`take_in`, that says how long it took."""
    begin, before = time.time(), sum(os.times()[:4])
    found = take_in(source, how)
    said = json.dumps((begin, time.time(), sum(os.times()[:4]) - before))
    (Path(os.environ[TIMES]) / source.nursery).write_text(said, encoding="utf-8")
    return found


def child(folder: str, workspace: str, engine: str, master: str) -> None:
    """One run; its last line is what its parts took."""
    import pipeline.body.page as page

    parts: dict[str, float] = {}

    def clocked(module: Any, name: str) -> None:
        work: Callable[..., Any] = getattr(module, name)

        def run(*given: Any, **named: Any) -> Any:
            begin = time.perf_counter()
            done = work(*given, **named)
            parts[name] = time.perf_counter() - begin
            return done

        setattr(module, name, run)

    begin = time.perf_counter()
    sources.take_in = timed
    for module, name in (
        *((sources, n) for n in ("find", "take_all")),
        *((combined, n) for n in ("tables_of", "_write_store")),
        (page, "write_page"),
    ):
        clocked(module, name)
    done = combined.combine([Path(folder)], Path(workspace), engine, master)
    parts["all"] = time.perf_counter() - begin
    parts["left out"] = len(done.left_out)
    print("\n" + json.dumps(parts))


def _look(pid: int) -> tuple[float, dict[int, float]]:
    """MB in the memory of all that a process began, and the seconds of CPU of each."""
    seen: dict[int, list[str]] = {}
    for path in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):
            seen[int(path.name)] = (path / "stat").read_text().rpartition(")")[2].split()
    own = {pid}
    while more := {p for p, state in seen.items() if int(state[1]) in own} - own:
        own |= more
    own.remove(pid)
    cpu = {p: (int(seen[p][11]) + int(seen[p][12])) / os.sysconf("SC_CLK_TCK") for p in own}
    return sum(int(seen[p][21]) for p in own) * os.sysconf("SC_PAGE_SIZE") / 2**20, cpu


def once(folder: Path, workspace: Path, engine: str, master: str) -> Cost:
    """Run it to the end of the last of its processes: those whose parents are gone come to this one."""
    ctypes.CDLL(None).prctl(_SUBREAPER, 1, 0, 0, 0)
    with tempfile.TemporaryDirectory() as times, tempfile.TemporaryFile("w+") as said:
        begin, most, cpu, is_over = time.perf_counter(), 0.0, dict[int, float](), threading.Event()
        work = [sys.executable, str(Path(__file__).resolve()), "--child", str(folder), str(workspace), engine, master]
        env = os.environ | {TIMES: times, "PYTHONPATH": str(ROOT), "PYTHONWARNINGS": "ignore"}
        process = subprocess.Popen(work, stdout=said, stdin=subprocess.DEVNULL, env=env)

        def look() -> None:
            nonlocal most
            while not is_over.wait(0.1):
                held, used = _look(os.getpid())
                most = max(most, held)
                cpu.update({p: max(v, cpu.get(p, 0.0)) for p, v in used.items()})

        looking = threading.Thread(target=look)
        looking.start()
        wall = 0.0
        with suppress(ChildProcessError):
            while True:
                ended, status = os.wait()
                if ended == process.pid:
                    wall, process.returncode = time.perf_counter() - begin, os.waitstatus_to_exitcode(status)
        is_over.set()
        looking.join()
        said.seek(0)
        text = said.read()
        if process.returncode:
            raise SystemExit(f"{folder} on {engine} {master}: exit {process.returncode}")
        tasks = {p.name: tuple(json.loads(p.read_text())) for p in Path(times).iterdir()}
        return Cost(sum(cpu.values()), wall, most, json.loads(text.splitlines()[-1]), tasks)


# -- the sets


def raw(data: Path, many: int, size: int, skew: float = 0.0) -> Path:
    folder = data / f"raw-{many}-{size}-{skew:g}"
    if not (folder / "truth.json").exists():
        shutil.rmtree(folder, ignore_errors=True)
        write_nurseries(folder, many, size, skew)
    return folder


def handed_over(data: Path, many: int, is_whole: bool = False) -> Path:
    """Hand-overs like those of eight nurseries of 400 submissions, with all tables or with those put together."""
    from tests.body.clones import as_handed_over, clone

    folder, real = data / f"over-{many}{'-whole' * is_whole}", data / "real"
    if not (real / "here" / "taken").exists():
        combined.combine([raw(data, 8, 400)], real / "here")
    if not (folder / "whole").exists():
        shutil.rmtree(folder, ignore_errors=True)
        for number in range(many):
            clone(as_handed_over(real), f"N{number % 8 + 1:03}", folder, f"K{number:05}", number, is_whole)
        (folder / "whole").touch()
    return folder


# -- what is asked


@contextmanager
def workspace_in(data: Path) -> Iterator[Path]:
    with tempfile.TemporaryDirectory(dir=data) as folder:
        yield Path(folder) / "body"


def row(*cells: object) -> None:
    print("|", " | ".join(f"{c:.2f}" if isinstance(c, float) else str(c) for c in cells), "|", flush=True)


def head(*names: str) -> None:
    row(*names)
    row(*["---"] * len(names))


def each_raw(data: Path) -> None:
    """The same on every engine, with few nurseries and with more, so that start and growth come apart."""
    head("raw", "engine", "CPU s", "wall s", "peak MB", "CPU, wall s a nursery more", "CPU s of a task: mean, longest")
    for size, numbers in ((60, (4, 12)), (400, (4, 12)), (2000, (2, 4))):
        for engine in (*HERE, *SPARK) if size == 400 else (*HERE, SPARK[1]):
            before: Cost | None = None
            for many in numbers:
                with workspace_in(data) as workspace:
                    cost = once(raw(data, many, size), workspace, *engine)
                more = many - numbers[0]
                grows = f"{(cost.cpu - before.cpu) / more:.2f}, {(cost.wall - before.wall) / more:.2f}" if before else ""
                used = [t[2] for t in cost.tasks.values()]
                tasks = f"{sum(used) / len(used):.2f}, {max(used):.2f}"
                row(f"{many} x {size}", " ".join(engine), cost.cpu, cost.wall, round(cost.memory), grows, tasks)
                before = cost


def each_handed_over(data: Path) -> None:
    """From hand-overs, and once more with nothing changed."""
    names = ("find", "take_all", "tables_of", "_write_store", "write_page")
    head("hand-overs", "engine", "CPU s", "wall s", "peak MB", "wall s of find, take in, sums and models, store, page")
    kinds = ((40, True, HERE), (40, False, (*HERE, *SPARK)), (200, False, (*HERE, *SPARK)), (1000, False, (*HERE, SPARK[1])))
    for many, is_whole, engines in kinds:
        for engine in engines:
            with workspace_in(data) as workspace:
                for what in (f"{many}{' with all tables' * is_whole}", f"{many} again"):
                    cost = once(handed_over(data, many, is_whole), workspace, *engine)
                    parts = ", ".join(f"{cost.parts[n]:.2f}" for n in names)
                    row(what, " ".join(engine), cost.cpu, cost.wall, round(cost.memory), parts)


def skewed(data: Path) -> None:
    """One nursery with a tenth of all: how long it is the last at work."""
    head("tasks", "wall s of all tasks", "sum, longest task s", "sum / cores", "largest alone at the end s")
    with workspace_in(data) as workspace:
        cost = once(raw(data, 40, 400, 0.1), workspace, *SPARK[1])
    tasks = cost.tasks.values()
    long = {n: end - begin for n, (begin, end, _) in cost.tasks.items()}
    others = max(end for n, (_, end, _) in cost.tasks.items() if n != max(long, key=lambda n: long[n]))
    alone = max(0.0, max(end for _, end, _ in tasks) - others)
    whole = max(t[1] for t in tasks) - min(t[0] for t in tasks)
    row(
        "40 x 400, one with a tenth",
        whole,
        f"{sum(long.values()):.1f}, {max(long.values()):.1f}",
        sum(long.values()) / 2,
        alone,
    )


def unchanged(data: Path) -> None:
    """Raw submissions, and a second run."""
    head("16 x 400 raw, nothing changed", "CPU s", "wall s", "wall s of take in, all else")
    for engine in (*HERE, SPARK[1]):
        with workspace_in(data) as workspace:
            folder = raw(data, 16, 400)
            once(folder, workspace, *engine)
            cost = once(folder, workspace, *engine)
        rest = cost.parts["all"] - cost.parts["take_all"]
        row(" ".join(engine), cost.cpu, cost.wall, f"{cost.parts['take_all']:.2f}, {rest:.2f}")


PARTS: dict[str, Callable[[Path], None]] = {
    "raw": each_raw,
    "handed-over": each_handed_over,
    "skew": skewed,
    "unchanged": unchanged,
}


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("folder", type=Path, nargs="?", help="where sets stay; by default they go when it ends")
    options.add_argument("--only", action="append", choices=list(PARTS))
    options.add_argument("--child", nargs=4, help=argparse.SUPPRESS)
    given = options.parse_args()
    if given.child:
        child(*given.child)
        return
    with tempfile.TemporaryDirectory() as aside:
        data = (given.folder or Path(aside)).resolve()
        data.mkdir(parents=True, exist_ok=True)
        for name in given.only or PARTS:
            PARTS[name](data)
            print(flush=True)


if __name__ == "__main__":
    main()
