"""Sowings and what came up of them, as records tell it: against a plain count over the same rows."""

from __future__ import annotations

import datetime as dt
import random
import statistics
from typing import Any

import pytest
from scipy import stats

from formpack.group_code import issue
from pipeline import run
from pipeline.workspace import Workspace
from tests.cli.test_cli import formpack
from tests.conftest import table

LOTS = """code,label,rootstock,supplier,received,treated,seeds_per_litre
SW,Swingle,SWINGLE,A,2025-11-20,yes,2800
RG,Rangpur,RANGPUR,A,2025-11-20,no,8000
CA,Carrizo,CARRIZO,A,2025-11-20,yes,
"""
"""Seeds in a litre of a Brazilian field guide for rootstocks, which makes 28,000 and 80,000 of ten litres."""
CODES = issue(2026, 1, 60)


def _csv(rows: list[dict[str, Any]]) -> str:
    columns = list(dict.fromkeys(c for row in rows for c in row))
    return "\n".join([",".join(columns), *(",".join(str(row.get(c, "")) for c in columns) for row in rows), ""])


def _sown(code: str, lot: str, **more: Any) -> dict[str, Any]:
    about = {"instanceID": f"sow-{code}", "visit_date": "2026-01-10", "staff_code": "S03", "sowing_code": code, "seed_lot": lot}
    about |= {
        "rootstock": {"SW": "SWINGLE", "RG": "RANGPUR", "CA": "CARRIZO"}[lot],
        "trays": 10,
        "medium": "peat",
        "location": "H1",
    }
    return about | {"sown_by": "litres" if "litres" in more else "counted"} | more


def _up(code: str, day: str, trays: int, emerged: int, **more: Any) -> dict[str, Any]:
    about = {"instanceID": f"up-{code}-{day}", "visit_date": day, "staff_code": "S03", "sowing_code": code}
    return about | {"trays_read": trays, "emerged": emerged} | more


def _opened(group: str, code: str, lot: str, lifted: int, culled: int) -> dict[str, Any]:
    about = {
        "instanceID": f"open-{group}",
        "visit_date": "2026-05-01",
        "staff_code": "S03",
        "group_code": group,
        "seed_lot": lot,
    }
    about |= {
        "rootstock": {"SW": "SWINGLE", "RG": "RANGPUR", "CA": "CARRIZO"}[lot],
        "sowing_code": code,
        "sow_date": "2026-01-10",
    }
    culls = {f"cull_{c}": 0 for c in ("bent_root", "etiolated", "weak", "other")}
    return about | {
        "lifted": lifted,
        "any_out": "yes",
        "cull_off_type": culled,
        **culls,
        "planted": lifted - culled,
        "location": "H1",
    }


@pytest.fixture
def sow(workspace: Workspace) -> Any:
    """Import these sowings, counts and openings."""
    stocks = workspace.lists / "rootstocks.csv"
    if "RANGPUR" not in stocks.read_text(encoding="utf-8"):
        with stocks.open("a", encoding="utf-8") as file:
            file.write("RANGPUR,Rangpur,,,,,\n")
    (workspace.lists / "seed_lots.csv").write_text(LOTS, encoding="utf-8")

    def done(**forms: list[dict[str, Any]]) -> Workspace:
        for form_id, rows in forms.items():
            (workspace.inbox / f"{form_id}.csv").write_text(_csv(rows), encoding="utf-8")
        states = run.import_files(workspace, [workspace.inbox]).states
        assert states["accepted"] == sum(map(len, forms.values())), states
        return workspace

    return done


