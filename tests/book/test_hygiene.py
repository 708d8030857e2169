"""Budwood known by its record of cutting, and hygiene: cycles, and knives between cultivars, against a brute-force walk.

60 °C for 30 minutes is 140 F, as UC Davis publishes it for media (Air Nursery, Heat treatment)."""

from __future__ import annotations

import csv
import datetime as dt
import random
from pathlib import Path
from typing import Any

import pytest

from formpack.group_code import issue
from pipeline import run
from pipeline.field import phone
from pipeline.settings import Hygiene
from pipeline.workspace import Workspace
from tests.book.test_reconcile import Bench
from tests.cli.test_cli import formpack
from tests.conftest import looked_at, table

CODES = issue(2026, 801, 60)
SCIONS = ("TAHITI", "VALENCIA", "EUREKA")


@pytest.fixture
def bench(workspace: Workspace) -> Bench:
    return Bench(workspace)


def cut(bench: Bench, day: str, batch: str, buds: int, **more: str) -> str:
    """A record of cutting, which is about no group."""
    said = {"scion": "TAHITI", "source_block": "Block A", "source_tree": "M013", "authorisation": "", "stored": "room"}
    key = bench.note("budwood_cut", day, 0, budwood_batch=batch, buds=buds, **(said | more))
    del bench.rows["budwood_cut"][-1]["group_code"]
    return key


def steam(bench: Bench, day: str, start: str, end: str, celsius: object, item: str = "medium", method: str = "steam") -> str:
    what = {"item": item, "method": method, "started_at": start, "ended_at": end, "temperature_c": celsius}
    what["over_midnight"] = "yes" if end < start else ""
    key = bench.note("sterilise", day, 0, **what, team_code="", between_cultivars="", product="", done_at="")
    del bench.rows["sterilise"][-1]["group_code"]
    return key


def knives(bench: Bench, day: str, at: str, team: str, is_late: bool = False) -> None:
    """Of one that `is_late` the phone, two hours east, says the hour that was typed and that it was saved in the evening."""
    steam(bench, day, "", "", "", "knives", "solution")
    typed = f"{int(at[:2]) + 2:02}{at[2:]}" if is_late else at
    bench.rows["sterilise"][-1] |= {
        "end": f"2026-{day}T21:00:00.000+02:00" if is_late else f"2026-{day}T{at}:00.000Z",
        "done_at": typed,
        "team_code": team,
        "between_cultivars": "yes",
        "product": "as on the label",
    }


def bud(bench: Bench, group: int, day: str, batch: str, buds: int, at: str = "10:00", **more: object) -> str:
    lot = {"team_code": "T02", "attempt": 1, "scion": "TAHITI", "budwood_batch": batch, "recount": "yes"} | more
    key = bench.note("budding", day, 0, at, **lot, buds_set=buds, passed_over=0)
    bench.rows["budding"][-1]["group_code"] = CODES[group]
    return key


def opened(bench: Bench, *groups: int) -> None:
    for group in groups:
        bench.open(0, 1000)
        bench.rows["open_group"][-1]["group_code"] = CODES[group]


def problems(bench: Bench) -> list[tuple[Any, ...]]:
    return sorted(table(bench.workspace, "problems", "rule, instance_id", "rule NOT IN ('old_list', 'pair_on_list')"))


def test_a_batch_is_known_by_its_record(bench: Bench, tmp_path: Path) -> None:
    """Two records of one batch add up; more was set than cut, and nothing says who authorised it."""
    opened(bench, 0, 1)
    one, two = cut(bench, "07-01", "NEW1", 300), cut(bench, "07-01", "NEW1", 200)
    cut(bench, "07-01", "SPARE", 70, authorisation="LW-7")
    first, last = bud(bench, 0, "07-04", "NEW1", 400), bud(bench, 1, "07-20", "NEW1", 150)
    bench.take_in()
    assert problems(bench) == [("more_set_than_cut", last), ("no_authorisation", first)]
    assert one != two
    columns = "budwood_batch, source_tree, cut_on, buds_cut, buds_set, left_over, first_used, last_used, oldest_days, state"
    day = dt.date(2026, 7, 1)
    assert table(bench.workspace, "budwood", columns, "budwood_batch <> 'B-TAH'") == [
        *[("NEW1", "M013", day, 500, 550, 0, dt.date(2026, 7, 4), dt.date(2026, 7, 20), 19, "more set than cut")],
        *[("SPARE", "M013", day, 70, 0, 70, None, None, None, "not used")],
    ]
    said = formpack("trace", "--batch", "NEW1", "--as-of", "2026-08-31", cwd=bench.workspace.folder)
    assert "550" in said and "NEW1" in said
    with run.opened(bench.workspace, phone.TABLES, dt.date(2026, 8, 31)) as (store, _):
        phone.write_lists(store, bench.workspace)
        assert "NEW1" in run.choices_of(bench.workspace, store)["budwood_batches"], "a record may be corrected to it"
    with (bench.workspace.phone / "budwood_batches.csv").open(encoding="utf-8", newline="") as file:
        assert {(r["code"], r["scion"]) for r in csv.DictReader(file)} == {(c, "TAHITI") for c in ("B-TAH", "NEW1", "SPARE")}


