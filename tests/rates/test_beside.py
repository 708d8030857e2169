"""What was done beside what became of it, worked out anew from the records by hand; levels and sums are counts, so they have to
be equal. The interval is held against the beta-binomial that groups were drawn from."""

from __future__ import annotations

import datetime as dt
import random
from collections import defaultdict
from typing import Any

import pytest

from formpack.group_code import issue
from pipeline.workspace import Workspace
from tests.book.test_reconcile import Bench
from tests.conftest import looked_at, table

CODES = issue(2026, 901, 90)
PART_OF = {"H1B1": "H1", "H1B2": "H1", "H1": None, "Y1": None}
AGES = {"B1": "0 to 2", "B2": "8 to 14", "B9": "not known"}


class Log(Bench):
    """A bench book with records of places, and of groups by their number in CODES."""

    def of_group(self, form: str, on: dt.date, group: int, **answers: Any) -> None:
        self.note(form, f"{on:%m-%d}", 0, **answers)
        self.rows[form][-1]["group_code"] = CODES[group]

    def of_place(self, form: str, on: dt.date, place: str, **answers: Any) -> None:
        self.note(form, f"{on:%m-%d}", 0, f"{8 + self.number % 12:02}:{self.number % 60:02}", location=place, **answers)
        del self.rows[form][-1]["group_code"]


@pytest.fixture
def log(workspace: Workspace) -> Log:
    return Log(workspace)


def treat(log: Log, on: dt.date, place: str) -> None:
    times = {"started_at": "07:00", "over_midnight": "", "ended_at": "08:00", "reentry_on": on, "reentry_at": "12:00"}
    told = {"product": "P01", "dose": 1, "dose_unit": "ml_per_l", "area_m2": 10, "target": "SCALE", "applicator": "S01"}
    log.of_place("treatment", on, place, **told, **times)


def bud(log: Log, on: dt.date, group: int, batch: str, buds: int, green: int) -> None:
    lot = {"team_code": "T02", "attempt": 1}
    log.of_group("budding", on, group, **lot, scion="TAHITI", budwood_batch=batch, recount="yes", buds_set=buds, passed_over=0)
    eyes = {"green": green, "brown": buds - green, "unsure": 0, "missing": 0}
    log.of_group("bud_take", on + dt.timedelta(21), group, **lot, **eyes, recount="yes", over="no")


def within(place: str) -> set[str | None]:
    return {place, PART_OF[place]}


def test_levels_are_those_of_a_count_by_hand(log: Log) -> None:
    """Groups move between places; treatments and readings are of benches, houses and of days on which nobody had begun to
    record them yet."""
    dice = random.Random(5)
    start = dt.date(2026, 5, 1)
    log.workspace.lists.joinpath("budwood_batches.csv").write_text(
        "code,label,scion,source_block,source_tree,cut_on,authorisation,buds\nB1,Batch 1,TAHITI,A,1,2026-06-01,X,9000\n"
        "B2,Batch 2,TAHITI,A,1,2026-05-22,X,9000\nB9,Batch 9,TAHITI,A,1,,X,9000\n",
        encoding="utf-8",
    )
    stood: dict[int, list[tuple[dt.date, str]]] = {}
    lots = {}
    for group in range(12):
        place = dice.choice(list(PART_OF))
        log.open(0, 500, place, "02-02")
        log.rows["open_group"][-1]["group_code"] = CODES[group]
        stood[group] = [(dt.date(2026, 2, 2), place)]
        batch, on, green = (
            dice.choice(list(AGES)),
            dt.date(2026, 6, 1) + dt.timedelta(dice.randrange(3)),
            dice.randrange(80, 100),
        )
        lots[group] = (on, batch, green)
        bud(log, on, group, batch, 100, green)
        if dice.random() < 0.6:
            moved, place = on + dt.timedelta(dice.randrange(-3, 25)), dice.choice(list(PART_OF))
            log.of_group("relocate", moved, group, location=place, recount="yes")
            stood[group].append((moved, place))
    treated = [(start + dt.timedelta(dice.randrange(60)), dice.choice(list(PART_OF))) for _ in range(9)]
    for day, place in treated:
        treat(log, day, place)
    readings = [
        (start + dt.timedelta(dice.randrange(70)), dice.choice(["H1B1", "H1"]), dice.choice([20, 25, 35])) for _ in range(40)
    ]
    for day, place, degrees in readings:
        nothing = dict.fromkeys(
            ("temperature_min_c", "temperature_max_c", "humidity_pct", "light_lux", "read_at", "nothing_read"), ""
        )
        log.of_place("structure_climate", day, place, temperature_c=degrees, **nothing)
    log.take_in(dt.date(2026, 9, 1))

    wanted: dict[str, dict[Any, list[int]]] = {
        k: defaultdict(lambda: [0, 0, 0]) for k in ("treatment", "climate", "budwood_age")
    }
    for group, (first, batch, green) in lots.items():
        last = first + dt.timedelta(21)
        spells = [
            (since, ([*stood[group], (dt.date.max, "")][n + 1][0]), place) for n, (since, place) in enumerate(stood[group])
        ]

        def there(day: dt.date, at: str, spells: Any = spells, first: dt.date = first, last: dt.date = last) -> bool:
            return first <= day <= last and any(since <= day <= until and at in within(place) for since, until, place in spells)

        n = sum(there(day, at) for day, at in treated)
        level = {0: "none recorded", 1: "once"}.get(n, "more than once")
        levels: dict[str, str | None] = {"treatment": level if n or min(treated)[0] <= first else None}
        seen = [degrees > 30 for day, at, degrees in readings if there(day, at)]
        out = sum(seen)
        levels["climate"] = (
            ("within" if not out else "seldom outside" if 10 * out < len(seen) else "often outside")
            if seen
            else ("no reading" if min(readings)[0] <= first else None)
        )
        levels["budwood_age"] = AGES[batch]
        for by, of in levels.items():
            if of:
                for place_in, value in enumerate((1, 100, green)):
                    wanted[by][of][place_in] += value
    found: dict[str, dict[str, list[int]]] = {k: {} for k in wanted}
    rows = table(log.workspace, "beside", '"by", level, units, at_risk, came, rate, expected_rate', "outcome = 'take'")
    for by, level, *numbers, rate, expected in rows:
        found[by][level] = numbers
        assert rate == numbers[2] / numbers[1]
        # one pair and one attempt: the like of each is all that is told of it
        every = list(wanted[by].values())
        assert expected == pytest.approx(sum(v[2] for v in every) / sum(v[1] for v in every))
    assert {by: dict(v) for by, v in wanted.items() if len(v) > 1} == {by: v for by, v in found.items() if v}
    assert all(len(found[by]) > 1 for by in wanted), found


