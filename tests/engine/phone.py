"""The native form engine that the converter carries, driven as a phone would be."""

from __future__ import annotations

import atexit
import functools
import os
import shutil
import subprocess
import tempfile
from pathlib import Path

import pytest

from formpack.xform import engine_jar


def needs_java() -> None:
    """Skip where there is no JDK; in CI its absence is a failure."""
    if shutil.which("javac") is None:
        if os.environ.get("CI"):
            pytest.fail("CI must have a JDK")
        pytest.skip("no JDK on this machine; CI runs these tests")


@functools.cache
def _compiled() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="phone-"))
    source = Path(__file__).parent / "Drive.java"
    subprocess.run(
        ["javac", "-nowarn", "-cp", str(engine_jar()), "-d", str(folder), str(source)], check=True, capture_output=True
    )
    return folder


@functools.cache
def _running(timezone: str) -> subprocess.Popen[str]:
    """The engine, which runs until the tests end: what opens a form opens it anew, with the lists beside it."""
    path = f"{_compiled()}{os.pathsep}{engine_jar()}"
    process = subprocess.Popen(
        ["java", "-XX:TieredStopAtLevel=1", f"-Duser.timezone={timezone}", "-cp", path, "Drive"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        encoding="utf-8",
    )
    atexit.register(process.communicate)
    return process


class Phone:
    """The engine in a time zone. Each command gives the words of its answer, the verdict first."""

    def __init__(self, timezone: str = "UTC") -> None:
        needs_java()
        self.process = _running(timezone)

    def __enter__(self) -> Phone:
        return self

    def __exit__(self, *_: object) -> None:
        """It goes on running, for whoever comes next."""

    def ask(self, *words: str) -> list[str]:
        assert self.process.stdin is not None and self.process.stdout is not None
        self.process.stdin.write("\t".join(words) + "\n")
        self.process.stdin.flush()
        answer = self.process.stdout.readline().rstrip("\n").split("\t")
        assert answer[0] != "ERROR", f"{words}: {answer}"
        return answer

    def fill(self, form: Path, answers: dict[str, str]) -> list[str]:
        """Open the form, answer in order what is asked; [] when all is accepted and the whole form is valid, else
        the first refusal as `question verdict`."""
        self.ask("FORM", str(form))
        for name, text in answers.items():
            said = self.ask("SET", name, text)
            if said[0] not in ("OK", "ABSENT"):
                return [name, *said]
        said = self.ask("VALIDATE")
        return [] if said == ["OK"] else ["whole form", *said]
