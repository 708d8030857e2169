"""Lots that are read in part, buds set again, and failed buds that two forms move: what is due, noted and told to phones."""

from __future__ import annotations

import csv
import datetime as dt

import pytest

from pipeline.field import phone
from pipeline.workspace import Workspace
from tests.book.test_reconcile import CODES, Bench
from tests.conftest import looked_at, table

DAY = dt.date(2026, 8, 31)
OFF = dict.fromkeys("cull_off_type cull_weak cull_disease cull_bud_failed cull_other dead".split(), 0)


@pytest.fixture
def bench(workspace: Workspace) -> Bench:
    bench = Bench(workspace)
    bench.open(0, 950)
    return bench


def _bud(bench: Bench, day: str, group: int, buds_set: int, team: str = "T02", attempt: int = 1) -> str:
    lot = {"team_code": team, "attempt": attempt, "scion": "TAHITI", "budwood_batch": "B-TAH"}
    return bench.note("budding", day, group, **lot, buds_set=buds_set, passed_over=0)


def _read(bench: Bench, day: str, green: int, brown: int = 0, to: int | None = None, team: str = "T02", unsure: int = 0) -> str:
    buds = {"green": green, "brown": brown, "unsure": unsure, "missing": 0}
    aside = "" if to is None else CODES[to]
    return bench.note("bud_take", day, 0, team_code=team, attempt=1, **buds, set_aside_to=aside)


def _move(bench: Bench, day: str, moved: int, reason: str = "set_aside", group: int = 0, to: int = 1) -> str:
    return bench.note("transfer", day, group, to_group=CODES[to], moved=moved, transfer_reason=reason)


def _noted(bench: Bench, *rules: str) -> list[tuple[str, str]]:
    return [(r, i) for r, i in table(bench.workspace, "problems", "rule, instance_id") if r in rules]


def _facts(bench: Bench, group: int) -> list[str]:
    with looked_at(bench.workspace) as store:
        phone.write_lists(store, bench.workspace)
    with (bench.workspace.phone / "groups.csv").open(encoding="utf-8", newline="") as file:
        return next(r["facts"] for r in csv.DictReader(file) if r["code"] == CODES[group]).split(" # ")[0].split()


@pytest.mark.parametrize(("green", "is_due"), [(359, True), (360, False), (400, False)])
def test_the_rest_of_a_lot_stays_due_until_nine_in_ten_are_read(bench: Bench, green: int, is_due: bool) -> None:
    _bud(bench, "07-01", 0, 400)
    first = _read(bench, "07-22", green)
    bench.take_in(DAY)
    assert (("bud_take", dt.date(2026, 7, 22)) in table(bench.workspace, "due", "task, due_on")) == is_due
    assert _noted(bench, "fewer_read_than_set") == ([("fewer_read_than_set", first)] if is_due else [])
    assert _facts(bench, 0)[13] == f"T02:1:400:{400 - green}:{360 - green if is_due else 0}:2026-07-01"
    assert _facts(bench, 0)[14] == ("Team_2:_Joel_and_Nadia" if is_due else "-")


def test_unsure_buds_are_still_to_be_read(bench: Bench) -> None:
    _bud(bench, "07-01", 0, 400)
    _read(bench, "07-22", 340, unsure=60)
    bench.take_in(DAY)
    assert "bud_take" in [t for (t,) in table(bench.workspace, "due", "task")]
    assert _noted(bench, "fewer_read_than_set") == [], "all were read, and some are to be read again"


@pytest.mark.parametrize("said", ["all", "cannot", "rest", ""])
def test_what_was_said_on_the_phone_of_a_lot(bench: Bench, said: str) -> None:
    _bud(bench, "07-01", 0, 400)
    buds = {"green": 46, "brown": 0, "unsure": 0, "missing": 0, "set_aside_to": ""}
    read = bench.note("bud_take", "07-22", 0, team_code="T02", attempt=1, **buds, lot_said=said)
    bench.take_in(DAY)
    assert (("not_counted_again", read) in _noted(bench, "not_counted_again")) == (said == "cannot")
    ((message,),) = table(bench.workspace, "problems", "message", "rule = 'fewer_read_than_set'")
    assert message.startswith("Fewer buds of this lot have been read (46) than were set (400")
    assert ("these are all" in message) == (said == "all")


