"""What is not in the numbers is said before them."""

from __future__ import annotations

import datetime as dt
import json

import pytest

from pipeline import run
from pipeline.workspace import Workspace
from tests.book.test_reconcile import CODES, Bench
from tests.cli.test_cli import formpack
from tests.conftest import looked_at

DAY = dt.date(2026, 8, 31)


@pytest.fixture
def bench(workspace: Workspace) -> Bench:
    return Bench(workspace)


def take_in(bench: Bench) -> None:
    bench.write()
    run.import_files(bench.workspace, [bench.workspace.inbox], DAY)


def said(bench: Bench) -> list[str]:
    words = formpack("reconcile", "--json", "--as-of", str(DAY), cwd=bench.workspace.folder)
    return list(json.loads(words)["not_in_this"])


def test_an_opening_that_is_kept_out_hides_what_was_last_counted(bench: Bench) -> None:
    bench.open(0, 1000)
    bench.counts(0, 999, 998)
    bench.open(1, 900)
    bench.rows["open_group"][-1]["lifted"] = 910
    bench.counts(1, 780, 757)
    take_in(bench)
    shown = f"{CODES[1][:2]}-{CODES[1][2:6]}-{CODES[1][6:]}"
    assert said(bench) == [
        f"About 757 plants of 1 group are not in this: {shown} (757, its opening is kept out, 2 records wait for it).",
        "`formpack problems` says what to do.",
    ]
    words = formpack("reconcile", "--as-of", str(DAY), cwd=bench.workspace.folder, code=0)
    assert words.index("About 757 plants") < words.index("plants stand (")
    with looked_at(bench.workspace) as store:
        assert store.rows("SELECT rule, group_code FROM problems LIMIT 1") == [("impossible_value", CODES[1])]
        from pipeline.report import write_report

        page = write_report(store, bench.workspace)[0].read_text(encoding="utf-8")
    assert "757 plants of 1 group are in none of these numbers" in page


def test_what_leaves_a_group_and_is_kept_out_is_said_and_a_double_entry_is_not(bench: Bench) -> None:
    bench.open(0, 1000)
    bench.counts(0, 999, 998)
    bench.note("loss", "06-01", 0, lost=120, loss_cause="no such cause", recount="yes")
    for _ in range(2):
        bench.note("loss", "06-02", 0, lost=3, loss_cause="dead", recount="yes")
    take_in(bench)
    assert said(bench)[0] == "Records that take out or move 120 plants of 1 group are kept out or wait as well."


def test_where_nothing_is_held_back_nothing_is_said(bench: Bench) -> None:
    bench.open(0, 1000)
    bench.counts(0, 999, 998)
    take_in(bench)
    assert said(bench) == []