def test_months_of_a_group_are_one_group_and_time_is_of_fixed_length(log: Log) -> None:
    """Of two groups one is treated in May: its losses of May and June stand beside that, those of other months do not."""
    for group in range(2):
        log.open(0, 1000, f"H1B{group + 1}", "02-02")
        log.rows["open_group"][-1]["group_code"] = CODES[group]
        for month, lost in ((3, 10), (5, 20 + group), (6, 30), (7, 40)):
            log.of_group("loss", dt.date(2026, month, 20), group, lost=lost, loss_cause="dead", recount="yes")
    treat(log, dt.date(2026, 4, 1), "Y1")
    treat(log, dt.date(2026, 5, 10), "H1B1")
    log.take_in(dt.date(2026, 8, 10))
    rows = table(log.workspace, "beside", "level, units, lines, at_risk, came", "outcome = 'lost' AND \"by\" = 'treatment'")
    # before 1 April nothing was recorded, so May is the first month told of group 1; what stands is believed, so near the book
    assert [(r[0], r[1], r[2], r[4]) for r in rows] == [("none recorded", 4, 2, 21 + 30 + 40 + 40), ("once", 2, 1, 20 + 30)]
    assert [r[3] for r in rows] == [pytest.approx(n, abs=5) for n in (990 + 969 + 939 + 940, 990 + 970)]
    with looked_at(log.workspace) as store:
        assert store.rows("SELECT DISTINCT until_on - from_on > 55 FROM work.beside_units WHERE outcome = 'lost'") == [(True,)]


def test_limits_hold_where_groups_differ_and_nothing_was_done(log: Log) -> None:
    """Groups whose takes differ as a beta distribution has it: half are treated, which changes nothing. The limits of a level
    hold what all groups were drawn from."""
    dice = random.Random(11)
    for group in range(40):
        log.open(0, 400, "H1B1" if group % 2 else "Y1", "02-02")
        log.rows["open_group"][-1]["group_code"] = CODES[group]
        chance = dice.betavariate(18, 2)
        bud(log, dt.date(2026, 6, 1), group, "B-TAH", 200, sum(dice.random() < chance for _ in range(200)))
    treat(log, dt.date(2026, 5, 1), "H1B2")
    treat(log, dt.date(2026, 6, 5), "H1")
    log.take_in(dt.date(2026, 9, 1))
    rows = table(log.workspace, "beside", "level, lines, low, high, expected_rate", "outcome = 'take' AND \"by\" = 'treatment'")
    assert [r[:2] for r in rows] == [("none recorded", 20), ("once", 20)]
    for _, _, low, high, expected in rows:
        assert low < 0.9 < high and low < expected < high
        assert high - low > 2 * 2 * (0.9 * 0.1 / 4000) ** 0.5, "wider than chance alone would have it"