def test_a_batch_that_nobody_knows_is_still_none(bench: Bench) -> None:
    """A record that is withdrawn, or that cannot be used itself, makes no batch known."""
    opened(bench, 0)
    cut(bench, "07-01", "BAD 1", 300)
    bud(bench, 0, "07-04", "BAD 1", 400)
    bench.write()
    done = run.import_files(bench.workspace, [bench.workspace.inbox], dt.date(2026, 8, 31))
    assert done.states["quarantined"] == 2
    assert [r for r, _ in problems(bench)] == ["impossible_value", "not_in_list"]


def test_what_list_and_record_say_differently_is_told(bench: Bench) -> None:
    """The list counts; of two records of one batch that differ nobody knows, and their buds do not add up."""
    key = cut(bench, "06-28", "B-TAH", 3900, source_block="Block A", source_tree="M099", authorisation="LW-0001")
    cut(bench, "07-01", "TWO", 100)
    other = cut(bench, "07-02", "TWO", 100)
    bench.take_in()
    told = table(bench.workspace, "problems", "instance_id, field, value, message", "rule = 'batch_told_otherwise'")
    assert sorted(r[:3] for r in told) == sorted(
        [(key, "source_tree", "M099"), (key, "buds", "3900"), (other, "visit_date", "2026-07-02")]
    )
    assert any("lists/budwood_batches.csv has M012 for B-TAH" in r[3] for r in told)
    columns = "budwood_batch, source_tree, cut_on, buds_cut, left_over, state"
    kept = {r[0]: r[1:] for r in table(bench.workspace, "budwood", columns)}
    assert kept["B-TAH"] == ("M012", dt.date(2026, 6, 28), 4000, 4000, "not used")
    assert kept["TWO"] == ("M013", None, None, None, "not used"), "nobody knows how many were cut, nor how many are left"


def test_old_budwood_only_where_the_nursery_says_how_old(bench: Bench) -> None:
    opened(bench, 0, 1, 2)
    before, late = bud(bench, 0, "06-20", "B-TAH", 10), bud(bench, 2, "07-20", "B-TAH", 10)
    bud(bench, 1, "07-12", "B-TAH", 10)
    bench.take_in()
    assert problems(bench) == [("set_before_cut", before)]
    with (bench.workspace.folder / "nursery.toml").open("a", encoding="utf-8") as file:
        file.write("[hygiene]\nbudwood_days = 14\n")
    bench.workspace = Workspace(bench.workspace.folder)
    formpack("problems", "--as-of", "2026-08-31", cwd=bench.workspace.folder, code=1)
    assert problems(bench) == [("old_budwood", late), ("set_before_cut", before)]


def test_knives_disinfected_in_the_minute_of_the_work_before_lie_between(bench: Bench) -> None:
    """As the form asks for it: at the change of cultivar, saved at once."""
    opened(bench, 0, 1)
    bench.rows["open_group"][-1]["end"] = bench.rows["open_group"][0]["end"]
    for group, at, scion in ((0, "09:10", "TAHITI"), (1, "09:40", "VALENCIA")):
        bud(bench, group, "07-01", "B-TAH", 10, scion=scion)
        bench.rows["budding"][-1]["end"] = f"2026-07-01T{at}:30.000+02:00"
    knives(bench, "07-01", "09:10", "T02")
    bench.rows["sterilise"][-1]["end"] = "2026-07-01T09:10:55.000+02:00"
    bench.take_in()
    made = table(bench.workspace, "hygiene", "changes, not_between, state", "kind = 'blades'")
    assert made == [(1, 0, "held")]


def test_cycles_beside_the_set_time(bench: Bench) -> None:
    assert (Hygiene.steam_minutes, Hygiene.steam_celsius) == (30, round((140 - 32) / 1.8, 6))
    short, cool = steam(bench, "07-01", "07:00", "07:29", 80), steam(bench, "07-02", "07:00", "07:30", "59.9")
    steam(bench, "07-03", "23:45", "00:15", 60)
    steam(bench, "07-04", "07:00", "09:00", "")
    bench.rows["sterilise"].append(
        bench.rows["sterilise"][-1] | {"KEY": "uuid:x-1", "method": "solution", "item": "trays", "product": "Y"}
    )
    bench.take_in()
    found = table(bench.workspace, "hygiene", "minutes, temperature_c, set_minutes, state")
    assert found == [
        (29, 80.0, 30, "too short"),
        (30, 59.9, 30, "too cool"),
        (30, 60.0, 30, "held"),
        (120, None, 30, "not told"),
    ][:3] + sorted([(120, None, 30, "not told"), (120, None, None, "recorded")], key=lambda r: r[3] != found[3][3])
    assert problems(bench) == sorted([("steam_too_little", short), ("steam_too_little", cool)])


