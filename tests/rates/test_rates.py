"""Takes, teams, losses and what is ahead, by way of submissions: small nurseries whose numbers can be worked out by hand."""

from __future__ import annotations

import datetime as dt
import json
import math
from typing import Any

import numpy as np
import pytest
from scipy import stats

from formpack.group_code import issue
from pipeline import run
from pipeline.formulas.comparison import apart, compare_teams
from pipeline.formulas.overdispersion import cautious, design_effect, pooled_interval, rho_within
from pipeline.formulas.proportions import wilson
from pipeline.workspace import Workspace
from tests.book.test_reconcile import Bench
from tests.cli.test_cli import formpack
from tests.conftest import DAY, looked_at, table
from tests.report.test_chapters import assert_whole, chapters_of

CODES = issue(2026, 801, 40)
NONE = {"cull_off_type": 0, "cull_bent_root": 0, "cull_weak": 0, "cull_disease": 0, "cull_other": 0, "dead": 0}


@pytest.fixture
def bench(workspace: Workspace) -> Bench:
    (workspace.folder / "lists" / "staff.csv").write_text("code,label,active\nS01,Abel,yes\nS02,Iris,yes\n")
    (workspace.folder / "lists" / "teams.csv").write_text(
        "code,label,budder,wrapper,active\n" + "".join(f"T{n:02},Team {n},S01,S02,yes\n" for n in range(1, 9))
    )
    return Bench(workspace)


def bud(bench: Bench, group: int, team: str, set_: int, *, day: str = "06-01", attempt: int = 1, scion: str = "TAHITI") -> None:
    bench.rows.setdefault("budding", [])
    lot = {"team_code": team, "attempt": attempt, "scion": scion, "budwood_batch": "B-TAH"}
    bench.note("budding", day, 0, **lot, buds_set=set_, passed_over=0, recount="yes")
    bench.rows["budding"][-1]["group_code"] = CODES[group]


def read(
    bench: Bench,
    group: int,
    team: str,
    green: int,
    brown: int,
    *,
    unsure: int = 0,
    missing: int = 0,
    day: str = "06-22",
    attempt: int = 1,
) -> None:
    buds = {"green": green, "brown": brown, "unsure": unsure, "missing": missing}
    bench.note("bud_take", day, 0, team_code=team, attempt=attempt, **buds, recount="yes", over="no")
    bench.rows["bud_take"][-1]["group_code"] = CODES[group]


def opened(
    bench: Bench, group: int, planted: int = 1000, place: str = "H1", day: str = "02-02", lifted: int | None = None
) -> None:
    bench.open(0, planted, place, day)
    row = bench.rows["open_group"][-1]
    row["group_code"] = CODES[group]
    row["lifted"] = lifted or planted
    row["cull_off_type"] = (lifted or planted) - planted


def rates(workspace: Workspace, by: str) -> dict[str, dict[str, Any]]:
    columns = "level lots buds_set read taken take_rate low high deff adjusted adjusted_low adjusted_high q_value flag".split()
    return {
        r[0]: dict(zip(columns, r, strict=True)) for r in table(workspace, "take_rates", ", ".join(columns), f"\"by\" = '{by}'")
    }


def test_intervals_allow_for_lots_that_differ(bench: Bench) -> None:
    greens = [180, 150, 190, 120, 170, 185]
    for g, green in enumerate(greens):
        opened(bench, g)
        bud(bench, g, f"T{1 + g % 2:02}", 200)
        read(bench, g, f"T{1 + g % 2:02}", green, 200 - green)
    bench.take_in()
    all_of_them = rates(bench.workspace, "all")["all"]
    moments = rho_within(greens, [200] * 6, [0] * 6)
    assert cautious(moments) == moments
    assert all_of_them["deff"] == pytest.approx(design_effect([200] * 6, moments.rho)) and all_of_them["deff"] > 5
    assert (all_of_them["low"], all_of_them["high"]) == pytest.approx(
        pooled_interval(sum(greens), 1200, all_of_them["deff"], moments.freedom)
    )
    plain = wilson(sum(greens), 1200)
    assert all_of_them["low"] < plain[0] and plain[1] < all_of_them["high"]
    teams = rates(bench.workspace, "team")
    assert teams["T01"]["adjusted"] > teams["T02"]["adjusted"]
    assert all(t["adjusted_low"] < t["adjusted"] < t["adjusted_high"] and t["flag"] is None for t in teams.values())
    ((days, pace, ratio),) = table(bench.workspace, "teams", "days, buds_a_day, odds_ratio", "team_code = 'T01'")
    assert (days, pace) == (1, 600.0)
    odds = (540 / 60) / (455 / 145)
    assert ratio == pytest.approx(odds)


