from __future__ import annotations

import datetime as dt
import os
import random
from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.findings import Finding
from pipeline.intake import states as sets
from pipeline.stages import Work
from pipeline.store import Store
from tests.intake.reference_states import Head, settle

DAY = dt.date(2026, 3, 1)


def head(instance_id: str, **more: object) -> Head:
    base = Head(instance_id, "stock_count", "A", DAY, "", "", instance_id, 1, "", False, None, None, None, "")
    return replace(base, **more)  # type: ignore[arg-type]


def opening(instance_id: str, group: str, day: dt.date = DAY) -> Head:
    return head(instance_id, form_id="open_group", group_code=group, visit_date=day, opens=True)


def states(heads: list[Head], **more: object) -> dict[str, str]:
    given = (more.get(k, set()) for k in ("stopped", "withdrawn", "cleared"))
    return dict(settle(heads, *given).states)  # type: ignore[arg-type]


def test_a_group_exists_through_a_chain_of_moves() -> None:
    moves = [
        head(f"m{i}", form_id="transfer", group_code=a, moves_to=b)
        for i, (a, b) in enumerate([("C", "D"), ("B", "C"), ("A", "B")])
    ]
    late = head("count", group_code="D")
    assert states([late, *moves]) == dict.fromkeys(["count", "m0", "m1", "m2"], "waiting")
    assert set(states([late, *moves, opening("o", "A")]).values()) == {"accepted"}


def test_a_reading_moves_nothing_while_its_lot_waits() -> None:
    reading = head("r", form_id="bud_take", moves_to="B", read_lot=("A", "T1", 1))
    inspected = head("i", group_code="B")
    assert states([opening("o", "A"), reading, inspected]) == {"o": "accepted", "r": "waiting", "i": "waiting"}
    budding = head("b", form_id="budding", set_lot=("A", "T1", 1))
    assert set(states([opening("o", "A"), reading, inspected, budding]).values()) == {"accepted"}


def test_the_later_of_two_openings_is_kept_out() -> None:
    found = settle([opening("late", "A", DAY + dt.timedelta(1)), opening("first", "A")], set(), set(), set())
    assert found.states == {"late": "quarantined", "first": "accepted"}
    assert [f.rule for f in found.findings] == ["opened_twice"]


def test_a_reading_before_its_budding_is_kept_out() -> None:
    budding = head("b", form_id="budding", set_lot=("A", "T1", 1), visit_date=DAY + dt.timedelta(9))
    reading = head("r", form_id="bud_take", read_lot=("A", "T1", 1), visit_date=DAY + dt.timedelta(2))
    found = settle([opening("o", "A"), budding, reading], set(), set(), set())
    assert found.states["r"] == "quarantined"
    assert [f.rule for f in found.findings] == ["before_budding"]


def test_two_edits_of_one_leave_the_later_saved_one() -> None:
    heads = [
        opening("o", "A"),
        head("x"),
        head("e1", deprecated_id="x", ended="2026-03-01T08"),
        head("e2", deprecated_id="x", ended="2026-03-01T09"),
    ]
    found = settle(heads, set(), set(), set())
    assert found.states == {"o": "accepted", "x": "superseded", "e1": "superseded", "e2": "accepted"}
    assert [f.rule for f in found.findings] == ["edited_apart"]


def test_an_edit_of_another_form_leaves_the_older_one() -> None:
    found = settle([opening("o", "A"), head("x"), head("e", deprecated_id="x", form_id="loss")], set(), set(), set())
    assert found.states["x"] == "accepted" and found.states["e"] == "quarantined"


def test_an_edit_of_itself_is_a_loop() -> None:
    assert states([opening("o", "A"), head("x", deprecated_id="x")])["x"] == "quarantined"


def test_what_a_person_withdrew_counts_for_nothing() -> None:
    assert states([opening("o", "A"), head("x")], withdrawn={"o"}) == {"o": "withdrawn", "x": "waiting"}


def test_what_a_person_accepted_as_it_is_goes_in() -> None:
    twins = [opening("o", "A"), head("x", canonical="same"), head("y", canonical="same")]
    assert states(twins)["y"] == "quarantined"
    assert states(twins, cleared={("y", "double_entry")})["y"] == "accepted"


groups, lots = st.sampled_from("ABC"), st.sampled_from(["T1", "T2"])
days = st.integers(0, 3).map(lambda n: DAY + dt.timedelta(n))


@st.composite
def any_heads(draw: st.DrawFn) -> list[Head]:
    heads = []
    for number in range(draw(st.integers(1, 9))):
        kind, group, day = draw(st.sampled_from(["open", "count", "move", "set", "read"])), draw(groups), draw(days)
        lot = (group, draw(lots), 1)
        heads.append(
            head(
                f"i{number}",
                form_id=kind,
                group_code=group,
                visit_date=day,
                opens=kind == "open",
                deprecated_id=draw(st.sampled_from(["", "", "", "i0", "i1", "i2"])),
                canonical=draw(st.sampled_from("abcdefgh")),
                moves_to=draw(groups) if kind == "move" else None,
                set_lot=lot if kind == "set" else None,
                read_lot=lot if kind == "read" else None,
            )
        )
    return heads


