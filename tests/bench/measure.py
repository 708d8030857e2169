"""One run of a process and what it used; the same of several in turn, A B A B, and the medians.

CPU seconds are user and system of the whole child as the kernel counts them when it ends (wait4), so that a busy machine
matters less than it would by the clock. Peak memory is the child's too; a child starts with the peak of whoever starts it,
so this process stays small and leaves all that is heavy to others.
"""

from __future__ import annotations

import os
import re
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

OWN_FIGURE = re.compile(r"^measured (\d+\.\d+)$", re.MULTILINE)
"""A baseline that is a part of its process says its own CPU seconds in a line such as `measured 1.234`."""


@dataclass(frozen=True)
class Child:
    """A process to be run: Python with these arguments in that folder, the code of `path` first."""

    arguments: tuple[str, ...]
    folder: Path
    path: Path | None = None

    @property
    def environment(self) -> dict[str, str]:
        plain = {k: v for k, v in os.environ.items() if not k.startswith("PYTHON")}
        return plain | ({"PYTHONPATH": str(self.path)} if self.path else {})


class Failed(Exception):
    """A child that did not do its work; says what it said last."""


@dataclass(frozen=True)
class Used:
    cpu: float
    wall: float
    memory: int
    """Peak resident set in MiB."""
    said: str


@dataclass
class Side:
    """What is measured or what it is measured against. `prepare` makes the child of a round in a folder of its own, outside
    the time that counts."""

    name: str
    prepare: Callable[[Path], Child]
    used: list[Used] = field(default_factory=list)

    @property
    def cpu(self) -> float:
        return statistics.median(u.cpu for u in self.used)

    @property
    def memory(self) -> int:
        return max(u.memory for u in self.used)


def run(child: Child, limit: float) -> Used:
    """Run it to its end. Raises Failed where it ends otherwise than well (0, or 1: something needs a person) or too late."""
    with tempfile.TemporaryFile("w+", encoding="utf-8") as said:
        began = time.perf_counter()
        process = subprocess.Popen(
            [sys.executable, *child.arguments],
            cwd=child.folder,
            env=child.environment,
            stdout=said,
            stderr=subprocess.STDOUT,
            stdin=subprocess.DEVNULL,
        )
        alarm = threading.Timer(limit, process.kill)
        alarm.start()
        _, status, usage = os.wait4(process.pid, 0)
        alarm.cancel()
        wall = time.perf_counter() - began
        process.returncode = code = os.waitstatus_to_exitcode(status)
        said.seek(0)
        text = said.read()
    if code not in (0, 1) or "Traceback (most recent call last)" in text:
        last = (text.strip().splitlines() or ["nothing was said"])[-1][:200]
        raise Failed(f"stopped after {limit:.0f} s" if code == -9 and wall >= limit else f"exit {code}: {last}")
    own = OWN_FIGURE.search(text)
    cpu = float(own[1]) if own else usage.ru_utime + usage.ru_stime
    return Used(cpu, wall, round(usage.ru_maxrss / 1024), text)


def _rounds(seconds: float) -> int:
    """How many rounds of so many seconds are worth their time."""
    return 7 if seconds < 10 else 5 if seconds < 60 else 3 if seconds < 180 else 2


def in_turn(sides: list[Side], scratch: Path, limit: float, quick: bool) -> None:
    """Rounds of all sides in turn. Where a round is short, one more goes before them to warm what can be warm."""
    done, wanted, warmed = 0, 1, quick
    while done < wanted:
        spent = sum(_once(side, scratch, limit).wall for side in sides)
        done, wanted = done + 1, 2 if quick else _rounds(spent)
        if not warmed and spent < 20:
            for side in sides:
                side.used.clear()
            done = 0
        warmed = True


def _once(side: Side, scratch: Path, limit: float) -> Used:
    with tempfile.TemporaryDirectory(dir=scratch) as folder:
        child = side.prepare(Path(folder))
        try:
            side.used.append(run(child, limit))
        except Failed as wrong:
            raise Failed(f"{side.name}: {wrong}") from None
        return side.used[-1]