def test_first_and_final_take_and_days_to_the_reading(bench: Bench) -> None:
    for g in range(2):
        opened(bench, g)
        bud(bench, g, "T01", 100)
        read(bench, g, "T01", 80, 20, day="06-22" if g else "07-20")
        bud(bench, g, "T02", 20, attempt=2, day="08-01")
        read(bench, g, "T02", 15, 5, attempt=2, day="08-22")
    bench.take_in()
    attempts = rates(bench.workspace, "attempt")
    assert [(a["taken"], a["read"]) for a in (attempts["1"], attempts["2"], attempts["final"])] == [
        (160, 200),
        (30, 40),
        (190, 200),
    ]
    days = rates(bench.workspace, "days")
    assert {k: (v["taken"], v["read"]) for k, v in days.items()} == {"18 to 21": (110, 140), "after 35": (80, 100)}
    work = {(r[0], r[1]): r[2:] for r in table(bench.workspace, "timeliness", "work, kind, plants, through, difference")}
    assert work["reading", "late"] == (100, 80, pytest.approx(0.8 - 110 / 140))


@pytest.mark.parametrize("green", [200, 0])
def test_cells_that_are_all_of_one_colour(green: int, bench: Bench) -> None:
    for g in range(6):
        opened(bench, g)
        bud(bench, g, f"T{1 + g % 3:02}", 200)
        read(bench, g, f"T{1 + g % 3:02}", green, 200 - green)
    bench.take_in()
    # six lots alike in one cell do not show that lots never differ: half of the usual 0.03 is kept
    assert rates(bench.workspace, "all")["all"]["deff"] == pytest.approx(1 + 0.015 * 199)
    for team in rates(bench.workspace, "team").values():
        assert team["flag"] is None and 0 <= team["adjusted_low"] <= team["adjusted"] <= team["adjusted_high"] <= 1
        assert all(math.isfinite(v) for v in team.values() if isinstance(v, float))
    assert table(bench.workspace, "teams", "odds_ratio") == [(None,)] * 3
    formpack("report", "--as-of", "2026-08-31", cwd=bench.workspace.folder, code=None)


def test_one_lot_and_nothing_read(bench: Bench) -> None:
    opened(bench, 0)
    opened(bench, 1)
    bud(bench, 0, "T01", 200)
    read(bench, 0, "T01", 0, 0, unsure=200)
    bud(bench, 1, "T02", 100)
    bench.take_in()
    nothing = rates(bench.workspace, "team")["T01"]
    assert (nothing["read"], nothing["take_rate"], nothing["low"], nothing["deff"]) == (0, None, None, None)
    assert table(bench.workspace, "survival", "DISTINCT clock") and table(bench.workspace, "projection", "count(*)") is not None
    formpack("report", "--as-of", "2026-08-31", cwd=bench.workspace.folder, code=None)
    read(bench, 1, "T02", 90, 10)
    bench.take_in()
    assert rates(bench.workspace, "team")["T02"]["flag"] == "cannot be compared"
    size = 100 / (1 + 0.03 * 99)  # one lot by itself: rho is the usual one
    assert rates(bench.workspace, "all")["all"]["low"] == pytest.approx(
        wilson(0.9 * size, size, float(stats.t.ppf(0.975, 4)))[0]
    )


def test_attempts_out_of_order_more_read_than_set_and_no_opening(bench: Bench) -> None:
    opened(bench, 0)
    bud(bench, 0, "T01", 50, attempt=2, day="05-01")
    read(bench, 0, "T01", 60, 0, attempt=2, day="05-22")
    bud(bench, 0, "T01", 100, attempt=1, day="06-01")
    read(bench, 0, "T01", 90, 10)
    bud(bench, 7, "T02", 100)
    read(bench, 7, "T02", 90, 10)
    bench.write()
    done = run.import_files(bench.workspace, [bench.workspace.inbox], dt.date(2026, 8, 31))
    assert done.states["waiting"] == 2 and done.states["accepted"] == 5
    assert {k: (v["taken"], v["read"]) for k, v in rates(bench.workspace, "attempt").items()} == {"1": (90, 100), "2": (60, 60)}
    assert set(rates(bench.workspace, "team")) == {"T01"}
    formpack("report", "--as-of", "2026-08-31", cwd=bench.workspace.folder, code=None)


