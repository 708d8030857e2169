"""What stands, by way of submissions: every recorded flow, doubtful counts told apart, and two groups seen together."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path
from typing import Any

import pytest

from formpack.group_code import issue
from pipeline import run
from pipeline.book import chains
from pipeline.findings import Refused
from pipeline.workspace import Workspace
from tests.cli.test_cli import formpack
from tests.conftest import looked_at, new_workspace, table

CODES = issue(2026, 801, 12)
LAST = dt.date(2026, 8, 31)
CULLS = "cull_off_type,cull_bent_root,cull_etiolated,cull_weak,cull_other"


class Bench:
    """A bench book that becomes tables of submissions."""

    def __init__(self, workspace: Workspace) -> None:
        self.workspace = workspace
        self.rows: dict[str, list[dict[str, Any]]] = {}
        self.number = 0

    def note(self, form: str, day: str, group: int, at: str = "10:00", who: str = "S01", **answers: Any) -> str:
        self.number += 1
        key = f"uuid:{form}-{self.number}"
        visit = {"KEY": key, "end": f"2026-{day}T{at}:00.000Z", "visit_date": f"2026-{day}", "staff_code": who}
        self.rows.setdefault(form, []).append({**visit, "group_code": CODES[group], **answers})
        return key

    def open(self, group: int, planted: int, place: str = "H1", day: str = "02-02") -> None:
        seed = {"seed_lot": "L2601-CARR", "rootstock": "CARRIZO", "sow_date": "2025-12-01"}
        plants = {"lifted": planted, "planted": planted, "location": place, **dict.fromkeys(CULLS.split(","), 0)}
        self.note("open_group", day, group, "08:00", **seed, **plants)

    def count(self, day: str, group: int, counted: int, at: str = "10:00", who: str = "S01", coverage: str = "whole") -> str:
        return self.note("stock_count", day, group, at, who, coverage=coverage, counted=counted, recount="yes")

    def counts(self, group: int, *counted: int, first: int = 3, who: str = "S01") -> None:
        for month, n in enumerate(counted, start=first):
            self.count(f"{month:02}-10", group, n, who=who)

    def write(self) -> None:
        """Put what was noted so far into the inbox, a table a form."""
        for form, rows in self.rows.items():
            text = "\n".join([",".join(rows[0]), *(",".join(str(v) for v in r.values()) for r in rows)])
            (self.workspace.inbox / f"{form}-{self.number}.csv").write_text(text + "\n", encoding="utf-8")
        self.rows = {}

    def take_in(self, day: dt.date = LAST) -> dict[str, tuple[Any, ...]]:
        """Import, and what stands: group -> (estimate, low, high, state)."""
        self.write()
        done = run.import_files(self.workspace, [self.workspace.inbox], day)
        assert done.states["accepted"] == sum(done.states.values()), table(self.workspace, "problems")
        return {r[0]: r[1:] for r in table(self.workspace, "standing", "group_code, estimate, low, high, state")}

    def doubts(self, group: int) -> list[tuple[Any, ...]]:
        columns = "likely_cause, advice, other_group, confidence"
        return table(self.workspace, "discrepancies", columns, f"group_code = '{CODES[group]}'")


@pytest.fixture
def bench(workspace: Workspace) -> Bench:
    return Bench(workspace)


def test_swapped_digits_are_told_and_the_right_number_stands(bench: Bench) -> None:
    bench.open(0, 1000)
    bench.counts(0, 948, 944, 940, 904, 937, 937)
    estimate, low, high, state = bench.take_in(dt.date(2026, 8, 11))[CODES[0]]
    assert 935 <= low <= estimate <= high <= 938 and state == "ok"
    ((cause, advice, other, confidence),) = [d for d in bench.doubts(0) if d[0] != "unrecorded loss"]
    assert (cause, other) == ("digits swapped", None) and confidence > 0.7
    assert (
        advice.startswith(f"{estimate} plants stand now")
        and "the count of 10 June 2026 probably has two digits swapped" in advice
    )
    assert "904 was written" in advice and advice.endswith("later counts bear this out, there is nothing to do.")
    ((p_wrong,),) = table(bench.workspace, "counts", "p_wrong", "counted = 904")
    assert p_wrong > 0.9
    assert table(bench.workspace, "staff_counting", "flagged") == [(1,)]


def test_a_last_count_in_doubt_is_to_be_counted_again_at_once(bench: Bench) -> None:
    bench.open(0, 1000)
    bench.counts(0, 998, 997, 996, 995, 944)
    _, low, high, state = bench.take_in(dt.date(2026, 7, 10))[CODES[0]]
    assert low <= 944 and high >= 990 and state == "recount"
    assert ("recount", dt.date(2026, 7, 10)) in table(bench.workspace, "due", "task, due_on")
    said = formpack("reconcile", "--as-of", "2026-07-10", cwd=bench.workspace.folder, code=1)
    assert "Count 1 group again:" in said and "26-0801" in said and "S01" in said


def test_a_move_that_nobody_wrote_down_names_both_groups(bench: Bench) -> None:
    for g in range(10):
        bench.open(g, 1000)
        bench.counts(g, *((998, 997, 997, 996, 995, 995) if g > 1 else ()))
    bench.counts(0, 998, 997, 936, 935, 935, 934)
    bench.counts(1, 999, 999, 1058, 1058, 1057, 1057)
    standing = bench.take_in()
    assert standing[CODES[0]][0] in range(930, 935) and standing[CODES[1]][0] in range(1053, 1058)
    ((cause, advice, other, confidence),) = bench.doubts(0)
    assert (cause, other) == ("transfer not recorded", CODES[1]) and confidence > 0.8
    assert "left for group" in advice and "10 April 2026 and 10 May 2026" in advice
    ((cause, advice, other, _),) = bench.doubts(1)
    assert (cause, other) == ("transfer not recorded", CODES[0]) and "came from group" in advice
    said = formpack("reconcile", "--as-of", "2026-08-31", cwd=bench.workspace.folder, code=0)
    assert "went from 26-0801" in said and "nobody wrote it down" in said


def test_counts_written_under_each_other_s_code(bench: Bench) -> None:
    bench.open(0, 1000)
    bench.open(1, 640)
    bench.counts(0, 998, 997, 996, 630, 995)
    bench.counts(1, 639, 637, 635, 995, 629)
    standing = bench.take_in(dt.date(2026, 7, 20))
    assert standing[CODES[0]][0] in range(993, 996) and standing[CODES[1]][0] in range(627, 632)
    for group, other in ((0, 1), (1, 0)):
        ((cause, advice, named, _),) = bench.doubts(group)
        assert (cause, named) == ("counts exchanged", CODES[other]) and "was probably exchanged with that of group" in advice


def test_exchanged_last_counts_are_no_move(bench: Bench) -> None:
    """Without a later count either would do; mixing up two signs is far more common than moving just that many."""
    bench.open(0, 1000)
    bench.open(1, 640)
    bench.counts(0, 998, 997, 996, 630)
    bench.counts(1, 639, 637, 635, 995)
    standing = bench.take_in(dt.date(2026, 6, 20))
    assert standing[CODES[0]][0] in range(990, 997) and standing[CODES[1]][0] in range(625, 637)
    assert {d[0] for d in bench.doubts(0) + bench.doubts(1)} == {"counts exchanged"}


def test_a_loss_noted_after_a_count_had_missed_it_is_taken_off_once(bench: Bench) -> None:
    bench.open(0, 1000)
    bench.counts(0, 1000, 999, 972)
    bench.note("loss", "05-14", 0, lost=27, loss_cause="dead", recount="yes")
    bench.counts(0, 972, 971, first=6)
    estimate, *_ = bench.take_in(dt.date(2026, 7, 10))[CODES[0]]
    assert estimate in (970, 971, 972)
    assert "loss noted after it was missed" in {d[0] for d in bench.doubts(0)}


@pytest.mark.parametrize(("at", "expected"), [("09:00", 985), ("11:00", 990)])
def test_of_one_day_what_was_saved_first_came_first(at: str, expected: int, bench: Bench) -> None:
    bench.open(0, 1000)
    bench.counts(0, 990, 990, 990)
    bench.note("loss", "06-10", 0, at, lost=5, loss_cause="dead", recount="yes")
    bench.count("06-10", 0, expected, "10:00")
    estimate, *_ = bench.take_in(dt.date(2026, 6, 10))[CODES[0]]
    assert estimate == 985
    assert bench.doubts(0) == []


def test_parts_of_several_days_are_one_count_after_which_its_culls_stand(bench: Bench) -> None:
    bench.open(0, 1000)
    none = {"cull_off_type": 0, "cull_bent_root": 0, "cull_etiolated": 0, "cull_disease": 0, "cull_other": 0, "dead": 0}
    bench.note("cull_round", "03-10", 0, coverage="part", counted=500, cull_weak=12, recount="yes", **none)
    bench.note("cull_round", "03-12", 0, coverage="last_part", counted=499, cull_weak=8, recount="yes", **none)
    estimate, *_ = bench.take_in(dt.date(2026, 3, 12))[CODES[0]]
    assert estimate in (979, 980)
    assert table(bench.workspace, "counts", "counted, on_date") == [(999, dt.date(2026, 3, 12))]


def test_a_merge_leaves_nothing_though_the_book_has_a_few_over(bench: Bench) -> None:
    bench.open(0, 1000)
    bench.open(1, 200)
    bench.note("transfer", "06-10", 1, to_group=CODES[0], moved=193, transfer_reason="merge", recount="yes")
    standing = bench.take_in(dt.date(2026, 6, 12))
    assert standing[CODES[1]][0] == 0
    assert table(bench.workspace, "standing", "stage, book_count, unrecorded_loss", f"group_code = '{CODES[1]}'") == [
        ("gone", 7, 7)
    ]
    assert standing[CODES[0]][0] in range(1185, 1194)


def test_split_and_despatch_and_a_group_never_counted(bench: Bench) -> None:
    bench.open(0, 1000)
    bench.open(2, 300)
    bench.counts(0, 998, 996)
    bench.note("transfer", "05-02", 0, to_group=CODES[1], moved=400, transfer_reason="split", recount="yes")
    bench.note("despatch", "06-02", 0, despatched=596, order_ref="O001", consignee="Alder Grove Farm", recount="yes")
    standing = bench.take_in(dt.date(2026, 6, 2))
    assert standing[CODES[0]][0] == 0
    assert standing[CODES[1]][0] in range(395, 401)
    estimate, low, high, state = standing[CODES[2]]
    assert low < estimate <= high <= 301 and estimate >= 296 and state == "ok"


def test_more_than_was_ever_there_is_impossible_and_said_so(bench: Bench) -> None:
    bench.open(0, 300)
    bench.counts(0, 299, 299, 992)
    estimate, _, high, state = bench.take_in(dt.date(2026, 5, 12))[CODES[0]]
    assert state == "impossible" and estimate <= 299 and high <= 300
    ((cause, advice, _, _),) = bench.doubts(0)
    assert cause and "992 was written, about 29" in advice


def test_more_taken_out_than_ever_came_in(bench: Bench) -> None:
    bench.open(0, 300)
    bench.note("loss", "05-02", 0, lost=320, loss_cause="frost", recount="yes")
    estimate, low, high, state = bench.take_in(dt.date(2026, 5, 12))[CODES[0]]
    assert (estimate, low, state) == (0, 0, "impossible") and high < 60
    said = formpack("reconcile", "--as-of", "2026-05-12", cwd=bench.workspace.folder, code=1)
    assert "More has been taken out than ever came in" in said


def test_an_empty_bench_is_empty(bench: Bench) -> None:
    """Nobody mixes up a group with one that is empty; two counts of none mean that the house is empty."""
    for g in range(4):
        bench.open(g, 1000)
    bench.note("transfer", "02-20", 1, to_group=CODES[2], moved=1000, transfer_reason="merge", recount="yes")
    bench.counts(0, 0, 0)
    standing = bench.take_in(dt.date(2026, 4, 10))
    assert standing[CODES[0]][:3] == (0, 0, 0)
    assert {d[0] for d in bench.doubts(0)} == {"unrecorded loss"}


def test_an_opening_that_every_count_contradicts(bench: Bench) -> None:
    bench.open(0, 1000)
    bench.counts(0, 1400, 1399, 1399)
    estimate, *_ = bench.take_in(dt.date(2026, 5, 12))[CODES[0]]
    assert estimate in range(1396, 1400)
    assert ("opening number wrong", None) in {(d[0], d[2]) for d in bench.doubts(0)}


def test_a_count_typed_without_a_time_may_stand_before_the_lorry(bench: Bench) -> None:
    for g, counted in ((0, 1000), (1, 400)):
        bench.open(g, 1000)
        bench.note("despatch", "03-10", g, despatched=600, order_ref="O001", consignee="Alder Grove Farm", recount="yes")
        bench.count("03-10", g, counted)
    for rows in bench.rows.values():
        for row in rows:
            row["end"] = ""
    standing = bench.take_in(dt.date(2026, 3, 11))
    assert standing[CODES[0]][0] == 400 and standing[CODES[1]][0] == 400
    assert bench.doubts(0) == bench.doubts(1) == []


def test_more_despatched_than_stood_puts_the_record_in_doubt_not_the_count(bench: Bench) -> None:
    bench.open(0, 1000)
    bench.counts(0, 1000)
    bench.note("despatch", "04-10", 0, despatched=1200, order_ref="O001", consignee="Alder Grove Farm", recount="yes")
    estimate, low, _, state = bench.take_in(dt.date(2026, 4, 11))[CODES[0]]
    assert (estimate, low, state) == (0, 0, "impossible")
    assert table(bench.workspace, "counts", "flagged") == [(False,)]
    said = formpack("reconcile", "--as-of", "2026-04-11", cwd=bench.workspace.folder, code=1)
    assert "look at the record of 10 April 2026, 1,200 despatched" in said


def test_the_same_transfer_entered_by_two_people(bench: Bench) -> None:
    bench.open(0, 1000)
    bench.open(1, 1000)
    bench.counts(0, 999, 999)
    bench.counts(1, 1000, 999)
    bench.note("transfer", "04-20", 0, "10:00", to_group=CODES[1], moved=300, transfer_reason="regrade", recount="yes")
    bench.note("transfer", "04-20", 0, "11:00", "S02", to_group=CODES[1], moved=300, transfer_reason="regrade", recount="yes")
    bench.counts(0, 699, 699, first=5)
    bench.counts(1, 1299, 1298, first=5)
    standing = bench.take_in(dt.date(2026, 6, 11))
    assert standing[CODES[0]][0] in (698, 699) and standing[CODES[1]][0] in range(1296, 1300)
    for group in (0, 1):
        ((cause, advice, _, _),) = bench.doubts(group)
        assert cause == "movement noted twice or not made" and "noted twice" in advice


def test_a_group_counted_after_it_was_merged_away_was_not_empty(bench: Bench) -> None:
    bench.open(0, 1000)
    bench.open(1, 500)
    bench.note("transfer", "03-01", 1, to_group=CODES[0], moved=500, transfer_reason="merge", recount="yes")
    bench.count("04-01", 1, 480)
    _, low, high, state = bench.take_in(dt.date(2026, 4, 2))[CODES[1]]
    assert high >= 480 and (state == "recount" or low >= 470)


def test_only_what_changed_is_worked_out_again(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    worked: list[int] = []
    anew = chains._anew
    monkeypatch.setattr(
        chains, "_anew", lambda c, *rest: worked.extend([len(c.length)] if len(c.length) else []) or anew(c, *rest)
    )
    for g in range(10):
        bench.open(g, 1000, place=("H1", "Y1")[g % 2])
        for m in range(2, 8):
            for d in (4, 11, 18, 25):
                bench.count(f"{m:02}-{d:02}", g, 1000 - m)
    bench.take_in(dt.date(2026, 8, 10))
    assert worked == [10]
    bench.take_in(dt.date(2026, 8, 11))
    assert worked == [10]
    bench.count("08-12", 3, 991)
    before = bench.take_in(dt.date(2026, 8, 12))
    assert worked[0] == 10 and sum(worked[1:]) < 5
    with looked_at(bench.workspace) as store:
        assert run.differs_when_rebuilt(store, bench.workspace) == []
        run.rebuild(store, bench.workspace, dt.date(2026, 8, 12))
    after = {r[0]: r[1:] for r in table(bench.workspace, "standing", "group_code, estimate, low, high, state")}
    assert after == before


def test_rates_may_be_fixed_and_must_make_sense(bench: Bench) -> None:
    bench.open(0, 1000)
    own = bench.workspace.folder / "nursery.toml"
    text = own.read_text(encoding="utf-8")
    own.write_text(text + "[counting]\nloss = 1.0\n", encoding="utf-8")
    bench.workspace = Workspace(bench.workspace.folder)
    estimate, *_ = bench.take_in(dt.date(2026, 3, 4))[CODES[0]]
    assert estimate in range(965, 985)  # a plant a day of a thousand, thirty days
    for wrong in ("exact = 2", "gross = 0.0", "loss = -1", 'error = "big"', "other = 1"):
        own.write_text(text + f"[counting]\n{wrong}\n", encoding="utf-8")
        with pytest.raises(Refused, match=r"nursery\.toml"):
            _ = Workspace(bench.workspace.folder).settings


def test_reconcile_prints_one_document(bench: Bench) -> None:
    bench.open(0, 1000)
    bench.counts(0, 998, 996)
    bench.take_in(dt.date(2026, 4, 10))
    said = json.loads(formpack("reconcile", "--json", "--as-of", "2026-04-10", cwd=bench.workspace.folder))
    assert said["as_of"] == "2026-04-10" and said["total"]["estimate"] in (996, 997)
    assert [s["label"] for s in said["by_stage"]] == ["tray"] and said["recounts"] == []
    assert set(said) == {
        "not_in_this",
        "people",
        "as_of",
        "total",
        "by_stage",
        "by_rootstock",
        "by_scion",
        "by_house",
        "recounts",
        "moves",
        "settled",
        "closed",
        "gone_by_stage",
        "gone_by_place",
        "place_faults",
    }
    words = formpack("reconcile", "--as-of", "2026-04-10", cwd=bench.workspace.folder)
    assert words.startswith("As of 10 April 2026, 99") and "No group needs to be counted again." in words


def test_a_nursery_with_nothing_in_it(tmp_path: Path) -> None:
    workspace = new_workspace(tmp_path / "n")
    run.import_files(workspace, [])
    assert "no group stands" in formpack("reconcile", cwd=workspace.folder)


def test_the_demo_s_hidden_moves_are_found(demo: Workspace) -> None:
    """The generator moved 64 plants on 14 July 2026 from 25-0015-57 to 25-0008-78 and had nobody write it down. It did so
    again on 8 September into 26-0010-45, but there the next count of the group that gave is itself wrong."""
    (move,) = json.loads(formpack("reconcile", "--json", cwd=demo.folder, code=1))["moves"]
    assert (move["from_group"], move["to_group"]) == ("25-0015-57", "25-0008-78") and abs(move["plants"] - 64) <= 3
    assert move["since"] <= "2026-07-14" <= move["until"]
    ((cause, difference),) = table(demo, "discrepancies", "likely_cause, difference", "group_code = '26001045'")
    assert cause == "unrecorded gain" and 50 <= difference <= 70
