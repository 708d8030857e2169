"""Plants counted once wherever they are moved, what vanishes in every rate, and plans that rest on both: small nurseries whose
numbers can be worked out by hand, and one with a truth that the models do not share."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.rates.losses import LEAST_AT_RISK
from pipeline.workspace import Workspace
from tests.bench import life_bench
from tests.book.test_reconcile import Bench
from tests.cli.test_cli import formpack
from tests.conftest import looked_at, new_workspace, table
from tests.rates.test_rates import CODES, NONE, bud, opened, read

CULLS = {**NONE, "location": "H1"}
LATE = {"cull_off_type": 0, "cull_weak": 0, "cull_disease": 0, "cull_bud_failed": 0, "cull_other": 0, "not_ready": 0, "dead": 0}


@pytest.fixture
def bench(workspace: Workspace) -> Bench:
    return staffed(workspace)


def staffed(workspace: Workspace) -> Bench:
    (workspace.folder / "lists" / "staff.csv").write_text("code,label,active\nS01,Abel,yes\nS02,Iris,yes\n")
    (workspace.folder / "lists" / "teams.csv").write_text("code,label,budder,wrapper,active\nT01,Team 1,S01,S02,yes\n")
    return Bench(workspace)


def note(bench: Bench, form: str, day: str, group: int, at: str = "10:00", **answers: Any) -> None:
    bench.note(form, day, 0, at, **answers)
    bench.rows[form][-1]["group_code"] = CODES[group]


def lose(bench: Bench, group: int, day: str, lost: int) -> None:
    note(bench, "loss", day, group, lost=lost, loss_cause="dead", recount="yes")


def bag(bench: Bench, group: int, day: str, bagged: int, dead: int = 0) -> None:
    note(bench, "bag_up", day, group, coverage="whole", bagged=bagged, **CULLS | {"dead": dead})


def cut(bench: Bench, group: int, day: str, left: int, dead: int = 0) -> None:
    note(bench, "cut_back", day, group, coverage="whole", cut=left, **LATE | {"dead": dead})


def move(bench: Bench, group: int, to: int, day: str, moved: int, why: str = "split") -> None:
    note(bench, "transfer", day, group, to_group=CODES[to], moved=moved, transfer_reason=why, recount="yes")


def count(bench: Bench, group: int, day: str, counted: int) -> None:
    note(bench, "stock_count", day, group, coverage="whole", counted=counted, recount="yes")


def despatch(bench: Bench, group: int, day: str, trees: int) -> None:
    note(bench, "despatch", day, group, despatched=trees, order_ref="O001", consignee="Farm", recount="yes")


def stage(bench: Bench, name: str) -> tuple[Any, ...]:
    columns = 'at_risk, lost, recorded, "left", survival'
    (row,) = table(bench.workspace, "survival", columns, f"clock = 'stage' AND step = '{name}' AND \"by\" = 'all'")
    return row


def test_a_plant_that_is_moved_is_at_risk_once(bench: Bench) -> None:
    """1,000 plants are bagged; half of them are moved to a group of their own, then a tenth of both is lost: 100 of 1,000, not
    of 1,500. Before that, 50 of 1,050 were lost in trays."""
    opened(bench, 0, 1050)
    bag(bench, 0, "03-02", 1000, dead=50)
    move(bench, 0, 1, "03-20", 500)
    for group in (0, 1):
        bud(bench, group, "T01", 450, day="05-04")
        bench.rows["budding"][-1]["passed_over"] = 0
        lose(bench, group, "04-13", 50)
    bench.take_in()
    assert stage(bench, "tray") == (1050, 50, 50, 0, pytest.approx(1 - 50 / 1050))
    assert stage(bench, "bag")[:2] == (1000, 100) and stage(bench, "bag")[4] == pytest.approx((1 - 50 / 1050) * 0.9)
    shares = table(bench.workspace, "loss_causes", "stage, cumulative", "stage <> 'all' AND \"by\" = 'all'")
    assert dict(shares) == {"tray": pytest.approx(50 / 1050), "bag": pytest.approx(0.1)}
    with looked_at(bench.workspace) as store:
        ((began, through),) = store.rows("SELECT sum(began), sum(through) FROM work.step_counts WHERE step = 'bagged'")
    assert (began, through) == (1000, 900)


def test_moved_plants_take_their_part_of_what_was_lost_before(bench: Bench) -> None:
    """A tenth of 1,000 is lost in trays before two thirds are moved away; only the third that stays goes on to bags, so the
    plants that are through with the trays are 300, with 33 of the 100 lost."""
    opened(bench, 0, 1000)
    lose(bench, 0, "02-20", 100)
    move(bench, 0, 1, "03-02", 600)
    bag(bench, 0, "03-20", 300)
    bench.take_in()
    assert stage(bench, "tray")[:2] == (333, 33)
    # both parts count in the share of what came into the stage
    causes = table(bench.workspace, "loss_causes", "lost, cumulative", "stage = 'tray' AND \"by\" = 'all'")
    assert causes == [(100, pytest.approx(0.1))]


def test_a_group_that_is_further_on_takes_plants_as_they_come(bench: Bench) -> None:
    """300 of a group in trays are put with bagged plants: they are through with the trays, and enter the bags."""
    opened(bench, 0, 800)
    opened(bench, 1, 400)
    bag(bench, 0, "03-02", 800)
    move(bench, 1, 0, "03-20", 300, "merge")
    bud(bench, 0, "T01", 1000, day="05-04")
    bench.rows["budding"][-1]["passed_over"] = 100
    bench.take_in()
    assert stage(bench, "tray")[:2] == (1100, 0) and stage(bench, "bag")[:2] == (1100, 0)


def vanishing(bench: Bench, off: int = 0) -> None:
    """Twelve groups of 1,000 of which 20 are lost on record and 30 vanish in trays; exact counts show it, or counts that are
    off by so many, up and down."""
    for g in range(12):
        opened(bench, g, 1000)
        count(bench, g, "02-20", 1000)
        lose(bench, g, "03-04", 20)
        count(bench, g, "03-20", 950 + off)
        count(bench, g, "04-10", 950 - off)
        if not off:
            bag(bench, g, "04-12", 950)
            bud(bench, g, "T01", 950, day="05-04")


def test_what_vanishes_is_lost_too(bench: Bench) -> None:
    vanishing(bench)
    bench.take_in()
    at_risk, lost, recorded, _, survival = stage(bench, "tray")
    assert (at_risk, recorded) == (12_000, 240) and lost == pytest.approx(600, abs=13)
    assert survival == pytest.approx(0.95, abs=0.002)
    ((now, by_records),) = table(
        bench.workspace,
        "survival",
        "survival, survival_recorded",
        "clock = 'days_from_opening' AND step = '70' AND \"by\" = 'all'",
    )
    assert now == pytest.approx(0.95, abs=0.002) and by_records == pytest.approx(0.98)
    causes = {
        r[0]: r[1:]
        for r in table(
            bench.workspace, "loss_causes", "cause, lost, cumulative, share_recorded", "stage = 'all' AND \"by\" = 'all'"
        )
    }
    # 950 and 1,000 may have been rounded: a plant a group is open
    assert causes["not_recorded"][0] == pytest.approx(360, abs=13)
    assert causes["not_recorded"][1] == pytest.approx(0.03, abs=0.0015)
    assert causes["not_recorded"][2] is None and causes["dead"] == (240, pytest.approx(0.02, abs=0.001), 1.0)
    columns = "sum(lost), sum(not_recorded), sum(otherwise), sum(despatched), sum(in_the_books), sum(standing)"
    ((gone, unseen, others, sent, book, standing),) = table(bench.workspace, "ladder", columns)
    assert gone + sent + book == 12_000 == gone + unseen + others + sent + standing
    assert unseen == causes["not_recorded"][0]
    with looked_at(bench.workspace) as store:
        rows = store.rows("SELECT sum(began), sum(through), sum(vanished) FROM work.step_counts WHERE step = 'transplanted'")
    assert rows == [(12_000, at_risk - lost, lost - recorded)]


def test_the_less_is_known_of_it_the_wider_the_interval(bench: Bench, tmp_path: Path) -> None:
    """All groups are alike, so leaving one out changes nothing: what is left of the error is what the counts leave open."""
    errors = []
    for name, off in (("exact", 0), ("rough", 9)):
        own = staffed(new_workspace(tmp_path / name))
        vanishing(own, off)
        own.take_in()
        where = "clock = 'days_from_opening' AND step = '60' AND \"by\" = 'all'"
        ((error, by_records),) = table(own.workspace, "survival", "se, survival_recorded", where)
        errors.append(error)
        assert by_records == pytest.approx(0.98)
    assert 0 <= errors[0] < errors[1] / 2 < 0.005


def test_a_move_that_nobody_wrote_down_is_no_loss(bench: Bench) -> None:
    for g in range(10):
        opened(bench, g, 1000)
        said = (998, 997, 997, 996, 995, 995)
        said = {0: (998, 997, 936, 935, 935, 934), 1: (999, 999, 1058, 1058, 1057, 1057)}.get(g, said)
        for month, n in enumerate(said, start=3):
            count(bench, g, f"{month:02}-10", n)
    bench.take_in()
    ((lost,),) = table(bench.workspace, "loss_causes", "lost", "cause = 'not_recorded' AND stage = 'all' AND \"by\" = 'all'")
    assert 40 <= lost <= 60  # five or so of each group, and not the sixty that went from one to the other
    assert table(bench.workspace, "ladder", "(sum(lost) + sum(not_recorded) + sum(otherwise) + sum(standing))::BIGINT") == [
        (10_000,)
    ]


def test_a_gain_takes_back_what_seemed_lost(bench: Bench) -> None:
    """Counts of 940 and 941 were of others who overlooked a bench; 998 stand. The ladder still adds up to the plant."""
    opened(bench, 0, 1000)
    for day, n in (("02-20", 1000), ("03-20", 999), ("04-20", 940), ("05-20", 998), ("06-20", 998)):
        count(bench, 0, day, n)
    opened(bench, 1, 400)
    for day in ("03-10", "04-10", "05-10"):
        count(bench, 1, day, 412)  # twelve more than were said to be opened
    bench.take_in()
    with looked_at(bench.workspace) as store:
        assert store.value("SELECT sum(quantity) FROM work.vanished") <= 3
    ((unseen, others, standing),) = table(
        bench.workspace, "ladder", "sum(not_recorded)::BIGINT, sum(otherwise)::BIGINT, sum(standing)::BIGINT"
    )
    assert unseen + others + standing == 1400 and unseen <= 3 and others < 0


def test_from_budding_those_enter_that_stood(bench: Bench) -> None:
    """1,000 stood when 300 of them were budded; 850 were sold and 100 died since. Nothing leaves that never entered."""
    opened(bench, 0, 1000)
    opened(bench, 1, 1000)
    for g in range(2):
        bag(bench, g, "03-02", 1000)
        bud(bench, g, "T01", 300, day="04-01")
        bench.rows["budding"][-1]["passed_over"] = 700
        lose(bench, g, "05-01", 100)
        despatch(bench, g, "06-01", 400)
        despatch(bench, g, "07-01", 450)
    bench.take_in()
    columns = "step::INTEGER AS step, at_risk, lost, survival, se"
    rows = table(bench.workspace, "survival", columns, "clock = 'days_from_budding' AND \"by\" = 'all'")
    steps = {r[0]: r[1:] for r in sorted(rows)}
    assert steps[10][:3] == (2000, 0, 1.0) and steps[20][:3] == (1800, 200, pytest.approx(0.9))
    assert max(r[3] for r in steps.values()) < 0.05 and min(r[2] for r in steps.values()) == pytest.approx(0.9)


def test_plants_split_off_are_followed_from_their_budding(bench: Bench) -> None:
    opened(bench, 0, 1000)
    bag(bench, 0, "03-02", 1000)
    bud(bench, 0, "T01", 1000, day="04-01")
    move(bench, 0, 1, "05-01", 600)
    lose(bench, 1, "06-10", 100)  # half of 40 days back: day 50
    count(bench, 0, "06-10", 400)
    bench.take_in()
    columns = "at_risk, lost, survival"
    ((risk, lost, survival),) = table(
        bench.workspace, "survival", columns, "clock = 'days_from_budding' AND step = '50' AND \"by\" = 'all'"
    )
    assert (risk, lost, survival) == (1000, 100, pytest.approx(0.9))
    for clock in ("days_from_opening", "days_from_budding"):  # also in the step in which they are moved
        assert table(bench.workspace, "survival", "max(at_risk)", f"clock = '{clock}' AND \"by\" = 'all'") == [(1000,)]


def test_no_row_rests_on_few(bench: Bench) -> None:
    """Of two groups of 80 one leaves: 160 are enough, 80 are not."""
    for g in range(2):
        opened(bench, g, 80)
        count(bench, g, f"0{8 - 5 * g}-10", 80)
    despatch(bench, 1, "04-13", 80)
    bench.take_in()
    rows = table(bench.workspace, "survival", "clock, step, at_risk")
    assert rows and min(r[2] for r in rows) >= LEAST_AT_RISK == 100
    assert max(int(step) for clock, step, _ in rows if clock == "days_from_opening") == 70


def test_those_still_waiting_count_for_ages(bench: Bench) -> None:
    """Sown on 1 December: bagged after 91, 101, 111 and 121 days, and three groups wait for it since 273 days. The middle of
    all seven is 121; that of those that came would be 106."""
    for g, day in enumerate(("03-02", "03-12", "03-22", "04-01")):
        opened(bench, g, 200)
        bag(bench, g, day, 200)
    for g in range(4, 7):
        opened(bench, g, 200)
    bench.take_in()
    with looked_at(bench.workspace) as store:
        assert store.rows("SELECT * FROM work.stage_ages") == [("bag", 121, 4, 3)]
    opened(bench, 7, 200)
    opened(bench, 8, 200)
    bench.take_in()  # four of nine: nobody knows the middle yet, and there is no date to be too early
    with looked_at(bench.workspace) as store:
        assert store.rows("SELECT * FROM work.stage_ages") == [("bag", None, 4, 5)]


def raised_without_bags(bench: Bench, groups: int = 8) -> None:
    """Groups that are budded in their trays and go all the way."""
    for g in range(groups):
        opened(bench, g, 1000)
        lose(bench, g, "02-20", 40 + g)
        bud(bench, g, "T01", 960 - g, day="03-10")
        read(bench, g, "T01", 880, 80 - g, day="03-31")
        cut(bench, g, "04-08", 950 - g, dead=10)
        note(
            bench,
            "stake",
            "05-20",
            g,
            coverage="whole",
            staked=940 - g,
            shoots_removed="yes",
            stakes_treated="no",
            **LATE | {"dead": 10},
        )
        note(bench, "top", "06-20", g, coverage="whole", topped=930 - g, **LATE | {"dead": 10})
        lose(bench, g, "07-10", 10)
        despatch(bench, g, "07-20", 920 - g)


def test_a_nursery_that_leaves_a_step_out_can_plan(bench: Bench) -> None:
    raised_without_bags(bench)
    bench.take_in()
    words = ("plan", "--rootstock", "CARRIZO", "--scion", "TAHITI", "--trees", "500", "--month", "2029-03")
    said = json.loads(formpack(*words, "--json", "--as-of", "2026-08-31", cwd=bench.workspace.folder))
    assert [s["step"] for s in said["steps"]] == ["transplanted", "budded", "read", "cut_back", "staked", "topped"]
    assert 500 / 0.85 < said["steps"][0]["at_80"] < said["steps"][0]["at_95"] < 1000
    assert said["too_late_to_sow"] is False


def test_too_late_says_what_stands_and_when_it_is_ready(bench: Bench) -> None:
    raised_without_bags(bench, 6)
    opened(bench, 6, 1000, day="07-01")
    bud(bench, 6, "T01", 500, day="08-01")
    opened(bench, 7, 700, day="07-01")
    bench.take_in()
    words = ("plan", "--rootstock", "CARRIZO", "--scion", "TAHITI", "--trees", "500", "--month", "2027-06")
    said = formpack(*words, "--as-of", "2026-08-31", cwd=bench.workspace.folder)
    assert "too late to sow now" in said and "Of CARRIZO + TAHITI now: 1,000 plants in 1 group." in said
    assert "Jun 2027" in said.splitlines()[-3] and "By June 2027 that makes about" in said
    assert "Of CARRIZO not budded yet: 700 plants in 1 group; trees of them can be ready in June 2027." in said


def test_no_data_no_band(bench: Bench) -> None:
    """In the first year nothing has gone through the later steps: no band is made up."""
    opened(bench, 0, 500)
    bud(bench, 0, "T01", 400)
    read(bench, 0, "T01", 350, 50)
    (bench.workspace.folder / "lists" / "orders.csv").write_text(
        "code,label,consignee,scion,rootstock,quantity,wanted_on\nA,A,Farm,TAHITI,CARRIZO,300,2027-06-01\n"
    )
    bench.take_in()
    columns = "ready, low, high, low_until, chance_enough, shortfall"
    assert table(bench.workspace, "projection", columns) == [(350, None, None, None, None, 0)]
    said = formpack("plan", "--as-of", "2026-08-31", cwd=bench.workspace.folder, code=0)
    assert "there are no data for them" in said and "no band can be given" in said
    formpack("report", "--as-of", "2026-08-31", cwd=bench.workspace.folder, code=None)
    page = (bench.workspace.reports / "nursery-report.html").read_text(encoding="utf-8")
    assert "no data" in page and "350 to 350" not in page


def test_a_nursery_whose_truth_is_not_the_models() -> None:
    """Frail groups, clumped losses, a third of the dead never written down, splits: shares of stages within two points,
    the curve within three errors, what vanished found to a tenth."""
    found = life_bench.measured(3, life_bench.truth(4000), plans=False)
    assert abs(np.mean(found["vanished: share that is told"]) - 1) < 0.1
    assert max(abs(v) for v in found["days_from_opening: bias in points"]) < 4
    assert np.mean(found["days_from_opening: within two errors"]) >= 0.75
    assert all(abs(found[f"stage {name}: bias in points"][0]) < 3 for name in life_bench.STAGES)
    assert found["days_from_budding: largest error"][0] < 0.05
