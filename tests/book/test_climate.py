"""Readings of places: limits, shares, the time between readings, and what is said of them.

Intervals are checked against `statsmodels.stats.proportion.proportion_confint` (method `beta`), sums against a count by hand.
"""

from __future__ import annotations

import csv
import datetime as dt
import itertools
import random
from collections.abc import Callable

import pytest
from statsmodels.stats.proportion import proportion_confint

from pipeline import run
from pipeline.field import phone
from pipeline.formulas.readings import ABOVE, BELOW, NO_LIMITS, WITHIN, Reading, outside_at_both_ends, sums
from pipeline.workspace import Workspace
from tests.conftest import looked_at, table

TakeIn = Callable[..., run.Imported]
HEAD = "instance_id,visit_date,end,staff_code,location,temperature_c,humidity_pct,light_lux,read_at,nothing_read\n"


def reading(hours: float, state: str, value: float = 20.0, is_timed: bool = True) -> Reading:
    moment = dt.datetime(2026, 3, 1) + dt.timedelta(hours=hours)
    return Reading(moment.date(), moment.time() if is_timed else None, value, state)


@pytest.mark.parametrize(
    ("readings", "hours"),
    [
        ([(0, BELOW), (6, BELOW), (12, BELOW)], 12),
        ([(0, BELOW), (6, ABOVE)], 0),
        ([(0, BELOW), (6, WITHIN), (12, BELOW)], 0),
        ([(0, ABOVE), (24, ABOVE)], 24),
        ([(0, ABOVE), (24.1, ABOVE)], None),
        ([(0, NO_LIMITS), (6, NO_LIMITS)], 0),
        ([(0, ABOVE), (0, WITHIN), (6, ABOVE)], 0),
        ([(6, ABOVE), (0, ABOVE)], 6),
        ([(5, ABOVE)], None),
    ],
)
def test_time_outside_is_claimed_only_between_two_that_are_outside_alike(
    readings: list[tuple[float, str]], hours: float | None
) -> None:
    found = outside_at_both_ends([reading(*r) for r in readings], 24)
    assert (sum(found.values()) if found else None) == hours


def test_a_reading_of_unknown_time_may_lie_anywhere_in_its_day() -> None:
    timed = [reading(8, BELOW), reading(20, BELOW), reading(30, BELOW)]
    assert outside_at_both_ends(timed, 24) == {dt.date(2026, 3, 1): 12, dt.date(2026, 3, 2): 10}
    assert outside_at_both_ends([*timed, reading(12, WITHIN, is_timed=False)], 24) == {}
    assert outside_at_both_ends([*timed, reading(60, WITHIN, is_timed=False)], 24) == outside_at_both_ends(timed, 24)


def test_gaps_are_told_in_days() -> None:
    one = sums([reading(0, WITHIN, 3), reading(24, WITHIN, 1), reading(24 * 6, NO_LIMITS, 2)], None)
    assert (one.readings, one.limited, one.outside, one.days_without, one.longest_gap) == (3, 2, 0, 4, 5)
    assert (one.lowest, one.highest, one.share, one.hours_outside) == (1, 3, 0, None)
    assert sums([reading(0, NO_LIMITS)], 4, before=dt.date(2026, 2, 19)).days_without == 9
    assert sums([reading(0, NO_LIMITS)], 4) == sums([reading(5, NO_LIMITS)], None)


def records(dice: random.Random) -> list[dict[str, str]]:
    rows = []
    for number, turn in enumerate(dice.sample(range(2400), 150)):  # no two at one moment: a count by hand leaves that out
        at = dt.datetime(2026, 7, 1) + dt.timedelta(minutes=37 * turn)
        rows.append(
            {
                "instance_id": f"r{number:03}",
                "visit_date": f"{at:%Y-%m-%d}",
                "end": f"{at:%Y-%m-%dT%H:%M}:07.000+02:00" if number % 9 else "",
                "staff_code": "S03",
                "location": dice.choice(["H1", "H1B1", "H1B2", "Y1"]),
                "temperature_c": f"{dice.gauss(26, 4):.1f}",
                "humidity_pct": f"{dice.gauss(70, 12):.0f}" if dice.random() < 0.6 else "",
            }
        )
    return rows


LOW_HIGH = {
    ("H1B2", "temperature"): (15, 24.5),
    ("H1", "temperature"): (18, 30),
    ("", "temperature"): (None, 32),
    ("", "humidity"): (50, 85),
}
HELD_BY = {"H1B1": ["H1B1", "H1", ""], "H1B2": ["H1B2", "H1", ""], "H1": ["H1", ""], "Y1": ["Y1", ""]}


