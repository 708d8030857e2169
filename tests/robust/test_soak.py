"""A month of a nursery, with everything that can go wrong in it, ends in the books of a calm one."""

from __future__ import annotations

import os
from pathlib import Path

from tests.robust.books import module_run

DAYS = 9 if os.environ.get("CI") else 8


def test_days_of_bad_luck_end_as_calm_ones(tmp_path: Path) -> None:
    """Files built to harm, links, names that are no UTF-8, growing files, wrong clocks, full disks, kills; a backup of it is
    restored, and all proofs hold."""
    said = module_run("tests.robust.soak", tmp_path, DAYS, "20261102")
    assert f"{DAYS} days" in said
