"""Traced plants against brute force: every way in which the plants of small nurseries may have been chosen."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterator
from itertools import combinations
from typing import Any

import pytest

from pipeline.formulas.tracing import Event, Followed, Key, Part

Plant = tuple[bool, tuple[tuple[str, int, str], ...]]
"""Whether it is touched, and the group, attempt and lot of every bud that was set in it."""
World = tuple[tuple[Any, tuple[Plant, ...]], ...]


def _chosen(plants: tuple[Plant, ...], n: int) -> Iterator[tuple[tuple[Plant, ...], tuple[Plant, ...]]]:
    """Each way to take n of the plants, once for plants that are alike: those taken, those that stay."""
    seen = set()
    for taken in combinations(range(len(plants)), n):
        some = tuple(sorted(plants[i] for i in taken))
        if some not in seen:
            seen.add(some)
            yield some, tuple(p for i, p in enumerate(plants) if i not in taken)


def _after(world: dict[Any, tuple[Plant, ...]], number: int, e: Event, lots: dict[str, bool]) -> Iterator[dict[Any, Any]]:
    here = world.get(e.group, ())
    if e.kind == "came":
        yield {**world, e.group: tuple(sorted(here + ((e.is_touched, ()),) * e.quantity))}
    elif e.kind == "touched":
        free = tuple(p for p in here if not any(m[:2] == (e.group, e.attempt) for m in p[1]))
        busy = Counter(here) - Counter(free)
        for some, rest in _chosen(free, e.quantity):
            touches = lots[e.lot]
            budded = [(p[0] or touches, tuple(sorted((*p[1], (e.group, e.attempt, e.lot))))) for p in some]
            yield {**world, e.group: tuple(sorted([*budded, *rest, *busy.elements()]))}
    else:
        free = here
        if e.lot:
            free = tuple(p for p in here if (e.group, e.attempt, e.lot) in p[1])
        busy = Counter(here) - Counter(free)
        for some, rest in _chosen(free, e.quantity):
            to = e.to or ("left", number)
            made = {**world, e.group: tuple(sorted([*rest, *busy.elements()]))}
            yield {**made, to: tuple(sorted([*made.get(to, ()), *some])), ("moved", number): some}


def brute(events: list[Event], lots: dict[str, bool], whole: str = "") -> list[dict[Any, tuple[Plant, ...]]]:
    """All worlds that the records allow."""
    worlds: list[dict[Any, tuple[Plant, ...]]] = [{}]
    for number, e in enumerate(events):
        found: dict[World, dict[Any, tuple[Plant, ...]]] = {}
        for world in worlds:
            for after in _after(world, number, e, lots):
                made = {k: tuple(sorted((True, m) for _, m in v)) if k == whole else v for k, v in after.items()}
                found[tuple(sorted(made.items(), key=repr))] = made
        worlds = list(found.values())
        if len(worlds) > 4000:
            return []
    return worlds


def touched(world: dict[Any, tuple[Plant, ...]], key: Key) -> int:
    return sum(p[0] for p in world.get(("moved", key) if isinstance(key, int) else key, ()))


def nursery(draw: random.Random, with_buds: bool) -> tuple[list[Event], dict[str, bool]]:
    """Events of a few groups in which everything that leaves is there."""
    groups, stock, lots = "ABCD", Counter[str](), {}
    events = [Event(draw.choice("AB"), "came", draw.randint(2, 4), is_touched=i % 2 == 0 and not with_buds) for i in range(2)]
    for e in events:
        stock[e.group] += e.quantity
    left: Counter[tuple[str, int, str]] = Counter()
    for number in range(draw.randint(5, 12)):
        here = draw.choice(groups)
        n = draw.randint(1, 4)
        kind = draw.choice(["came", "left", "left", "left", *(["touched", "failed"] * with_buds)])
        if kind == "came" and sum(stock.values()) < 8:
            events.append(Event(here, "came", n, is_touched=not with_buds and draw.random() < 0.5))
            stock[here] += n
        elif kind == "touched" and stock[here] >= n:
            lot, attempt = f"lot{number}", draw.randint(1, 2)
            lots[lot] = draw.random() < 0.6
            left[here, attempt, lot] = n
            events.append(Event(here, "touched", n, attempt=attempt, lot=lot))
        elif kind == "failed" and (some := [k for k in left if k[0] == here and left[k]]):
            here, attempt, lot = draw.choice(some)
            n = min(n, left[here, attempt, lot], stock[here])
            if n:
                to = draw.choice([g for g in groups if g != here])
                events.append(Event(here, "left", n, to, attempt=attempt, lot=lot, of_touched=lots[lot]))
                left[here, attempt, lot] -= n
                stock[here] -= n
                stock[to] += n
        elif kind == "left" and stock[here] >= n:
            to = draw.choice(["", *(g for g in groups if g != here)])
            events.append(Event(here, "left", n, to))
            stock[here] -= n
            if to:
                stock[to] += n
    return events, lots


def _keys(events: list[Event], draw: random.Random) -> list[list[Key]]:
    single: list[Key] = [*sorted({e.group for e in events} | {e.to for e in events if e.to})]
    single += [i for i, e in enumerate(events) if e.kind == "left"]
    return [[k] for k in single] + [draw.sample(single, min(len(single), draw.randint(2, 4))) for _ in range(4)]


def _held_against(events: list[Event], lots: dict[str, bool], draw: random.Random, whole: str = "") -> Counter[str]:
    """How many ends are those of brute force, and how many are wider; none may be narrower."""
    worlds = brute(events, lots, whole)
    if not worlds:
        return Counter()
    # a lot that does not touch is no event of what is traced
    mine, number_of = [], {}
    for i, e in enumerate(events):
        if e.kind != "touched" or lots[e.lot]:
            number_of[i] = len(mine)
            mine.append(e)
    followed, met = Followed(mine, whole), Counter[str]()
    for keys in _keys(events, draw):
        found = followed.total(number_of[k] if isinstance(k, int) else k for k in keys)
        # a plant that left a group and came back is counted each time it left
        sums = [sum(touched(w, k) for k in keys) for w in worlds]
        assert found.low <= min(sums) and max(sums) <= found.high, (events, keys, found, min(sums), max(sums))
        assert found.low <= found.about <= found.high
        met["exact" if (found.low, found.high) == (min(sums), max(sums)) else "wider"] += 1
        if found.is_certain:
            met["certain"] += 1
    assert followed.is_exact and not followed.unknown
    return met


@pytest.mark.parametrize("whole", ["", "B"])
def test_moves_splits_and_merges_are_exact(whole: str) -> None:
    """Of seed lots and groups nothing is known but the numbers, so the ends are exactly those of all possible worlds."""
    met = Counter[str]()
    for seed in range(250):
        draw = random.Random(seed)
        events, lots = nursery(draw, with_buds=False)
        met += _held_against(events, lots, draw, whole)
    assert met["wider"] == 0 and met["exact"] > 1500 and 200 < met["certain"] < met["exact"] - 300, met


def test_buds_are_never_missed_and_mostly_exact() -> None:
    """Budding, failed buds set aside and budding again: no possible world lies outside."""
    met = Counter[str]()
    for seed in range(250):
        draw = random.Random(seed)
        events, lots = nursery(draw, with_buds=True)
        met += _held_against(events, lots, draw)
    assert met["exact"] > 800 and met["wider"] < 0.1 * met["exact"], met


def test_what_was_split_and_put_together_again_is_certain() -> None:
    """Half of a group is touched; two halves go two ways and meet again: in between nobody knows, in the end it is certain."""
    events = [
        Event("A", "came", 500, is_touched=True),
        Event("A", "came", 500),
        Event("A", "left", 500, "B"),
        Event("A", "left", 500, "C"),
        Event("B", "left", 500, "D"),
        Event("C", "left", 500, "D"),
    ]
    followed = Followed(events)
    assert followed.total([2]) == Part(0, 500, 250)
    assert followed.total(["D"]) == Part(500, 500, 500)
    assert followed.total([2, 3]) == Part(500, 500, 500)
    assert followed.groups == ["A", "B", "C", "D"]


def test_two_teams_bud_one_group_from_one_batch() -> None:
    """Buds of one attempt are in plants of their own; those of a second attempt may be in plants that had one of the first."""
    events = [
        Event("A", "came", 1000),
        Event("A", "touched", 300, attempt=1, lot="T1"),
        Event("A", "touched", 400, attempt=1, lot="T2"),
    ]
    assert Followed(events).total(["A"]) == Part(700, 700, 700)
    # after a reading those that failed may have been set again, recorded as a first budding all the same
    read = Followed([*events[:2], Event("A", "read", 0), events[2]]).total(["A"])
    assert (read.low, read.high) == (400, 700)
    again = Followed([*events, Event("A", "touched", 50, attempt=2, lot="T3")]).total(["A"])
    assert (again.low, again.high) == (700, 750)


def test_plants_of_failed_buds_are_of_their_lot() -> None:
    events = [
        Event("A", "came", 1000),
        Event("A", "touched", 600, attempt=1, lot="T1"),
        Event("A", "left", 30, "F", attempt=1, lot="T1", of_touched=True),
        Event("A", "left", 20, "F", attempt=1, lot="T2", of_touched=False),
        Event("F", "left", 10),
    ]
    followed = Followed(events)
    assert followed.total([2]) == Part(30, 30, 30) and followed.total([3]) == Part(0, 0, 0)
    assert followed.total(["F"]).low == 20 and followed.total(["F"]).high == 30
    assert followed.total([4, "F"]) == Part(30, 30, 30)


def test_more_leaves_than_came_is_unknown_and_may_be_touched() -> None:
    events = [Event("A", "came", 100, is_touched=True), Event("A", "left", 120, "B"), Event("C", "left", 5, "D")]
    followed = Followed(events)
    assert followed.unknown == {"A": 20}
    part = followed.total(["B"])
    assert (part.low, part.high) == (100, 120)
    assert followed.groups == ["A", "B"] and followed.total(["D"]) == Part(0, 0, 0)


def test_records_that_contradict_each_other_give_wider_numbers_and_no_end() -> None:
    """A lot of which more failed than was set."""
    events = [
        Event("A", "came", 10),
        Event("A", "touched", 3, attempt=1, lot="L"),
        Event("A", "left", 8),
        Event("A", "left", 5, "B", attempt=1, lot="L", of_touched=True),
        Event("B", "left", 2, "A"),
    ]
    followed = Followed(events)
    part = followed.total(["A", "B"])
    assert 0 <= part.low <= part.high and followed.unknown == {"A": 3}


def test_beyond_its_bounds_it_says_that_it_is_wider(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.formulas.tracing.MOST_VARIABLES", 3)
    came = [Event("A", "came", 5, is_touched=True), Event("A", "came", 5)]
    events = [*came, Event("A", "left", 5, "B"), Event("B", "left", 5, "A")]
    followed = Followed(events)
    assert followed.total([2]) == Part(0, 5, 2) and not followed.is_exact
