"""Plants followed from stage to stage, also where they are moved from group to group: each counts once in a stage.

A group is a heap of like plants: what is moved out of it takes its part of what the heap has lost in its stage so far along,
in whole plants. So a plant that is moved within a stage is neither at risk twice nor half at risk, and the plants that are
through with a stage stand beside just those losses that befell plants like them.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

OPENED, LOST, VANISHED, DESPATCHED, MOVED, REACHED, GONE = range(7)
"""What happens to a group: plants come in, are lost on record, vanish without one, leave for good, are moved to another group;
it reaches a stage; it is found to be gone."""


class Event(NamedTuple):
    """`plants` to or from `group`; `other` is the group that they are moved to, or the stage (from 1) that is reached;
    `is_told` marks losses that belong to a step of their own."""

    kind: int
    group: int
    plants: int
    other: int = 0
    is_told: bool = False


class Through(NamedTuple):
    """Plants of a group in a stage: `passed` went on alive (of these `despatched` for good), with what was `lost` on record
    (of these `told` elsewhere) and `vanished` of the plants like them; and the plants that are `still` in it (with what
    these lost)."""

    group: int
    stage: int
    passed: int = 0
    despatched: int = 0
    lost: int = 0
    told: int = 0
    vanished: int = 0
    still: int = 0
    still_lost: int = 0


class _Heap:
    """The plants of a group in its stage, and what they have lost in it."""

    __slots__ = ("lost", "stage", "stands", "told", "vanished")

    def __init__(self, stage: int) -> None:
        self.stage, self.stands, self.lost, self.told, self.vanished = stage, 0, 0, 0, 0

    def part(self, plants: int) -> tuple[int, int, int]:
        """Take out what so many of its plants lost."""
        if self.stands <= 0:
            return 0, 0, 0
        share, whole = min(plants, self.stands), self.stands
        taken = [(2 * n * share + whole) // (2 * whole) for n in (self.lost, self.told, self.vanished)]
        taken[1] = min(taken[1], taken[0])
        self.lost, self.told, self.vanished = self.lost - taken[0], self.told - taken[1], self.vanished - taken[2]
        self.told = min(self.told, self.lost)
        return taken[0], taken[1], taken[2]


def follow(began: Iterable[int], events: Iterable[Event]) -> list[Through]:
    """What became of the plants of each group in each stage, by group and stage. `began` is the stage that each group begins
    with, `events` are in the order in which they happened."""
    heaps = [_Heap(stage) for stage in began]
    done: dict[tuple[int, int], list[int]] = {}

    def passed(group: int, plants: int, part: tuple[int, int, int], is_for_good: bool) -> None:
        numbers = done.setdefault((group, heaps[group].stage), [0, 0, 0, 0, 0])
        for k, n in enumerate((max(0, plants), max(0, plants) if is_for_good else 0, *part)):
            numbers[k] += n

    def all_passed(group: int, plants: int) -> None:
        heap = heaps[group]
        if plants > 0 or heap.lost or heap.vanished:
            passed(group, plants, (heap.lost, heap.told, heap.vanished), False)
        heap.lost = heap.told = heap.vanished = 0

    for kind, group, plants, other, is_told in events:
        heap = heaps[group]
        if kind == OPENED:
            heap.stands += plants
        elif kind == LOST:
            heap.stands -= plants
            heap.lost += plants
            heap.told += plants if is_told else 0
        elif kind == VANISHED:
            heap.stands -= plants
            heap.vanished += plants
        elif kind == DESPATCHED:
            passed(group, plants, heap.part(plants), True)
            heap.stands -= plants
        elif kind == MOVED:
            into, part = heaps[other], heap.part(plants)
            if into.stage == heap.stage:
                into.lost, into.told, into.vanished = into.lost + part[0], into.told + part[1], into.vanished + part[2]
            else:
                passed(group, plants, part, False)
            heap.stands -= plants
            into.stands += plants
        elif kind == REACHED and other > heap.stage:
            all_passed(group, heap.stands)
            heap.stage = other
        elif kind == GONE:
            all_passed(group, 0)
            heap.stands = 0
    found = {(g, stage): Through(g, stage, *numbers) for (g, stage), numbers in done.items()}
    for group, heap in enumerate(heaps):
        still = max(0, heap.stands), heap.lost + heap.vanished
        if any(still):
            key = (group, heap.stage)
            found[key] = found.get(key, Through(*key))._replace(still=still[0], still_lost=still[1])
    return [found[key] for key in sorted(found)]
