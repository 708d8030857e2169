"""Whatever fails, wherever: the books and all files are those before or after, whole, and the command can be done again."""

from __future__ import annotations

from pathlib import Path

from tests.robust.books import module_run
from tests.robust.faults import CASES

MANY = 1
"""Faults of each kind in each case; `python -m tests.robust.faults` does all."""
ALIKE = ("the page of a group", "another import", "sheets of what is due", "an inspection", "a hand-over", "a despatch paper")
"""Cases that go the way of another one: they are for who runs all."""


def test_every_command_ends_in_before_or_after(tmp_path: Path) -> None:
    """Imports, decisions, a rebuilding, forms, signs, a report, a backup, a restoring; killed, stopped, refused, full."""
    names = [case.name for case in CASES if case.name not in ALIKE]
    assert len(names) == len(CASES) - len(ALIKE)
    said = module_run("tests.robust.faults", tmp_path, MANY, "20261102", *names)
    assert said.count("kinds of end") == len(names)
