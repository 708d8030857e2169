"""The four numbers that stand above all others, and the chapter of months."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline import run
from pipeline.report import write_report
from pipeline.report.blocks import Drawing, Fold, Says, Table
from pipeline.report.chapters.months import chapter
from pipeline.report.charts.months import counts, shares, stacked
from pipeline.report.months import Held, Month, gather_months, headlines, in_thousand, month_ago, said_losses
from pipeline.workspace import Workspace
from tests.conftest import DAY, SAMPLES, looked_at, new_workspace

NOT_KNOWN = Held(None, None, None, None, None, None, None)
USUAL = Held(0.02, 0.02, 0.013, 0.031, 0.5, 0.4, 0.6)


def made(number: int = 14, day: int = 2, **last: object) -> list[Month]:
    """Months from October 2025 on; `last` is what the last that is over has."""
    found = []
    for i in range(number):
        first = dt.date(2025 + (9 + i) // 12, (9 + i) % 12 + 1, 1)
        end = (first + dt.timedelta(days=32)).replace(day=1) - dt.timedelta(days=1)
        plain = Month(
            first,
            end,
            True,
            500,
            20,
            300,
            200,
            180,
            0.85,
            0.94,
            20,
            3,
            1000,
            50,
            1000,
            990,
            1010,
            replace(USUAL, share=0.9),
            USUAL,
        )
        found.append(plain)
    if number > 1:
        found[-2] = replace(found[-2], **last)  # type: ignore[arg-type]
    found[-1] = replace(found[-1], until=found[-1].first.replace(day=day), is_over=False, take=NOT_KNOWN, losses=NOT_KNOWN)
    return found


def test_a_change_is_called_one_only_where_chance_alone_does_not_do_it() -> None:
    calm = {h.name: h for h in headlines(made())}
    assert list(calm) == ["stands", "lost", "take", "delivered"]
    assert [h.change_last.is_one for h in calm.values()] == [False] * 4
    assert calm["lost"].change_last.says == "20 in 1,000 in September 2026: no real difference"
    assert calm["stands"].change_last.says == "as many as on 30 September 2026, as far as counts tell"
    losses, take = replace(USUAL, share=0.05, chance_last=0.01, chance=0.001), replace(USUAL, share=0.8, chance_year=0.04)
    bad = {h.name: h for h in headlines(made(losses=losses, take=take, delivered=60))}
    assert bad["lost"].change_last.is_one and bad["lost"].change_last.says == "more than in September 2026, 20 in 1,000"
    assert bad["lost"].change_year.is_one is False
    assert bad["take"].change_year.says == "worse than in October 2025, 90.0%"
    assert bad["delivered"].change_last.says == "10 more than in September 2026" and bad["delivered"].value == 60
    assert bad["delivered"].beside == "50 so far in November 2026"


def test_what_stands_is_held_against_the_nearest_end_of_a_month() -> None:
    early, late = made(day=2), made(day=20)
    assert [m.until for m in (month_ago(early, early[-1]), month_ago(early, early[-1], a_year=True)) if m] == [
        dt.date(2026, 9, 30),
        dt.date(2025, 10, 31),
    ]
    assert [m.until for m in (month_ago(late, late[-1]), month_ago(late, late[-1], a_year=True)) if m] == [
        dt.date(2026, 10, 31),
        dt.date(2025, 11, 30),
    ]
    late[-1] = replace(late[-1], stands=1200, low=1190, high=1210)
    assert headlines(late)[0].change_last.says == "200 more than on 31 October 2026"


def test_what_is_not_known_is_said() -> None:
    assert headlines([]) == []
    alone = headlines(made(1))
    assert [h.value for h in alone] == [1000, None, None, None]
    assert {h.change_last.says for h in alone} | {h.change_year.says for h in alone} == {"no data yet"}
    assert alone[1].beside == "No month is over yet."
    few = replace(USUAL, low=None, high=None, middle=None, chance=None, chance_last=None, chance_year=None)
    second = {h.name: h for h in headlines(made(4, losses=few, take=NOT_KNOWN, read=0, taken=0, take_low=None, take_high=None))}
    assert second["lost"].change_last.says.endswith("too few months to tell it from chance")
    assert second["lost"].beside.endswith("There are too few months before it to say what is usual.")
    assert second["take"].value is None and second["take"].beside == "No buds were read in December 2025."
    assert second["take"].change_year.says == "no data yet"


def test_the_sentence_says_what_is_usual_and_what_is_out_of_it() -> None:
    (month,) = made(2)[:1]
    assert said_losses(month) == "In October 2025 20 of 1,000 plants were recorded as lost, 20 in 1,000. Usual is 13 to 31."
    out = said_losses(replace(month, lost=1, losses=replace(USUAL, chance=0.03)))
    assert "1 of 1,000 plants was recorded" in out and out.endswith(
        "13 to 31: by chance alone a month lies outside in 1 of 20."
    )
    assert "1 of 500" in said_losses(replace(month, losses=replace(USUAL, chance=0.001)))
    assert said_losses(replace(month, at_risk=0)) == "No plants stood in October 2025."
    assert [in_thousand(v) for v in (0.0, 0.0042, 0.00996, 0.1)] == ["0", "4.2", "10", "100"]


def test_drawings_are_as_wide_as_a_phone_and_stand_with_little(tmp_path: Path) -> None:
    months = [m.first for m in made(2)]
    name = "<b>" + "a cause with a very long name " * 3
    drawn = [
        counts(months, [0, 0], 0, "none"),
        counts(months, [7, 1], 0, "some"),
        shares(months, [None, None], [None, None], [None, None], 0, "none", in_thousand),
        shares(months, [0.5, 0.02], [(0.01, 0.03), None], [0.001, 0.5], 0, "one", in_thousand),
        stacked(months, {}, 0, "none"),
        stacked(months, {name: [5, 5], "שורש": [0, 1], "c": [0, 0]}, 0, "some"),
    ]
    assert {re.search(r'width="([\d.]+)pt"', d)[1] for d in drawn} == {"270"}  # type: ignore[index]
    assert "<b>" not in drawn[-1] and "&lt;b&gt;a cause with a ver…" in drawn[-1]


@pytest.fixture(scope="module")
def workspace(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    workspace = new_workspace(tmp_path_factory.mktemp("months"))
    run.import_files(workspace, [SAMPLES / "failed_buds_are_set_aside_and_budded_again" / "inbox"])
    return workspace


def test_the_chapter_has_a_drawing_and_a_sentence_for_each_series_and_every_number(workspace: Workspace) -> None:
    with looked_at(workspace) as store:
        found, months = chapter(store, workspace), gather_months(store)
        page = write_report(store, workspace)[0].read_text(encoding="utf-8")
    assert found and found.title in page
    drawings = [b for b in found.blocks if isinstance(b, Drawing)]
    assert len(drawings) == 6 and all(d.says in d.svg for d in drawings), "nothing was delivered, so that is not drawn"
    (fold,) = (b for b in found.blocks if isinstance(b, Fold))
    tables = [t for t in fold.blocks if isinstance(t, Table)]
    assert [t.name for t in tables] == ["by_month", "standing_by_month", "lost_by_month"]
    assert all(len(t.rows) == len(months) and all(len(r) == len(t.columns) for r in t.rows) for t in tables)
    said = " ".join(b.text for b in found.blocks if isinstance(b, (Says, Drawing)))
    assert all(d.head for d in drawings) and found.says.startswith("October 2026: ")
    assert f"{months[-1].stands:,} plants stand on 2 November 2026" in said and "not over" in said
    assert "{" not in said


def test_on_earlier_days_the_chapter_says_what_it_cannot_say(workspace: Workspace) -> None:
    with looked_at(workspace) as store:
        first = gather_months(store)[0].first
    with run.opened(workspace, as_of=first.replace(day=28)) as (store, _):
        found = chapter(store, workspace)
    assert found and not any(isinstance(b, Drawing) for b in found.blocks)
    assert "No month is over yet." in [b.text for b in found.blocks if isinstance(b, Says)]


def test_an_empty_nursery_has_no_chapter(tmp_path: Path) -> None:
    workspace = new_workspace(tmp_path)
    run.import_files(workspace, [], DAY)
    with looked_at(workspace, ("months", "month_parts")) as store:
        assert chapter(store, workspace) is None