def test_the_table_is_what_a_plain_count_says(sow: Any) -> None:
    dice = random.Random(16)
    sowings, counts, openings, plain = [], [], [], []
    for n, group in enumerate(CODES[:24]):
        lot, code = dice.choice(["SW", "RG", "CA"]), f"26-{n:02}"
        amount = {"seeds": dice.randint(300, 900)} if lot == "CA" or n % 3 else {"litres": dice.choice([0.25, 0.5, 1])}
        sowings.append(_sown(code, lot, location=dice.choice(["H1", "Y1"]), **amount))
        seeds = amount.get("seeds") or round(amount["litres"] * {"SW": 2800, "RG": 8000}[lot])
        trays, days = dice.randint(1, 10), dice.randint(25, 60)
        read = int(seeds * trays / 10 + 0.5)
        up, several = round(read * dice.uniform(0.6, 1.3)), dice.choice([None, dice.randint(1, read // 4)])
        counts.append(_up(code, "2026-01-30", 10, 5, multiple=1))
        last = dt.date(2026, 1, 10) + dt.timedelta(days=days)
        counts.append(_up(code, str(last), trays, up, multiple="" if several is None else several))
        lifted = int(up * 9 / trays) if n % 4 else None
        if lifted:
            openings.append(_opened(group, code.lower(), lot, lifted, lifted // 10))
        where = sowings[-1]["location"]
        plain.append((lot, where, code, seeds, amount.get("litres"), read, up, several, days, lifted))
    workspace = sow(sowing=sowings, emergence=counts, open_group=openings)
    for by, at in (("all", None), ("seed_lot", 0), ("room", 1), ("sowing", 2)):
        for level in {"all"} if at is None else {p[at] for p in plain}:
            mine = [p for p in plain if at is None or p[at] == level]
            looked, drawn = [p for p in mine if p[7] is not None], [p for p in mine if p[9]]
            some, of = sum(p[7] for p in looked), sum(p[5] for p in looked)
            litres = [p for p in drawn if p[4]]
            planted = [p[9] - p[9] // 10 for p in drawn]
            columns = "sowings, seeds, seeds_read, emerged, multiple, days_to_count, lifted, planted"
            shares = "emergence_rate, multiple_share, multiple_low, multiple_high, lifted_per_seed, planted_per_litre"
            ((*numbers,),) = table(workspace, "emergence", columns, f"\"by\" = '{by}' AND level = '{level}'")
            ((*ratios,),) = table(workspace, "emergence", shares, f"\"by\" = '{by}' AND level = '{level}'")
            assert numbers == [
                *(len(mine), sum(p[3] for p in mine), sum(p[5] for p in mine), sum(p[6] for p in mine)),
                *(some if looked else None, statistics.median(p[8] for p in mine)),
                *((sum(p[9] for p in drawn), sum(planted)) if drawn else (None, None)),
            ]
            exact = stats.binomtest(some, of).proportion_ci() if looked else (None, None)
            wanted = [sum(p[6] for p in mine) / sum(p[5] for p in mine), some / of if looked else None, *exact]
            wanted.append(sum(p[9] for p in drawn) / sum(p[3] for p in drawn) if drawn else None)
            wanted.append(sum(p[9] - p[9] // 10 for p in litres) / sum(p[4] for p in litres) if litres else None)
            assert ratios == pytest.approx(wanted)


def test_ten_litres_are_as_many_seeds_as_the_guide_says(sow: Any) -> None:
    lot_without = _sown("C", "CA", litres=10)
    workspace = sow(sowing=[_sown("A-1", "SW", litres=10), _sown("B-1", "RG", litres=10), lot_without | {"sowing_code": "C-1"}])
    found = dict(table(workspace, "emergence", "level, seeds", "\"by\" = 'sowing'"))
    assert found == {"A-1": 28_000, "B-1": 80_000, "C-1": None}


def test_what_does_not_fit_a_sowing_is_found_and_nothing_is_lost(sow: Any) -> None:
    """A group of another seed lot; more lifted than can have come up; a sowing that nobody recorded."""
    counted = [_up("A-1", "2026-02-20", 10, 500, multiple=0)]
    openings = [
        _opened(CODES[0], "A-1", "CA", 400, 0),
        _opened(CODES[1], "A-1", "SW", 300, 0),
        _opened(CODES[2], "X-9", "SW", 9, 0),
    ]
    workspace = sow(sowing=[_sown("A-1", "SW", seeds=600)], emergence=counted, open_group=openings)
    found = {(rule, i, value) for rule, i, value in table(workspace, "problems", "rule, instance_id, value")}
    assert found == {
        ("other_seed_lot", f"open-{CODES[0]}", "CA"),
        ("more_lifted_than_emerged", f"open-{CODES[1]}", "700"),
        ("unknown_sowing", f"open-{CODES[2]}", "X-9"),
    }
    assert table(workspace, "ladder", "stage, lost, otherwise", "stage IN ('seed', 'seedbed')") == [
        ("seed", 100, 0),
        ("seedbed", 0, -200),
    ]
    ((lost, held),) = table(
        workspace, "ladder", "sum(lost)::BIGINT, sum(in_the_books)::BIGINT", "stage NOT IN ('seed', 'seedbed')"
    )
    assert lost + held == 709, "the rest adds up to what was opened, to the plant"


def test_what_a_sowing_and_its_lot_say_differently_is_told(sow: Any) -> None:
    """Another rootstock, another day of sowing, and, once a lot, litres of which nobody knows how many seeds they have."""
    sowings = [
        _sown("A-1", "SW", seeds=600) | {"rootstock": "RANGPUR"},
        _sown("C-1", "CA", litres=1),
        _sown("C-2", "CA", litres=2),
    ]
    workspace = sow(sowing=sowings, open_group=[_opened(CODES[0], "A-1", "SW", 400, 0) | {"sow_date": "2026-01-09"}])
    assert set(table(workspace, "problems", "rule, instance_id, message")) == {
        ("lot_of_other_rootstock", "sow-A-1", "The seed lot SW is on the list as SWINGLE."),
        (
            *("other_sow_date", f"open-{CODES[0]}"),
            "The group was opened as sown on 9 January 2026, and its sowing is of 10 January 2026.",
        ),
        (
            *("seeds_not_known", "sow-C-1"),
            "Seed lot CA was sown in litres, and the list does not say how many seeds a litre of it has.",
        ),
    }


def test_without_sowings_the_ladder_begins_in_the_tray(sow: Any) -> None:
    workspace = sow(open_group=[_opened(CODES[0], "", "SW", 400, 0)])
    assert table(workspace, "ladder", "stage")[0] == ("tray",) and table(workspace, "emergence") == []
    formpack("report", cwd=workspace.folder)
    assert "How seed comes up" not in (workspace.reports / "nursery-report.html").read_text(encoding="utf-8")


def test_a_group_s_life_and_an_inspection_begin_with_the_seed(sow: Any) -> None:
    """Names with markup and from right to left do no harm."""
    sown = [_sown("A-1", "SW", litres=0.5, soak_min=480)]
    opened = [_opened(CODES[0], "a-1", "SW", 900, 50)]
    workspace = sow(sowing=sown, emergence=[_up("A-1", "2026-02-20", 10, 1200, multiple=9)], open_group=opened)
    names = "code,label,part_of\nH1,<b>\u05d1\u05d9\u05ea</b>,\n"
    (workspace.lists / "locations.csv").write_text(names, encoding="utf-8")
    said = formpack("history", CODES[0], cwd=workspace.folder)
    assert "sowing: A-1" in said and "A-1: 0.50 litres of seed; 10 trays; at <b>" in said and "soaked for 480 minutes" in said
    assert "1,200 seedlings in 10 of 10 trays; 9 seeds gave more than one" in said
    formpack("report", "--for-inspection", "--unchecked", cwd=workspace.folder)
    page = (workspace.reports / "inspection" / "inspection.html").read_text(encoding="utf-8")
    assert "Sowings, and what had come up" in page and "A-1" in page and "<b>\u05d1" not in page
    formpack("report", cwd=workspace.folder)
    page = (workspace.reports / "nursery-report.html").read_text(encoding="utf-8")
    assert "How seed comes up" in page and "From the seed to the tray" in page and "<b>\u05d1" not in page
