"""A command, as `formpack` runs it, that waits at a named point of its work: `stop_child.py POINT HOW COMMAND ...`.

HOW: `wait` says "at POINT" and goes on when a line comes in; `die` is killed there; `query` is stopped as by Ctrl-C, in the
middle of a long query."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]


@contextmanager
def command(point: str, how: str, *words: str, cwd: Path) -> Iterator[subprocess.Popen[str]]:
    """The command in a process of its own; where it waits, it has come there. It is not left behind."""
    with subprocess.Popen(
        [sys.executable, __file__, point, how, *words],
        cwd=cwd,
        text=True,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as child:
        try:
            assert child.stdout is not None
            if how == "wait":
                said = child.stdout.readline()
                assert said == f"at {point}\n", (said, child.communicate()[1])
            yield child
        finally:
            child.kill()


def ended(child: subprocess.Popen[str], line: str = "") -> tuple[int, str, str]:
    """Its exit code and what it printed, after it got the line."""
    out, err = child.communicate(line, timeout=120)
    return child.returncode, out, err


def main(wanted: str, how: str) -> None:
    from pipeline.cli import main as formpack
    from tests.robust.points import watch

    def reach(point: str, connection: Any) -> None:
        if point != wanted:
            return
        if how == "die":
            os.kill(os.getpid(), signal.SIGKILL)
        elif how == "query":
            threading.Timer(0.3, os.kill, (os.getpid(), signal.SIGINT)).start()
            connection.execute("SELECT count(*) FROM range(1_000_000_000) t(x) WHERE hash(x) % 7 = 1").fetchall()
            time.sleep(60)  # a query that does not look up is stopped where it ends
        else:
            print(f"at {point}", flush=True)
            sys.stdin.readline()

    signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell may have begun the tests with it switched off
    watch(reach)
    formpack()


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    sys.argv[1:], given = sys.argv[3:], sys.argv[1:3]
    main(*given)
