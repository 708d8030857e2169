"""People who copy, round and lean; evidence of life; parts; whom to ask. The larger runs are in tests/bench/people_bench.py."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from pipeline.workspace import Workspace
from tests.bench.count_bench import Group, Nursery, Told, told
from tests.bench.people_bench import Copiers, FewCopiers, FewHonest, Leaning, OwnBenches, Tens, is_right
from tests.book.test_reconcile import CODES, Bench
from tests.conftest import table


@pytest.fixture
def bench(workspace: Workspace) -> Bench:
    return Bench(workspace)


def share_held(nursery: Nursery, out: Told, groups: list[Group] | None = None) -> float:
    rows = [(g.stands, *out.standing[g.code][1:3]) for g in groups or nursery.groups]
    return float(np.mean([low <= n <= high for n, low, high in rows]))


def names(odd: tuple[int, ...]) -> set[str]:
    return {f"S{i + 1:02}" for i in odd}


def test_who_copies_is_named_and_nobody_else() -> None:
    nursery = FewCopiers(3)
    out = told(nursery)
    said = {s: row for s, row in out.staff.items() if row[-1]}
    assert set(said) == names(nursery.odd)
    for staff, row in said.items():
        words, agrees, by_chance = row[-1], row[5], row[6]
        assert agrees == 1.0 and by_chance < 0.6
        assert words.startswith(
            f"{row[0]} of {row[0]} counts by {staff} are the very number the phone showed; of other people's "
        )
        assert words.endswith(" counted by someone else.") and " and " in words
    assert share_held(nursery, out) >= 0.9
    assert not any(row[-1] for row in told(FewHonest(3)).staff.values())


def test_copied_counts_in_places_of_their_own_do_not_hide_what_is_lost() -> None:
    class Small(Copiers):
        groups_made = 120

    nursery = Small(5)
    out = told(nursery)
    theirs = [g for g in nursery.groups if nursery.is_odd(g)]
    assert share_held(nursery, out) >= 0.9 and share_held(nursery, out, theirs) >= 0.85
    widths = {g.code: out.standing[g.code][2] - out.standing[g.code][1] for g in nursery.groups}
    of_theirs = np.median([widths[g.code] for g in theirs])
    assert of_theirs > 3 * np.median([widths[g.code] for g in nursery.groups if g not in theirs])


def test_where_all_round_to_tens_it_is_seen() -> None:
    class Small(Tens):
        groups_made = 80

    nursery = Small(6)
    out = told(nursery)
    assert share_held(nursery, out) >= 0.9
    assert all(row[4] > 0.6 for row in out.staff.values())
    assert np.mean([row[1] for row in out.staff.values()]) < 0.35


def test_a_lean_is_learned_and_shown_with_its_sign() -> None:
    class Small(Leaning):
        groups_made = 150

    nursery = Small(7)
    out = told(nursery)
    lean = {s: row[3] for s, row in out.staff.items()}
    assert lean.pop("S01") == pytest.approx(-0.01, abs=0.003)
    assert set(lean.values()) == {0.0}
    assert share_held(nursery, out, [g for g in nursery.groups if nursery.is_odd(g)]) >= 0.8
    assert share_held(nursery, out) >= 0.9


def test_the_number_of_the_next_group_in_the_walk_is_told() -> None:
    class Small(OwnBenches):
        groups_made = 150

    nursery = Small(8)
    out = told(nursery)
    causes = {(d[0], d[1]): d[4] for d in out.doubts}
    far = [
        (g.code, g.days[t])
        for g in nursery.groups
        for t, kind in enumerate(g.kind[:-1])
        if kind == "next" and abs(g.said[t] - g.true[t]) > 25
    ]
    told_so = [causes.get(f) in ("number of another group", "counts exchanged") for f in far]
    assert len(told_so) > 10 and np.mean(told_so) >= 0.75


def test_what_is_said_with_confidence_is_so_as_often() -> None:
    nursery = Nursery(9)
    by_code = {g.code: g for g in nursery.groups}
    judged = [(d[5], is_right(nursery, by_code[d[0]], d)) for d in told(nursery).doubts]
    sure = np.array([(c, r) for c, r in judged if r is not None], dtype=float)
    assert len({round(c, 2) for c, _ in judged}) > 20
    for low, high in ((0.0, 0.8), (0.8, 1.01)):
        some = sure[(sure[:, 0] >= low) & (sure[:, 0] < high)]
        assert len(some) > 20 and some[:, 1].mean() == pytest.approx(some[:, 0].mean(), abs=0.12)


BUDS = {"team_code": "T02", "attempt": 1}


def test_buds_read_green_stand(bench: Bench) -> None:
    """Crates were left out when the group was counted; then 948 buds are read green."""
    for g, place in ((0, "H1"), (1, "Y1")):
        bench.open(g, 960, place)
        bench.counts(g, 958, 957, 955, who=f"S0{g + 1}")
    bench.count("06-10", 0, 897)
    bench.count("06-11", 1, 897, who="S03")
    budding = {"scion": "TAHITI", "budwood_batch": "B-TAH", "buds_set": 950, "passed_over": 5, "recount": "yes"}
    bench.note("budding", "05-20", 0, **BUDS, **budding)
    bench.note("bud_take", "06-12", 0, **BUDS, green=948, brown=2, unsure=0, missing=0, set_aside_to="", recount="yes")
    standing = bench.take_in(dt.date(2026, 6, 13))
    assert standing[CODES[0]][1] >= 945
    assert standing[CODES[1]][1] <= 897
    ((cause, *_),) = bench.doubts(0)
    assert cause in ("crates left out", "one digit wrong")


def test_a_slip_in_the_reading_is_no_proof_of_life(bench: Bench) -> None:
    bench.open(0, 960)
    bench.counts(0, 958, 957, 955, 870, 869, 868)
    bench.note(
        "budding", "07-12", 0, **BUDS, scion="TAHITI", budwood_batch="B-TAH", buds_set=8600, passed_over=5, recount="yes"
    )
    bench.write()
    from pipeline import run

    run.import_files(bench.workspace, [bench.workspace.inbox], dt.date(2026, 8, 20))
    ((low, high),) = table(bench.workspace, "standing", "low, high")
    assert low >= 855 and high <= 890


def test_the_part_that_is_wrong_is_named_and_the_culls_said(bench: Bench) -> None:
    bench.open(0, 1020)
    bench.counts(0, 1018, 1016, 1014, 1014)
    none = dict.fromkeys(("cull_off_type", "cull_bent_root", "cull_etiolated", "cull_disease", "cull_other", "dead"), 0)
    bench.note("cull_round", "07-10", 0, coverage="part", counted=507, cull_weak=20, recount="yes", **none)
    bench.note("cull_round", "07-11", 0, coverage="last_part", counted=597, cull_weak=34, recount="yes", **none)
    bench.count("08-10", 0, 960)
    bench.take_in(dt.date(2026, 8, 12))
    ((cause, advice, *_),) = bench.doubts(0)
    assert cause == "one digit wrong"
    assert "507 and 597 were written, 1,104 together, of which 54 were taken out" in advice
    assert "507 may have been meant by 597" in advice


def test_a_last_count_that_may_be_a_slip_says_so(bench: Bench) -> None:
    bench.open(0, 1000)
    bench.counts(0, 992, 989, 986, 277)
    bench.take_in(dt.date(2026, 6, 12))
    said = " ".join(d[1] for d in bench.doubts(0))
    assert "977 may have been meant" in said


def test_a_recount_is_asked_of_somebody_else(bench: Bench) -> None:
    for g in range(2):
        bench.open(g, 1000)
        bench.counts(g, 998, 997, 996, 995, who="S02")
    bench.count("07-10", 0, 944, who="S01")
    bench.take_in(dt.date(2026, 7, 11))
    assert any(d[1].startswith("Have somebody other than S01 count again; ") for d in bench.doubts(0))


def test_two_equal_wrong_counts_in_a_row_are_possible(bench: Bench) -> None:
    """The second is the first written down again."""
    for g in range(4):
        bench.open(g, 1000)
        bench.counts(g, 998, 997, 996, who="S02")
    bench.count("06-10", 0, 697, who="S01")
    bench.count("06-11", 0, 697, who="S01")
    bench.count("07-10", 0, 995, who="S02")
    assert bench.take_in(dt.date(2026, 7, 11))[CODES[0]][0] in range(993, 997)


def test_the_demo_names_nobody(demo: Workspace) -> None:
    """Its people copy now and then, and some are very exact."""
    assert {f for (f,) in table(demo, "staff_counting", "finding")} == {None}
