"""Files that broke a run: known before they are tried again, tried in a process of their own, and passed over if that breaks.

While files are read their SHA-256 stand in a file beside the store; a run that ends in any other way than well leaves it there
for the next one to find.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

import psutil

from formpack.words import pack
from pipeline.intake import ingest
from pipeline.store import Store

MOST_SECONDS, MOST_MEMORY = 600, 2 * 2**30
"""What trying files that broke a run may take: several times what the largest honest file does."""
_PROGRAM = Path(__file__).parents[2]
ALONE = pack("the program was stopped while it was reading this file alone")


class BeingRead:
    """What is being read: a file with a line for each content, gone when all is read."""

    def __init__(self, store: Store) -> None:
        self.path = store.path.with_name(".being-read") if store.path else None
        self._file: TextIO | None = None
        self.found: dict[str, int] = {}
        """Contents that an earlier run was reading when it ended, and how often runs had ended so before that."""
        if self.path is not None and self.path.exists():
            lines = self.path.read_text(encoding="ascii", errors="replace").splitlines()
            self.found = {words[0]: len(words) - 1 for line in lines if (words := line.split())}

    def say(self, sha256: str) -> None:
        """This one is read now, beside those before."""
        if self.path is not None:
            if self._file is None:
                self._file = self.path.open("w", encoding="ascii")
            before = self.found.get(sha256, -1) + 1
            self._file.write(f"{sha256}{' again' * before}\n")
            self._file.flush()

    def close(self) -> None:
        """Leave what is said as it is."""
        if self._file is not None:
            self._file.close()
            self._file = None

    def clear(self) -> None:
        """All of these are read."""
        self.close()
        if self.path is not None:
            self.path.unlink(missing_ok=True)


@dataclass(frozen=True)
class Suspect:
    """A file to be tried: its SHA-256, the name it is read under, and what form its tables are said to be."""

    sha256: str
    name: str
    form: str


def broken(store: Store, folder: Path, suspects: Sequence[Suspect]) -> dict[str, str]:
    """Those of the suspects that break the program, by SHA-256, each with what happened, packed. `folder` is the workspace."""
    with tempfile.TemporaryDirectory(prefix="formpack-") as beside:
        files = []
        for number, suspect in enumerate(suspects):
            path = Path(beside) / str(number) / re.sub(r'[\\/:*?"<>|\0]', "_", suspect.name)
            path.parent.mkdir()
            ingest.copy_out(store, suspect.sha256, path)
            files.append((suspect.sha256, [str(path), suspect.form]))
        return _broken(folder, files)


def _broken(folder: Path, files: list[tuple[str, list[str]]]) -> dict[str, str]:
    what = _tried(folder, [file for _, file in files])
    if not what:
        return {}
    if len(files) == 1:
        return {files[0][0]: what}
    half = len(files) // 2
    return _broken(folder, files[:half]) | _broken(folder, files[half:])


def _tried(folder: Path, files: list[list[str]]) -> str:
    """What happened to a program of its own that read these files; '' where it came to its end."""
    began = time.monotonic()
    command = [sys.executable, "-m", "pipeline.trial", str(folder)]
    here = {**os.environ, "PYTHONPATH": os.pathsep.join([str(_PROGRAM), os.environ.get("PYTHONPATH", "")])}
    with (
        tempfile.TemporaryFile() as said,
        subprocess.Popen(command, stdin=subprocess.PIPE, stderr=said, env=here) as child,
    ):
        assert child.stdin is not None
        child.stdin.write(json.dumps(files).encode())
        child.stdin.close()
        process = psutil.Process(child.pid)
        while child.poll() is None:
            what = ""
            try:
                if process.memory_info().rss > MOST_MEMORY:
                    what = pack("it took more than {most} MB of memory", most=MOST_MEMORY // 2**20)
            except psutil.Error:
                break
            if time.monotonic() - began > MOST_SECONDS:
                what = pack("it took longer than {n} seconds", n=MOST_SECONDS)
            if what:
                child.kill()
                return what
            time.sleep(0.02)
        child.wait()
        said.seek(0)
        last = said.read().decode("utf-8", "replace").strip().rpartition("\n")[2]
    return "" if child.returncode == 0 else last[:200] or pack("the program ended with {code}", code=child.returncode)
