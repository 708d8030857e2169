"""Whatever fails, wherever: the books and all files are those before or after, whole, and the command can be done again."""

from __future__ import annotations

from pathlib import Path

from tests.robust.books import module_run
from tests.robust.faults import CASES

MANY = 1
"""Faults in each case; `python -m tests.robust.faults` does all."""


def test_every_command_ends_in_before_or_after(tmp_path: Path) -> None:
    """Imports, decisions, a rebuilding, forms, signs, a report, a backup and a restoring; killed, stopped, refused, full."""
    said = module_run("tests.robust.faults", tmp_path, MANY, "20261102")
    assert said.count("kinds of end") == len(CASES)
