"""A month of a nursery, with everything that can go wrong in it, ends in the books of a calm one."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from tests.conftest import ROOT

DAYS = 30 if os.environ.get("CI") else 8


def test_a_month_of_bad_luck_ends_as_a_calm_one(tmp_path: Path) -> None:
    """Files built to harm, links, names that are no UTF-8, growing files, wrong clocks, full disks, kills; a backup of it is
    restored, and all proofs hold."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.robust.soak", str(tmp_path), str(DAYS), "20261102"],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
    )
    assert done.returncode == 0, (done.stdout + done.stderr)[-4000:]
    assert f"{DAYS} days" in done.stdout