def _walk(works: list[tuple[str, str, int]], done: list[str]) -> tuple[int, int, int]:
    """Of a team's day, works (time, scion, group) and times of disinfecting: changes, those without, most groups in a row."""
    changes = without = most = 0
    some: set[int] = set()
    last = ""
    for _, what, group in sorted([*works, *((t, "", -1) for t in done)]):
        if group < 0:
            some, is_clean = set(), True
            continue
        some.add(group)
        most = max(most, len(some))
        if last and what != last:
            changes += 1
            without += not is_clean
        last, is_clean = what, False
    return changes, without, most


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_knives_against_a_walk(bench: Bench, seed: int) -> None:
    """Random days of two teams, each against a walk through it; a third team never disinfects, which is said once."""
    dice = random.Random(seed)
    (bench.workspace.lists / "teams.csv").write_text("code,label\n" + "".join(f"T0{n},Team {n}\n" for n in range(1, 4)))
    (bench.workspace.lists / "budwood_batches.csv").write_text(
        "code,label,scion,source_block,source_tree,cut_on,authorisation,buds\n"
        + "".join(f"B{s},{s},{s},A,M1,2026-06-01,LW,90000\n" for s in SCIONS)
    )
    wanted = {}
    groups = iter(range(60))
    for day in ("07-01", "07-02", "07-03"):
        for team in ("T01", "T02", "T03"):
            minutes = dice.sample(range(600), 14)
            times = [f"{7 + m // 60:02}:{m % 60:02}" for m in minutes]
            works = [(at, dice.choice(SCIONS), next(groups)) for at in times[: dice.randint(1, 6)]]
            done = times[8 : 8 + dice.randint(0, 4)] if team != "T03" else []
            if (day, team) in {("07-01", "T01"), ("07-01", "T02")}:
                done = done or times[8:9]
            for at, scion, group in works:
                opened(bench, group)
                bud(bench, group, day, f"B{scion}", 10, at, team_code=team, scion=scion)
            for at in done:
                knives(bench, day, at, team, is_late=seed == 2)
            wanted[day, team] = (len(works), len(done), *_walk(works, done))
    bench.take_in()
    columns = "strftime(on_date, '%m-%d'), team_code, groups, disinfections, changes, not_between, most_groups"
    assert {(d, t): tuple(rest) for d, t, *rest in table(bench.workspace, "hygiene", columns)} == wanted
    bad = [key for key, (_, _, _, without, _) in wanted.items() if without and key[1] != "T03"]
    said = [rule for rule, _ in problems(bench)]
    assert said == sorted(["knives_between_cultivars"] * len(bad) + ["knives_never"])


def test_the_order_is_told_only_by_times_of_saving(bench: Bench) -> None:
    """Where two works were saved in the same minute nothing is said; where the form was never used there are no rows."""
    (bench.workspace.lists / "budwood_batches.csv").write_text("code,scion,cut_on,authorisation\nB1,TAHITI,,L\nB2,EUREKA,,L\n")
    opened(bench, 0, 1)
    bud(bench, 0, "07-01", "B1", 10)
    bud(bench, 1, "07-01", "B2", 10, scion="EUREKA")
    bench.take_in()
    assert table(bench.workspace, "hygiene") == [] and problems(bench) == []
    knives(bench, "07-01", "09:00", "T02")
    bench.take_in()
    assert table(bench.workspace, "hygiene", "changes, not_between, most_groups, state") == [(None, None, None, "not told")]
    assert problems(bench) == []
    with looked_at(bench.workspace) as store:
        assert store.value("SELECT count(*) FROM take_rates WHERE \"by\" = 'budwood_age'") == 0, "nobody knows when it was cut"


def test_take_by_the_age_of_the_budwood(bench: Bench) -> None:
    """Lots by days from cutting to setting, added up by hand; what has no day of cutting is left out."""
    lots = [(0, "07-01", 180), (1, "07-03", 170), (2, "07-05", 160), (3, "07-08", 190), (4, "07-12", 150), (5, "07-30", 120)]
    opened(bench, *range(7))
    cut(bench, "07-01", "NEW1", 5000, authorisation="L")
    for group, day, green in lots:
        bud(bench, group, day, "NEW1", 200)
        bench.note("bud_take", "08-20", 0, team_code="T02", attempt=1, green=green, brown=200 - green, unsure=0, missing=0)
        bench.rows["bud_take"][-1]["group_code"] = CODES[group]
    bench.take_in()
    found = table(bench.workspace, "take_rates", "level, lots, read, taken", "\"by\" = 'budwood_age'")
    assert found == [("0 to 2", 2, 400, 350), ("3 to 7", 2, 400, 350), ("8 to 14", 1, 200, 150), ("after 14", 1, 200, 120)]
