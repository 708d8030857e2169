"""An import every so often, in a process of its own: whatever it does, phones are answered meanwhile."""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import subprocess
import sys
import threading
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipeline.field.receiver.spool import Spool

_COMMAND = ("-c", "from pipeline.cli import main; main()", "import", "--json")
_PROGRAM = Path(__file__).parents[3]


@dataclass
class Importer:
    """Runs `formpack import receiver/waiting` every `minutes` while something waits, and once on each new day, for what lists
    say of the day; `last` is what it said. One that has begun goes on to its end when the receiver is stopped."""

    folder: Path
    spool: Spool
    minutes: float
    ended_at: str = ""
    last: dict[str, Any] = field(default_factory=dict)
    refused: str = ""
    is_running: bool = False

    def __post_init__(self) -> None:
        self._stop = threading.Event()
        self._day: dt.date | None = None

    def start(self) -> None:
        """Begin, in a thread that ends with the program."""
        threading.Thread(target=self._go_on, name="importer", daemon=True).start()

    def stop(self) -> None:
        """Begin no other import."""
        self._stop.set()

    def _go_on(self) -> None:
        while not self._stop.is_set():
            with contextlib.suppress(OSError):  # a folder that goes while it is looked at
                if self._day != dt.date.today() or self.spool.waits():
                    self.run()
            self._stop.wait(60 * self.minutes)

    def run(self) -> None:
        """One import, now."""
        self.is_running, day = True, dt.date.today()
        try:
            command = [
                sys.executable,
                *_COMMAND,
                str(self.spool.waiting.absolute()),
                "--workspace",
                str(self.folder.absolute()),
            ]
            done = subprocess.run(
                command, capture_output=True, text=True, encoding="utf-8", cwd=_PROGRAM, check=False, start_new_session=True
            )
            if done.returncode in (0, 1):
                self.last, self.refused, self._day = json.loads(done.stdout), "", day
            else:
                self.refused = done.stderr.strip().splitlines()[-1] if done.stderr.strip() else ""
        except (OSError, ValueError) as wrong:
            self.refused = str(wrong)
        finally:
            self.ended_at = dt.datetime.now().isoformat(timespec="seconds")
            self.is_running = False