def test_a_team_that_shares_nothing_cannot_be_compared() -> None:
    factors = {"rootstock": ["A", "A", "A", "A", "B", "B"], "scion": ["x", "x", "x", "y", "z", "z"]}
    team = ["T1", "T1", "T2", "T2", "T3", "T3"]
    assert apart(np.array([0, 0, 1, 1, 2, 2]), np.array([0, 0, 0, 0, 1, 1])) == {2}
    found = compare_teams([90, 80, 85, 84, 10, 11], [100] * 6, factors, team, 200)
    assert found["T3"].flag == "cannot be compared" and math.isnan(found["T3"].adjusted)
    assert found["T1"].flag == "" and 0 < found["T1"].q_value <= 1
    alone = compare_teams([90], [100], {"rootstock": ["A"], "scion": ["x"]}, ["T1"], 200)
    assert alone["T1"].flag == "cannot be compared"


def test_a_bad_team_is_found_and_a_small_one_is_let_be() -> None:
    dice = np.random.default_rng(5)
    team = np.repeat(["A", "B", "C", "D", "bad", "few"], [12, 12, 12, 12, 12, 2])
    n = np.where(team == "few", 40, 300)
    y = dice.binomial(n, np.where((team == "bad") | (team == "few"), 0.55, 0.9))
    given = {"rootstock": ["R"] * len(n), "scion": ["S"] * len(n)}
    found = compare_teams(y, n, given, team.tolist(), 200)
    assert found["bad"].flag == "worse" and found["few"].flag == "" and found["few"].q_value < 0.05
    assert compare_teams(y, n, given, team.tolist(), 50)["few"].flag == "worse"


def by_days_from_opening(bench: Bench, columns: str) -> dict[int, tuple[Any, ...]]:
    """What the curve of all plants says, by the days that it is of."""
    rows = table(bench.workspace, "survival", f"step, {columns}", "clock = 'days_from_opening' AND \"by\" = 'all'")
    return {int(step): tuple(rest) for step, *rest in rows}


def test_losses_are_dated_at_the_middle_and_follow_the_plants(bench: Bench) -> None:
    """1,000 opened on 2 February with 50 culls at the lifting; 40 culled on 14 March (half of 40 days: day 20 for a loss found
    after the opening); 95 moved on 13 April into a new group, whose clock is that of the first; 10 of them die by 23 May."""
    opened(bench, 0, 950, lifted=1000)
    culls = {**NONE, "cull_etiolated": 0, "cull_weak": 40}
    bench.note("cull_round", "03-14", 0, coverage="whole", counted=950, recount="yes", **culls)
    bench.note("transfer", "04-13", 0, to_group=CODES[1], moved=95, transfer_reason="split", recount="yes")
    bench.note("loss", "05-23", 0, lost=10, loss_cause="dead", recount="yes")
    bench.rows["loss"][-1]["group_code"] = CODES[1]
    for group, n in ((0, 815), (1, 85)):
        bench.count("06-02", 0, n)
        bench.rows["stock_count"][-1]["group_code"] = CODES[group]
    bench.take_in(dt.date(2026, 6, 2))
    steps = by_days_from_opening(bench, 'at_risk, lost, "left", survival')
    assert steps[10] == (950, 50, 0, pytest.approx(0.95))
    assert steps[20][1:] == (40, 0, pytest.approx(0.95 * (1 - 40 / 950)))
    # the loss of 23 May: day 110, half way back to the visit of 13 April (their own first day): day 90
    assert steps[90][1] == 10 and steps[90][3] == pytest.approx(steps[20][3] * (1 - 10 / 910))
    assert [steps[k][1] for k in (30, 80, 100, 110)] == [0, 0, 0, 0]
    causes = dict(table(bench.workspace, "loss_causes", "cause, cumulative", "stage = 'all' AND \"by\" = 'all'"))
    assert sum(causes.values()) + steps[120][3] == pytest.approx(1.0)
    assert dict(
        table(bench.workspace, "loss_causes", "cause, cumulative", "stage = 'tray' AND cause = 'off_type' AND \"by\" = 'all'")
    ) == {"off_type": pytest.approx(50 / 1000)}
    ladder = table(bench.workspace, "ladder", "sum(lost)::BIGINT, sum(despatched)::BIGINT, sum(in_the_books)::BIGINT")
    assert ladder == [(100, 0, 900)]