@given(heads=any_heads(), seed=st.integers(0, 10**6))
@settings(max_examples=300, deadline=None)
def test_no_order_of_arrival_matters(heads: list[Head], seed: int) -> None:
    shuffled = list(heads)
    random.Random(seed).shuffle(shuffled)
    one, two = settle(heads, set(), set(), set()), settle(shuffled, set(), set(), set())
    assert (one.states, one.superseded_by, one.opened_on, one.findings) == (
        two.states,
        two.superseded_by,
        two.opened_on,
        two.findings,
    )
    assert set(one.states) == {h.instance_id for h in heads}
    for h in heads:
        if one.states[h.instance_id] == "accepted":
            assert h.group_code in one.opened_on and h.visit_date is not None
            assert h.visit_date >= one.opened_on[h.group_code]


_CURRENT = {
    "instance_id": "VARCHAR",
    "form_id": "VARCHAR",
    "group_code": "VARCHAR",
    "visit_date": "DATE",
    "deprecated_id": "VARCHAR",
    "ended": "VARCHAR",
    "said": "VARCHAR",
    "versions": "BIGINT",
    "other_source": "VARCHAR",
    "opens": "BOOLEAN",
    "moves_to": "VARCHAR",
    "set_by": "VARCHAR",
    "read_of": "VARCHAR",
    "attempt": "BIGINT",
    "reason": "VARCHAR",
}


def in_sets(store: Store, heads: list[Head], stopped: set[str], withdrawn: set[str], cleared: set[tuple[str, str]]) -> object:
    """What the sets in SQL say of the same."""
    work = Work(store, None, None)
    rows = [
        (
            h.instance_id,
            h.form_id,
            h.group_code,
            h.visit_date,
            h.deprecated_id,
            h.ended,
            h.canonical,
            h.versions,
            h.other_source,
            h.opens,
            h.moves_to,
            (h.set_lot or [None] * 2)[1],
            (h.read_lot or [None] * 2)[1],
            1,
            h.reason,
        )
        for h in heads
    ]
    text = dict.fromkeys(("instance_id", "rule", "field", "value", "detail"), "VARCHAR")
    tables = {
        "current": (_CURRENT, rows),
        "own_findings": (text, [(i, "wrong_type", "", "", "") for i in sorted(stopped)]),
        "withdrawn": ({"instance_id": "VARCHAR"}, [(i,) for i in sorted(withdrawn)]),
        "cleared": ({"instance_id": "VARCHAR", "rule": "VARCHAR"}, sorted(cleared)),
    }
    for name, (columns, values) in tables.items():
        listed = ", ".join(f"{c} {kind}" for c, kind in columns.items())
        store.connection.execute(f"CREATE OR REPLACE TABLE work.{name} ({listed})")
        store.insert(f"work.{name}", list(columns), values)
    sets.settle(work)
    found = store.rows("SELECT instance_id, state, superseded_by FROM work.new_states")
    return (
        {i: state for i, state, _ in found},
        {i: by for i, _, by in found if by},
        dict(store.rows("SELECT * FROM work.new_openings")),
        sorted(Finding(*row) for row in store.rows("SELECT * FROM work.new_state_findings")),
    )


RULES = [
    "double_entry",
    "opened_twice",
    "before_opening",
    "two_versions",
    "before_budding",
    "waits_for_lot",
    "opened_by_transfer",
]


@st.composite
def more_heads(draw: st.DrawFn) -> list[Head]:
    """Heads with versions, reasons, and readings that move."""
    heads = draw(any_heads())
    return [
        replace(
            h,
            versions=draw(st.sampled_from([1, 1, 1, 2])),
            other_source=draw(st.sampled_from(["", "b.xml"])),
            reason=draw(st.sampled_from(["", "merge", "set_aside"])),
            ended=draw(st.sampled_from(["", "2026-03-01T08", "2026-03-01T09"])),
            group_code=draw(st.sampled_from([h.group_code, h.group_code, h.group_code, None]))
            if h.form_id == "stock_count"
            else h.group_code,
            visit_date=draw(st.sampled_from([h.visit_date, h.visit_date, None])),
            moves_to=draw(groups) if h.read_lot and draw(st.booleans()) else h.moves_to,
        )
        for h in heads
    ]


STORE = Store.in_memory()


@given(heads=more_heads(), data=st.data())
@settings(max_examples=120 if os.environ.get("CI") else 25, deadline=None)
def test_sets_say_what_the_plain_function_says(heads: list[Head], data: st.DataObject) -> None:
    ids = st.sampled_from([h.instance_id for h in heads])
    stopped, withdrawn = data.draw(st.sets(ids, max_size=2)), data.draw(st.sets(ids, max_size=2))
    cleared = data.draw(st.sets(st.tuples(ids, st.sampled_from(RULES)), max_size=3))
    plain = settle(heads, stopped, withdrawn, cleared)
    said = in_sets(STORE, heads, stopped, withdrawn, cleared)
    assert said == (plain.states, plain.superseded_by, plain.opened_on, plain.findings)
