"""Where to count next, by way of submissions and the command."""

from __future__ import annotations

import json
from typing import Any

import pytest

from formpack.group_code import shown
from pipeline.report import write_report
from pipeline.workspace import Workspace
from tests.bench.next_bench import Fewer, follow
from tests.book.test_reconcile import CODES, Bench
from tests.book.test_totals import DAY
from tests.cli.test_cli import formpack
from tests.conftest import copied, looked_at, new_workspace


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """Eight groups: six well known, one left open in house 1 (by S02), one in the yard that was not counted for months."""
    bench = Bench(new_workspace(tmp_path_factory.mktemp("round") / "nursery"))
    for group in range(8):
        bench.open(group, 1000, "Y1" if group == 7 else "H1")
    for group in range(6):
        for month in range(3, 9):
            bench.count(f"{month:02}-10", group, 1000 - month, who=f"S0{1 + (month + group) % 3}")
    bench.counts(6, 997, 996, 995, 994, 993, 850, who="S02")
    bench.counts(7, 997, who="S03")
    bench.take_in(DAY)
    return bench.workspace


@pytest.fixture
def nursery(prepared: Workspace, workspace: Workspace) -> Workspace:
    return copied(prepared, workspace)


def _next(workspace: Workspace, hours: str) -> dict[str, Any]:
    said = json.loads(formpack("reconcile", "--next", hours, "--json", "--as-of", f"{DAY}", cwd=workspace.folder, code=1))
    found: dict[str, Any] = said["next"]
    return found


def test_the_most_doubtful_group_comes_first_and_somebody_else_counts_it(nursery: Workspace) -> None:
    found = _next(nursery, "0.75")
    assert [g["group"] for g in found["groups"]][:1] == [shown(CODES[7])]
    first = found["groups"][0]
    assert (first["place"], first["not_by"]) == ("Yard 1", "S03")
    assert first["doubt_left"] < first["doubt"] / 2
    assert found["minutes"] <= 45 and found["houses"] == 1
    assert found["doubt_left"] < found["doubt"]


def test_more_hours_leave_less_doubt(nursery: Workspace) -> None:
    rounds = [_next(nursery, hours) for hours in ("0.1", "0.75", "1.5", "8")]
    assert rounds[0]["groups"] == [] and rounds[0]["doubt_left"] == rounds[0]["doubt"]
    assert "no group can be counted in that time" in rounds[0]["says"]
    left = [r["doubt_left"] for r in rounds]
    assert left == sorted(left, reverse=True) and left[0] > left[1] > left[2]
    assert {g["group"] for g in rounds[2]["groups"]} >= {shown(CODES[6]), shown(CODES[7])}
    houses = [g["house"] for g in rounds[3]["groups"]]
    assert houses == sorted(houses, key=houses.index), "each house is walked once"


def test_what_is_printed_is_a_table_and_a_sentence(nursery: Workspace) -> None:
    said = formpack("reconcile", "--next", "0.75", "--as-of", f"{DAY}", cwd=nursery.folder, code=1)
    assert "somebody other than S03" in said and "doubt left" in said
    last = said.strip().splitlines()[-1]
    found = _next(nursery, "0.75")
    assert last == found["says"]
    assert last.startswith("0.75 hours, 1 group of 1 house: the interval of what stands falls from ± ")
    assert f"from ± {found['doubt']:,} to ± {found['doubt_left']:,}" in last


def test_hours_that_make_no_sense_are_refused(nursery: Workspace) -> None:
    for hours in ("0", "-3", "100000"):
        assert "from 0.1 to 1,000" in formpack("reconcile", f"--next={hours}", cwd=nursery.folder, code=2)


def test_a_walk_takes_as_long_as_the_settings_say(nursery: Workspace) -> None:
    before = _next(nursery, "1")
    with (nursery.folder / "nursery.toml").open("a", encoding="utf-8") as settings:
        settings.write("[walk]\nplants_per_hour = 8000\nminutes_per_group = 1\nminutes_per_house = 2\n")
    after = _next(nursery, "1")
    assert len(after["groups"]) > len(before["groups"])
    assert {g["minutes"] for g in after["groups"]} <= {7, 8}


def test_what_is_owed_to_orders_is_weighed(nursery: Workspace) -> None:
    assert _next(nursery, "1")["promised"] is None, "nothing is budded, so nothing stands for an order"


def test_the_page_proposes_a_round(nursery: Workspace) -> None:
    with looked_at(nursery) as store:
        page = write_report(store, nursery)[0].read_text(encoding="utf-8")
    assert "Where to count next" in page and "somebody other than S02" in page
    assert "4 hours, " in page


def test_a_nursery_with_nothing_in_it(workspace: Workspace) -> None:
    Bench(workspace).take_in()
    said = formpack("reconcile", "--next", "4", "--as-of", f"{DAY}", cwd=workspace.folder)
    assert "4 hours: no group can be counted in that time" in said


class Tiny(Fewer):
    groups_made, staff = 40, 6


def test_half_the_hours_are_as_good_as_the_calendar() -> None:
    """`tests/bench/next_bench.py` in small: the interval of the whole, where the model knows neither people nor losses."""
    calendar, half = follow(2, 5, is_next=False, kind=Tiny, whole=7), follow(2, 2.5, is_next=True, kind=Tiny, whole=7)
    assert half.counted < 0.6 * calendar.counted
    assert half.doubt <= calendar.doubt