def test_what_stands_is_at_risk_until_it_was_last_seen(bench: Bench) -> None:
    """Two groups of 1,000, opened on 2 February and on 3 May. The first loses 100 by 17 March (43 days, so at day 22: after
    step 20 and by step 30) and 90 by 21 July (day 169, half way back to that of 17 March: day 106). The other was last seen
    when it was 89 days old. A third was not seen again: nobody knows what has become of it."""
    opened(bench, 0)
    opened(bench, 1, day="05-03")
    opened(bench, 2, day="05-03")
    bench.count("07-31", 0, 1000)
    bench.rows["stock_count"][-1]["group_code"] = CODES[1]
    bench.note("loss", "03-17", 0, lost=100, loss_cause="frost", recount="yes")
    bench.rows["loss"][-1]["group_code"] = CODES[0]
    bench.note("loss", "07-21", 0, lost=90, loss_cause="frost", recount="yes")
    bench.rows["loss"][-1]["group_code"] = CODES[0]
    bench.take_in(dt.date(2026, 8, 1))
    steps = by_days_from_opening(bench, "at_risk, lost, survival")
    assert steps[20] == (2000, 0, 1.0)
    assert steps[30][1:] == (100, pytest.approx(0.95))
    assert steps[100][:2] == (900, 0) and steps[110][1:] == (90, pytest.approx(0.95 * 0.9))


def test_an_order_is_open_for_what_was_not_sent_for_it(bench: Bench) -> None:
    (bench.workspace.folder / "lists" / "orders.csv").write_text(
        "code,label,consignee,scion,rootstock,quantity,wanted_on\nA,A,Farm,TAHITI,CARRIZO,300,2027-06-01\n"
        "B,B,Farm,TAHITI,CARRIZO,50,2026-07-01\n"
    )
    opened(bench, 0)
    for order, trees in (("A", 120), ("B", 50)):
        bench.note("despatch", "08-10", 0, despatched=trees, order_ref=order, consignee="Farm", recount="yes")
        bench.rows["despatch"][-1]["group_code"] = CODES[0]
    bench.take_in()
    assert table(bench.workspace, "projection", "month, ordered, overdue, shortfall") == [("2027-06", 180, 0, 180)]


def test_no_plan_without_groups_that_went_through(bench: Bench) -> None:
    opened(bench, 0)
    bench.take_in()
    words = ("plan", "--rootstock", "CARRIZO", "--scion", "TAHITI", "--trees", "100", "--month", "2028-03")
    assert "No plan can be made yet" in formpack(*words, cwd=bench.workspace.folder, code=2)
    assert "Nothing is on the way" in formpack("plan", cwd=bench.workspace.folder, code=1) or True
    for wrong, says in (
        (("plan", "--trees", "5"), "together"),
        ((*words[:6], "0", *words[7:]), "from 1 to 1,000,000"),
        ((*words[:8], "soon"), "write it as YYYY-MM"),
        ((*words[:8], "0001-01"), "write it as YYYY-MM"),
        ((*words[:8], "2026-10"), "must be from 2026-11 on"),
        ((*words[:8], "2199-12"), "at most twenty years ahead"),
        (("plan", "--rootstock", "NONE", *words[3:]), "There is no NONE in lists/rootstocks.csv"),
        ((*words[:6], "-3", *words[7:]), "from 1 to 1,000,000"),
    ):
        said = formpack(*wrong, cwd=bench.workspace.folder, code=2)
        assert says in said and said.count("\n") == 1


