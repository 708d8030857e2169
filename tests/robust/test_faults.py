"""Whatever fails, wherever: the books and all files are those before or after, whole, and the command can be done again."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from tests.conftest import ROOT

MANY = 8 if os.environ.get("CI") else 3
"""Faults in each case; `python -m tests.robust.faults` does all."""


def test_every_command_ends_in_before_or_after(tmp_path: Path) -> None:
    """Imports, decisions, a rebuilding, forms, a report, a backup and a restoring, killed, stopped, refused and out of room."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.robust.faults", str(tmp_path), str(MANY), "20261102"],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
    )
    assert done.returncode == 0, (done.stdout + done.stderr)[-4000:]
    assert done.stdout.count("kinds of end") == 8
