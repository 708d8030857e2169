"""Drawings: what they draw is to scale, words in them are not hidden, and marks have their key."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import replace
from itertools import pairwise

import lxml.etree

from pipeline.formulas.readings import ABOVE, WITHIN, Reading
from pipeline.report.charts.base import ASIDE, LEAF, freest
from pipeline.report.charts.bridge import Step, walk
from pipeline.report.charts.climate import readings_over_days
from pipeline.report.charts.course import course, has_band
from pipeline.report.charts.months import shares, stacked
from pipeline.report.charts.rows import line_of
from pipeline.report.charts.take import funnel_plot
from pipeline.report.figures import Team
from pipeline.report.months import in_thousand
from pipeline.report.stock import Counted, Course

MONTHS = [dt.date(2026, m, 1) for m in range(1, 4)]


def words(svg: str) -> list[str]:
    return re.findall(r"<text[^>]*>([^<]*)</text>", svg)


def test_reasons_beside_large_sums_are_drawn_from_nothing_on_a_scale_of_their_own() -> None:
    steps = [Step("the book", 59_372, True), Step("gone", -1_044), Step("found", 61), Step("stands", 58_389, True)]
    drawn = words(walk(steps, "says", is_beside=True))
    assert "−1,000" in drawn and "0" in drawn and "50,000" not in drawn
    assert {"59,372", "58,389", "−1,044", "+61"} <= set(drawn)
    assert "50,000" in words(walk(steps, "says"))


def test_the_month_that_is_not_over_is_open_and_layers_have_the_numbers_of_the_last_that_is() -> None:
    drawn = stacked(MONTHS, {"a": [1, 20, 30], "b": [2, 200, 300]}, 1, "says")
    assert {"20", "200", "220", "Feb 2026"} <= set(words(drawn)) and "330" not in words(drawn)
    assert len(re.findall(r"fill: #ffffff; stroke: #5c6a61", drawn)) == 2


def test_a_lozenge_has_its_key_and_a_band_that_is_cut_its_number() -> None:
    months = [dt.date(2025, m, 1) for m in range(1, 11)]
    limits = [(0.0, 0.9)] + [(0.01, 0.03)] * 9
    drawn = words(shares(months, [0.02] * 10, limits, [0.5] * 8 + [0.01, 0.5], 9, "says", in_thousand))
    assert "unusual" in drawn and "out of line" not in drawn and "↑ 900" in drawn
    assert not {"unusual", "↑ 900"} & set(
        words(shares(months, [0.02] * 10, limits[1:] * 2, [0.5] * 10, 9, "says", in_thousand))
    )


def test_a_name_is_nearer_to_its_own_line_than_to_that_above() -> None:
    over, own = line_of(2.0), line_of(1.0)
    name = 1.48 - 0.06 / 0.36
    assert name - own < over - name


def test_only_teams_out_of_line_are_named_and_every_dot_tells_whose_it_is() -> None:
    good = Team("Team 1: A", "T01", 9, 900, 1000, 0.9, 0.88, 0.92, 0.9, 0.88, 0.92, 0.9, "", 1, 0.9, 1.1, 9, 100)
    bad = replace(good, label="Team 2: B", code="T02", rate=0.7, adjusted=0.71, flag="worse")
    drawn = funnel_plot([good, bad], 0.9, 1.0, "says")
    assert "Team 2: B" in words(drawn) and not any("Team 1" in text for text in words(drawn))
    assert "<title>Team 1: A: 90.0%</title>" in drawn and "nearly all alike teams" in words(drawn)


def test_a_count_off_the_scale_stands_in_a_strip_of_its_own_and_the_group_is_named_once() -> None:
    days = [dt.date(2026, 1, 1) + dt.timedelta(30 * i) for i in range(5)]
    counts = (Counted(days[1], 990, False), Counted(days[4], 300, True))
    believed = tuple((d, 1000 - 5 * i, 990 - 5 * i, 1002 - 5 * i) for i, d in enumerate(days))
    drawn = words(course(Course("26-0001-01", "House 1", counts, ((days[0], 1000), (days[2], 995)), believed, "says")))
    assert "300 (off the scale)" in drawn and "26-0001-01" not in " ".join(drawn)
    assert all(int(n.replace(",", "")) > 950 for n in drawn if re.fullmatch(r"[\d,]+", n))


def test_stages_reached_in_one_week_are_named_beside_each_other() -> None:
    days = [dt.date(2026, 1, 1), dt.date(2026, 9, 1), dt.date(2026, 9, 2), dt.date(2026, 9, 3), dt.date(2026, 9, 9)]
    names = ("in trays", "budded", "buds read", "cut back", "staked")
    believed = tuple((d, 900, 890, 910) for d in days)
    line = Course("26-0001-01", "House 1", (), ((days[0], 1000), (days[-1], 900)), believed, "says")
    drawn = course(line, list(zip(days, names, strict=True)))
    texts = [t for t in lxml.etree.fromstring(drawn.encode()).iter("{*}text") if t.text in names]
    places = {t.text: float(re.findall(r"translate\(([\d.]+)", t.get("transform", ""))[0]) for t in texts}
    across = [places[name] for name in names]
    assert all(b - a >= 9.9 for a, b in pairwise(across)) and across[-1] <= 72 * 5
    assert not set(names) & set(words(course(line)))
    assert has_band(line) and not has_band(replace(line, believed=tuple((d, 900, 900, 901) for d in days)))


def test_words_go_where_they_hide_least() -> None:
    boxes = [(0.0, 0.0, 10.0, 10.0), (20.0, 0.0, 30.0, 10.0), (40.0, 0.0, 50.0, 10.0)]
    assert freest(boxes, [(5, 5)], [boxes[1]]) == boxes[2]
    assert freest(boxes, []) == boxes[0]


def test_readings_far_apart_are_not_joined_and_limits_are_a_band() -> None:
    days = [dt.date(2026, 7, n) for n in (1, 1, 2, 5, 6)]
    hours = (8, 16, 8, 8, None)
    readings = [
        Reading(on, None if at is None else dt.time(at), 20.0 + n, ABOVE if n == 4 else WITHIN)
        for n, (on, at) in enumerate(zip(days, hours, strict=True))
    ]

    def lines(limits: tuple[float | None, float | None], gap_hours: float, is_joined: bool) -> tuple[int, int]:
        drawn = readings_over_days(readings, limits, gap_hours, is_joined, "says")
        return len(re.findall(f"stroke: {ASIDE}; stroke-width: 0.6", drawn)), len(re.findall(f"fill: {LEAF}", drawn))

    assert lines((18, 23.5), 24, True) == (2, 1)
    assert lines((None, 23.5), 12, True) == (1, 1)
    assert lines((None, None), 24, False) == (0, 0)