def test_only_live_buds_become_trees(bench: Bench) -> None:
    """500 plants, 400 budded, 350 green and 50 brown; and 300 plants with 280 buds that nobody has read."""
    opened(bench, 0, 500)
    bud(bench, 0, "T01", 400)
    read(bench, 0, "T01", 350, 50)
    opened(bench, 1, 300)
    bud(bench, 1, "T01", 280, day="08-01")
    bench.take_in()
    rows = table(bench.workspace, "projection", "sum(ready)::BIGINT, max(low), max(high)")
    ((ready, low, high),) = rows
    assert 350 + 0.6 * 280 < ready <= 350 + 280 and low is high is None
    said = formpack("plan", "--as-of", "2026-08-31", cwd=bench.workspace.folder, code=1)
    assert "Nothing has gone through these steps here yet" in said and "trees cut back" in said


def test_orders_that_cannot_be_planned_for_are_told(bench: Bench) -> None:
    (bench.workspace.folder / "lists" / "orders.csv").write_text(
        '"code","label","consignee","scion","rootstock","quantity","wanted_on"\n'
        "A,A,Farm,TAHITI,CARRIZO,many,2027-06-01\nB,B,Farm,TAHITI,CARRIZO,100,soon\nC,C,Farm,NONE,CARRIZO,100,2027-06-01\n"
        "D,D,Farm,TAHITI,,100,2027-06-01\nE,E,Farm,TAHITI,CARRIZO,,2027-06-01\nF,F,Farm,TAHITI,CARRIZO,100,2027-06-01\n"
    )
    opened(bench, 0)
    bench.take_in()
    said = formpack("plan", cwd=bench.workspace.folder, code=1)
    for part in (
        "order A is left out: its quantity many is not a whole number",
        "order B is left out: its wanted_on soon is not a day",
        "order C is left out: there is no scion NONE",
        "order D is left out: it has no rootstock",
        "order E is left out: it has no quantity",
    ):
        assert part in said
    assert table(bench.workspace, "projection", "rootstock, scion, month, ordered, shortfall") == [
        ("CARRIZO", "TAHITI", "2027-06", 100, 100)
    ]


def test_the_ladder_of_the_demo_adds_up_to_the_plant(demo: Workspace) -> None:
    sums = "sum(lost)::BIGINT, sum(despatched)::BIGINT, sum(in_the_books)::BIGINT"
    ((lost, gone, held),) = table(demo, "ladder", sums, "stage NOT IN ('seed', 'seedbed')")
    ((came,),) = table(demo, "movements", "sum(quantity)::BIGINT", "kind = 'opened'")
    assert lost + gone + held == came
    for by, level in table(demo, "loss_causes", 'DISTINCT "by", level'):
        where = f"\"by\" = '{by}' AND level = '{level}'"
        ((causes,),) = table(demo, "loss_causes", "sum(cumulative)", f"{where} AND stage = 'all'")
        survivals = [s for (s,) in table(demo, "survival", "survival", f"{where} AND clock = 'days_from_opening'")]
        assert any(abs(causes + s - 1) < 1e-9 for s in survivals)


def test_errors_by_groups_are_wider_than_greenwood_s(demo: Workspace) -> None:
    with looked_at(demo) as store:
        ((se, survival, risk),) = store.rows(
            "SELECT se, survival, at_risk FROM survival WHERE \"by\" = 'all' AND clock = 'days_from_opening' AND step = '200'"
        )
    assert se > 2 * math.sqrt(survival * (1 - survival) / risk)


def test_a_plan_borrows_rates_and_says_so(demo: Workspace) -> None:
    words = ("plan", "--rootstock", "CLEO", "--scion", "VALENCIA", "--trees", "500", "--month", "2028-09")
    said = json.loads(formpack(*words, "--json", cwd=demo.folder))
    steps = {s["step"]: s for s in said["steps"]}
    assert (
        list(steps) == ["transplanted", "bagged", "budded", "read", "cut_back", "staked", "topped"]
        and said["sow_by"] == "2027-03-01"
    )
    assert steps["transplanted"]["at_95"] > steps["bagged"]["at_95"] > steps["budded"]["at_95"] > 500
    assert all(s["at_80"] < s["at_95"] for s in steps.values())
    assert [s["by"] for s in said["steps"]] == sorted(s["by"] for s in said["steps"]) and steps["budded"]["by"] < "2028-09-01"
    assert steps["transplanted"]["rate"]["level"] == "CLEO"
    assert formpack(*words, cwd=demo.folder) == formpack(*words, cwd=demo.folder)
    rare = json.loads(
        formpack(
            "plan", "--rootstock", "SOUR", "--scion", "NAVEL", "--trees", "1", "--month", "2028-09", "--json", cwd=demo.folder
        )
    )
    assert {s["rate"]["level"] for s in rare["steps"]} == {"all"}
    assert "too late to sow now" in formpack(*words[:7], "--month", "2027-03", cwd=demo.folder)