def test_nothing_is_left_to_read_where_the_group_has_moved_on(bench: Bench) -> None:
    _bud(bench, "07-01", 0, 400)
    _read(bench, "07-22", 46)
    bench.note("cut_back", "07-30", 0, coverage="whole", cut=940, not_ready=0, **OFF)
    bench.take_in(DAY)
    assert "bud_take" not in [t for (t,) in table(bench.workspace, "due", "task")]
    assert [r for r, _ in _noted(bench, "fewer_read_than_set")] == ["fewer_read_than_set"], "the numbers are still odd"
    assert _facts(bench, 0)[14] == "-"


def test_a_lot_that_was_never_read_stays_due_whatever_the_stage(bench: Bench) -> None:
    _bud(bench, "07-01", 0, 400)
    bench.note("cut_back", "07-30", 0, coverage="whole", cut=940, not_ready=0, **OFF)
    bench.take_in(DAY)
    assert "bud_take" in [t for (t,) in table(bench.workspace, "due", "task")]


@pytest.mark.parametrize(
    ("moved", "day", "reason", "is_noted"),
    [
        (30, "07-22", "set_aside", True),
        (20, "07-22", "set_aside", True),
        (50, "07-22", "set_aside", True),
        (50, "07-24", "set_aside", True),
        (49, "07-22", "set_aside", False),
        (50, "07-25", "set_aside", False),
        (50, "07-22", "regrade", False),
    ],
)
def test_failed_buds_moved_by_two_forms(bench: Bench, moved: int, day: str, reason: str, is_noted: bool) -> None:
    """Two readings move 30 and 20 to one group; a transfer says one of these, or both together."""
    _bud(bench, "07-01", 0, 450)
    _bud(bench, "07-01", 0, 450, "T04")
    _read(bench, "07-22", 420, 30, to=1)
    _read(bench, "07-22", 430, 20, to=1, team="T04")
    again = _move(bench, day, moved, reason)
    bench.take_in(DAY)
    assert _noted(bench, "moved_twice") == ([("moved_twice", again)] if is_noted else [])


def test_two_teams_that_share_a_group_are_no_double(bench: Bench) -> None:
    _bud(bench, "07-01", 0, 475)
    _bud(bench, "07-02", 0, 475, "T04")
    bench.take_in(DAY)
    assert _noted(bench, "budded_twice", "set_after_reading", "stage_out_of_order") == []


def test_plants_that_came_later_can_be_budded_too(bench: Bench) -> None:
    """950 and 300 that are moved in after the first buds were set; 20 more than that is within a miscount, 40 is not."""
    bench.open(2, 300)
    _bud(bench, "07-01", 0, 950)
    _move(bench, "07-05", 300, "merge", group=2, to=0)
    _bud(bench, "07-06", 0, 320, "T04")
    over = _bud(bench, "07-07", 0, 20, "T04")
    bench.take_in(DAY)
    assert _noted(bench, "budded_twice") == [("budded_twice", over)]


def test_the_attempt_that_is_due(bench: Bench) -> None:
    """What the list says where plants were budded wholly, in part, and where they came from elsewhere."""
    for group, planted in ((2, 400), (3, 400), (4, 400)):
        bench.open(group, planted)
    _bud(bench, "07-01", 0, 940)
    _read(bench, "07-22", 890, 50, to=1)
    _bud(bench, "07-01", 3, 200)
    _bud(bench, "07-01", 4, 200)
    lot = {"team_code": "T02", "attempt": 1, "green": 190, "brown": 10, "unsure": 0, "missing": 0, "set_aside_to": ""}
    bench.note("bud_take", "07-22", 4, **lot)
    _move(bench, "08-01", 10, "set_aside", group=4, to=5)
    _move(bench, "08-01", 100, "split", group=2, to=6)
    _move(bench, "08-01", 100, "split", group=3, to=7)
    bench.take_in(DAY)
    due = {0: "2", 1: "2", 2: "1", 3: "1", 4: "-", 5: "2", 6: "1", 7: "-"}
    assert {group: _facts(bench, group)[15] for group in due} == due
    assert {group: _facts(bench, group)[12] for group in (2, 6)} == dict.fromkeys((2, 6), "unbudded")
    assert {group: _facts(bench, group)[12] for group in (0, 1, 3, 7)} == dict.fromkeys((0, 1, 3, 7), "budded")
