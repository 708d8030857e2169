"""Plants followed from stage to stage: by hand, and as a law: what comes in is what is through, lost, sold or still there."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from pipeline.formulas.stage_by_stage import DESPATCHED, GONE, LOST, MOVED, OPENED, REACHED, VANISHED, Event, Through, follow


def test_a_plain_life() -> None:
    events = [
        Event(OPENED, 0, 100),
        Event(LOST, 0, 10, is_told=True),
        Event(LOST, 0, 5),
        Event(VANISHED, 0, 5),
        Event(REACHED, 0, 0, 2),
        Event(REACHED, 0, 0, 2),
        Event(LOST, 0, 8),
        Event(REACHED, 0, 0, 4),
        Event(DESPATCHED, 0, 30),
    ]
    assert follow([1], events) == [
        Through(0, 1, passed=80, lost=15, told=10, vanished=5),
        Through(0, 2, passed=72, lost=8),
        Through(0, 4, passed=30, despatched=30, still=42),
    ]


def test_moves_take_their_part_along() -> None:
    events = [
        Event(OPENED, 0, 100),
        Event(LOST, 0, 20),
        Event(MOVED, 0, 40, 1),
        Event(LOST, 1, 10),
        Event(REACHED, 1, 0, 2),
        Event(MOVED, 0, 10, 1),
        Event(GONE, 0, 0),
    ]
    assert follow([1, 1], events) == [
        # ten of the forty that stayed went on to a group in bags, with a quarter of the ten lost before; the rest is gone
        Through(0, 1, passed=10, lost=10),
        Through(1, 1, passed=30, lost=20),
        Through(1, 2, still=40),
    ]


def test_more_leave_than_ever_came() -> None:
    found = follow([1, 2], [Event(OPENED, 0, 5), Event(MOVED, 0, 9, 1), Event(LOST, 0, 3), Event(REACHED, 0, 0, 3)])
    assert found == [Through(0, 1, passed=9, lost=3), Through(1, 2, still=9)]


@pytest.mark.parametrize("seed", range(20))
def test_every_plant_is_somewhere_once(seed: int) -> None:
    """Whatever happens to ten groups (without more leaving than stands): what came in is still there, lost or sold; and every
    plant that entered a stage passed it, was lost in it or is in it."""
    dice = np.random.default_rng(seed)
    stands, rank = [0] * 10, [1] * 10
    events, totals, into = [], Counter[str](), Counter[int]()
    for _ in range(400):
        g, other = (int(v) for v in dice.choice(10, 2, replace=False))
        n = int(dice.integers(0, stands[g] + 1))
        kind = int(dice.choice([OPENED, LOST, VANISHED, DESPATCHED, MOVED, REACHED], p=[0.15, 0.25, 0.15, 0.05, 0.25, 0.15]))
        if kind == OPENED:
            n = int(dice.integers(0, 300)) if rank[g] == 1 else 0
            stands[g] += n
            totals["in"] += n
            into[1] += n
        elif kind == REACHED:
            new = min(7, rank[g] + int(dice.integers(1, 3)))
            into[new] += stands[g] if new > rank[g] else 0
            events.append(Event(REACHED, g, 0, new))
            rank[g] = new
            continue
        else:
            n = min(n, 1 + n // 3) if kind != MOVED else n
            stands[g] -= n
            if kind == MOVED:
                stands[other] += n
                into[rank[other]] += n if rank[other] != rank[g] else 0
            else:
                totals["sold" if kind == DESPATCHED else "lost"] += n
        events.append(Event(kind, g, n, other if kind == MOVED else 0))
    found = follow([1] * 10, events)
    assert sum(t.still for t in found) == sum(stands) and sum(t.despatched for t in found) == totals["sold"]
    assert sum(t.lost + t.vanished + t.still_lost for t in found) == totals["lost"]
    assert totals["in"] == totals["lost"] + totals["sold"] + sum(stands)
    for stage in range(1, 8):
        own = [t for t in found if t.stage == stage]
        assert sum(t.passed + t.lost + t.vanished + t.still + t.still_lost for t in own) == into[stage]