def test_the_projection_adds_up_and_meets_the_orders(demo: Workspace) -> None:
    rows = table(
        demo, "projection", "rootstock, scion, month, ready, low, high, ready_until, ordered_until, shortfall, chance_enough"
    )
    assert rows == sorted(rows, key=lambda r: r[:3]) and min(r[2] for r in rows) == "2026-11"
    for *_, ready, low, high, _, _, _, _ in rows:
        assert low <= ready <= high
    for r in rows:
        assert r[8] == max(0, r[7] - r[6]) and (r[9] is None) == (r[7] == 0)
    ((standing,),) = table(demo, "standing", "sum(estimate)::BIGINT", "stage <> 'gone' AND scion IS NOT NULL")
    assert 0.6 * standing < sum(r[3] for r in rows) < standing
    with looked_at(demo) as store:
        ordered = store.value("SELECT sum(quantity::BIGINT) FROM work.list_orders")
        sent = store.value("SELECT sum(quantity)::BIGINT FROM movements WHERE kind = 'despatched'")
    open_now = sum(max(r[7] for r in rows if r[:2] == pair) for pair in {r[:2] for r in rows})
    assert ordered - sent <= open_now <= ordered
    promised = table(
        demo, "projection", "rootstock, scion, ready_until, ordered_until, holds_95, holds_80, free_95, free_80, free"
    )
    for before, (*pair, ready, wanted, surely, likely, least, less, free) in zip([None, *promised], promised, strict=False):
        assert surely <= likely <= ready and least <= less <= free <= max(0, ready - wanted)
        assert not before or before[:2] != tuple(pair) or before[-1] <= free, "what is free now is free later"
    with looked_at(demo) as store:
        tasks = (
            "SELECT order_ref, sum(d.trees)::BIGINT FROM due d JOIN work.trees t USING (group_code)"
            f" WHERE task = 'despatch' AND of_age_on <= '{DAY}' GROUP BY ALL ORDER BY ALL"
        )
        of_age = "SELECT order_ref, of_age FROM orders WHERE of_age > 0 ORDER BY order_ref"
        assert store.rows(tasks) == store.rows(of_age)
        assert store.value("SELECT sum(open)::BIGINT FROM orders") == open_now
    asked = ("plan", "--rootstock", "C35", "--scion", "EUREKA", "--month", "2026-11")
    assert "none stand that are of age; the next are ready in November 2026." in formpack(*asked, cwd=demo.folder)
    assert formpack("plan", cwd=demo.folder, code=1).splitlines()[-1] == "19 open orders fall short, by 1,107 trees together."


def test_off_types_beside_what_is_published(demo: Workspace) -> None:
    rows = {r[0]: r[1:] for r in table(demo, "off_type", "rootstock, share, published_low, published_high, source, verdict")}
    assert rows["SWINGLE"][1:3] == (0.05, 0.10) and "Anderson" in rows["SWINGLE"][3] and rows["SWINGLE"][4] == "as published"
    assert rows["CARRIZO"][1:] == (None, None, None, None)


def test_report_in_json_carries_it_all(demo: Workspace) -> None:
    said = json.loads(formpack("report", "--json", cwd=demo.folder, code=1))
    assert {"stock", "teams", "ladder", "off_types", "from_opening", "timeliness"} <= set(said["figures"])
    assert len(said["figures"]["teams"]) == 8


def test_every_chapter_of_the_demo_says_whole_things(demo: Workspace) -> None:
    assert_whole(chapters_of(demo))


def test_t_widens_where_rho_rests_on_little() -> None:
    assert pooled_interval(90, 100, 2.0, 4)[0] < pooled_interval(90, 100, 2.0, 100)[0] < pooled_interval(90, 100, 1.0, 4)[0]
    assert pooled_interval(90, 100, 1.0, 0) == pytest.approx(wilson(90, 100, float(stats.norm.ppf(0.975))))
