"""Chapters of places and batches: what is out of line is said with what is at stake, and nothing where there is too little."""

from __future__ import annotations

import re

import pytest

from pipeline import run
from pipeline.report.blocks import Chapter, Says
from pipeline.report.chapters import batches, places
from pipeline.report.charts.places import MOST_LINES, Line, Spot, plan
from pipeline.store import Store
from pipeline.tables import TABLES
from pipeline.workspace import Workspace
from tests.conftest import looked_at


def _said(chapter: Chapter | None) -> list[str]:
    return [b.text for b in chapter.blocks if isinstance(b, Says)] if chapter else []


def test_an_empty_nursery_has_no_places_and_no_batches(workspace: Workspace) -> None:
    run.import_files(workspace, [])
    with looked_at(workspace) as store:
        assert places.chapter(store, workspace) is None and batches.chapter(store, workspace) is None
        assert places.out_of_line(store) == [] == batches.out_of_line(store)


def _row(level: str, **given: object) -> str:
    numbers = dict.fromkeys(
        "groups plants lines lost not_recorded plant_days lots read taken tasks_late plants_late".split(), 1
    )
    own = {"by": "house", "level": level, "house": level, "days_late": 0} | numbers | given
    cells = (own.get(c) for c in TABLES["place_rates"][1])
    return (
        "("
        + ", ".join(
            "NULL" if v is None else f"'{v}'" if isinstance(v, str) else f"{v}::DOUBLE" if isinstance(v, float) else str(v)
            for v in cells
        )
        + ")"
    )


@pytest.fixture
def store() -> Store:
    """Two houses, one of which loses too much and takes badly, in a store of nothing else."""
    bad = {"lost": 312, "expected": 188.2, "ratio": 1.66, "ratio_low": 1.3, "ratio_high": 2.1, "q_value": 0.01, "flag": "worse"}
    take = {"read": 1000, "taken": 700, "take_rate": 0.7, "take_adjusted": 0.72, "take_q_value": 0.01, "take_flag": "worse"}
    rows = [
        _row("H1", **bad, **take),
        _row("H2", expected=1.0, ratio=1.0, ratio_low=0.5, ratio_high=2.0, q_value=0.9),
        _row("all", by="all", house=None, read=3000, taken=2500),
    ]
    with Store.in_memory() as found:
        columns = ", ".join(f'"{c}"' for c in TABLES["place_rates"][1])
        found.connection.execute(f"CREATE VIEW place_rates AS FROM (VALUES {', '.join(rows)}) t({columns})")
        found.connection.execute("CREATE TABLE work.list_locations AS SELECT 'H1' AS code, 'House <i>1</i>' AS label")
        yield found


def test_a_house_out_of_line_says_what_is_at_stake(store: Store) -> None:
    took, lost = places.out_of_line(store)
    assert (took.plants, lost.plants) == (180, 124)
    assert "House <i>1</i>" in lost.sentence and lost.href == "#places"
    assert "72.0% with the whole mix, where others have 90.0%." in took.sentence
    assert "312 plants where 188 were to be expected, 1.7 times as many (1.3 to 2.1)." in lost.sentence


def test_the_plan_shows_each_cell_and_is_not_too_long() -> None:
    cells = [Spot("× 1.2", 0.4, True), Spot("too little", None)]
    drawn = plan(["times expected", "take"], [Line("House <1>"), Line("B" * 80, cells, True)], "says")
    assert "× 1.2" in drawn and "House &lt;1&gt;" in drawn and "BBBBBBBBBB…" in drawn and "too little" in drawn
    many = plan(["late"], [Line(str(i), [Spot("1", 0.1)]) for i in range(MOST_LINES)], "says")
    found = re.search(r'height="([\d.]+)pt"', many)
    assert found and float(found[1]) < 72 * 10