def counted_by_hand(rows: list[dict[str, str]]) -> dict[tuple[str, str, str], list[float]]:
    """Of each place, thing and month: readings, those outside, and hours between two outside alike, all pairs tried."""
    found: dict[tuple[str, str, str], list[float]] = {}
    by: dict[tuple[str, str], list[tuple[str, str, int]]] = {}
    for row in rows:
        for what, column in (("temperature", "temperature_c"), ("humidity", "humidity_pct")):
            if row[column]:
                low, high = next(LOW_HIGH[p, what] for p in HELD_BY[row["location"]] if (p, what) in LOW_HIGH)
                value = float(row[column])
                side = -1 if low is not None and value < low else 1 if value > high else 0
                by.setdefault((row["location"], what), []).append((row["visit_date"], row["end"][:16], side))
                sums_of = found.setdefault((row["location"], what, row["visit_date"][:7]), [0, 0, 0.0])
                sums_of[0] += 1
                sums_of[1] += side != 0
    for (place, what), some in by.items():
        untimed = {day for day, end, _ in some if not end}
        timed = sorted((end, side) for _, end, side in some if end)
        for (a, side), (b, other) in itertools.combinations(timed, 2):
            one, last = dt.datetime.fromisoformat(a), dt.datetime.fromisoformat(b)
            between = [s for end, s in timed if a < end < b]
            days = {f"{one + dt.timedelta(n):%Y-%m-%d}" for n in range((last.date() - one.date()).days + 1)}
            if (
                side == other != 0
                and a < b
                and not between
                and (last - one).total_seconds() <= 24 * 3600
                and not days & untimed
            ):
                found[place, what, b[:7]][2] += (last - one).total_seconds() / 3600
    return found


def test_sums_are_those_of_a_count_by_hand(workspace: Workspace) -> None:
    rows = records(random.Random(16))
    lines = [
        f"L{n},{place},{what},{'' if low is None else low},{high}"
        for n, ((place, what), (low, high)) in enumerate(LOW_HIGH.items())
    ]
    (workspace.lists / "limits.csv").write_text("code,place,what,low,high\n" + "\n".join(lines) + "\n", encoding="utf-8")
    with (workspace.inbox / "germination_room.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, HEAD.strip().split(","), restval="")
        writer.writeheader()
        writer.writerows(rows)
    assert run.import_files(workspace, [workspace.inbox]).states["accepted"] == len(rows)
    columns = "location, what, month, limited, outside, hours_outside, outside_low, outside_high"
    by_hand = counted_by_hand(rows)
    made = table(workspace, "reading_months", columns)
    assert len(made) == len(by_hand) and sum(hours or 0 for *_, hours, _, _ in made) > 20
    for place, what, month, limited, outside, hours, low, high in made:
        assert [limited, outside, pytest.approx(hours or 0)] == by_hand[place, what, f"{month:%Y-%m}"]
        assert (low, high) == pytest.approx(proportion_confint(outside, limited, method="beta"), abs=1e-9)
    states = table(workspace, "readings", "state, count(*)", "true GROUP BY state")
    assert sum(n for state, n in states if state in (BELOW, ABOVE)) == sum(r[1] for r in by_hand.values())
    found = table(workspace, "problems", "count(*)", "rule = 'outside_limits'")[0][0]
    days = table(workspace, "readings", "count(DISTINCT (location, what, read_on))", "state IN ('below', 'above')")[0][0]
    assert found == days, "one finding a place, thing and day"


def test_when_it_was_read(workspace: Workspace, take_in: TakeIn) -> None:
    take_in(
        {
            "germination_room.csv": HEAD + "a,2026-10-01,2026-10-01T16:05:09.000-03:00,S03,H1,20,,,07:30,\n"
            "b,2026-10-02,2026-10-02T16:05:09.000-03:00,S03,H1,20,,,,\n"
            "c,2026-10-03,2026-10-05T16:05:09.000-03:00,S03,H1,20,,,,\n"
            "d,2026-10-04,2026-10-04T16:05:09.000-03:00,S03,H1,20,,,25:00,\n"
            "e,2026-10-04,2026-10-04T16:05:09.000-03:00,S03,H1,,,,,\n"
            "f,2026-10-04,2026-10-04T16:05:09.000-03:00,S03,H1,,,,,No instrument\n"
            "g,2026-10-04,2026-10-04T16:05:09.000-03:00,S03,H1,70.1,100.1,,,\n"
        }
    )
    assert table(workspace, "readings", "instance_id, read_at") == [("a", "07:30"), ("b", "16:05"), ("c", None)]
    stops = table(workspace, "problems", "instance_id, rule, field", "severity = 'stop'")
    assert sorted(stops) == [
        ("d", "impossible_value", "read_at"),
        ("e", "missing_answer", "nothing_read"),
        ("g", "impossible_value", "humidity_pct"),
        ("g", "impossible_value", "temperature_c"),
    ]


def test_what_repeats_is_noted_once(workspace: Workspace, take_in: TakeIn) -> None:
    lines = [f"r{n:02},2026-09-{n:02},2026-09-{n:02}T08:00:00.000Z,S03,Y1,2{n >= 12}.5,{60 + n},,," for n in range(1, 22)]
    take_in({"germination_room.csv": HEAD + "\n".join(lines).replace("True", "1").replace("False", "0") + "\n"})
    said = table(workspace, "problems", "instance_id, message", "rule = 'same_reading'")
    assert said == [
        ("r11", "Temperature now (°C): 20.5 each time, 11 readings in a row at Y1, 1 September 2026 to 11 September 2026."),
        ("r21", "Temperature now (°C): 21.5 each time, 10 readings in a row at Y1, 12 September 2026 to 21 September 2026."),
    ]


def test_faults_of_limits_are_said_and_the_rest_is_used(workspace: Workspace) -> None:
    text = "code,place,what,low,high,active\n"
    text += "A,H1,temperature,30,18,yes\nB,H9,humidity,50,85,yes\nC,,heat,1,2,yes\nD,,ph,five,6.5,yes\nE,,ec,,,yes\n"
    text += "F,,light,1,2,yes\nG,,light,3,4,yes\nH,,drain_ec,1,2,no\n"
    (workspace.lists / "limits.csv").write_text(text, encoding="utf-8")
    run.import_files(workspace, [])
    said = {message for (message,) in table(workspace, "problems", "message", "rule = 'faulty_list'")}
    assert said == {
        "lists/limits.csv, row 2: low: 30 is above high, 18.",
        "lists/limits.csv, row 3: place: H9 is not in lists/locations.csv.",
        "lists/limits.csv, row 4: what: heat is nothing that is measured; write one of temperature, humidity, light, ec, ph,"
        " drain_ec, drain_ph.",
        "lists/limits.csv, row 5: low: five is not a number; write digits and a point, such as 8.5.",
        "lists/limits.csv, row 6: it has neither low nor high, so it sets no limit.",
        "lists/limits.csv, row 8: F sets the limits of light for this place too; F is used, and this row is not.",
    }
    with looked_at(workspace) as store:
        found = store.rows("SELECT what, low, high FROM work.place_limits WHERE location = 'H1' ORDER BY what")
    assert found == [("heat", 1, 2), ("light", 1, 2)], "of a line with a fault nothing is used"


def test_phones_get_the_limits_of_each_place(workspace: Workspace) -> None:
    run.import_files(workspace, [])
    with run.opened(workspace, phone.TABLES) as (store, _):
        phone.write_all(store, workspace)
    with (workspace.phone / "locations.csv").open(encoding="utf-8", newline="") as file:
        told = {row["code"]: row["limits"] for row in csv.DictReader(file)}
    everywhere = "50 85 1000 60000 0.8 1.8 5.5 6.5 - 2.5 5 7"
    assert told == dict.fromkeys(("H1", "H1B1", "H1B2"), f"18 30 {everywhere}") | {"Y1": f"- - {everywhere}"}


def test_the_same_twice_a_day_is_two_readings(workspace: Workspace, take_in: TakeIn) -> None:
    """Not where it was saved in one minute, nor where the hour that was typed is the same."""
    said = {"morning": ("07:00:05", ""), "evening": ("17:00:05", ""), "again": ("17:00:45", "")}
    said |= {"typed": ("19:00:00", "08:00"), "typed_again": ("19:05:00", "08:00")}
    lines = [f"{key},2026-10-20,2026-10-20T{end}.000+02:00,S03,H1,20,,,{at}," for key, (end, at) in said.items()]
    lines += ["late,2026-10-20,2026-12-28T08:00:00.000+02:00,S03,H1,21,,,,", "nowhere,2026-10-20,,S03,H9,21,,,,"]
    take_in({"germination_room.csv": HEAD + "\n".join(lines) + "\n"})
    assert table(workspace, "readings", "instance_id, read_at") == [
        *[("late", None), ("morning", "07:00"), ("typed", "08:00"), ("evening", "17:00")]
    ]
    found = table(workspace, "problems", "instance_id, rule, message")
    assert {(i, rule) for i, rule, _ in found} == {
        *[("again", "double_entry"), ("typed_again", "double_entry"), ("late", "clock_off"), ("nowhere", "not_in_list")]
    }
    assert next(m for i, _, m in found if i == "nowhere") == "Which house, room or place?: H9 is not in the list locations."
