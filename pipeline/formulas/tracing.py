"""What is known of plants that were touched by something (came from one seed lot, had a bud of one batch, stood in one group)
once groups were moved, split, put together and partly sent out: at least so many of them are here, and at most.

Plants of a group cannot be told apart, so a record of so many plants that leave says nothing of which. Every way in which
they may have been chosen is possible, and `low` and `high` are the fewest and the most touched plants over all of these.
They are found in two steps. One pass through the events keeps an interval of the touched plants of each group. Where groups
were mixed, what went one way did not go another, so the sum of two intervals is too wide: there a linear programme gives
the ends. It is one of flows in a network with whole bounds, whose corners are whole numbers (Ahuja, Magnanti and Orlin,
*Network Flows*, 1993, theorem 9.10; from memory). Two things that are known of plants make the intervals narrower: a plant
gets one bud at an attempt, so buds set at one attempt in one group are in plants of their own until buds are read there;
and plants that leave because the buds of a lot failed are of that lot.

Unrecorded losses need no room of their own: a plant that vanished is as good as one that stays until the end and is not
there then. Plants that nobody recorded as coming, but that left or were budded, are `unknown`: in a group that was reached
they may be touched.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

MOST_VARIABLES, MOST_SOLVED = 6000, 3000
"""Numbers of one linear programme, and programmes in all, beyond which the sums of intervals stand: true, but wider."""


@dataclass(frozen=True)
class Event:
    """Something that happened to a group, of so many plants. `came` from nowhere else in the nursery; were `touched` where they
    stood; or `left`, `to` another group (or the same: they were moved within it) or for good. Buds that were `read` may be set
    again, under whatever attempt, where they failed. A `lot` is so many plants touched elsewhere that are known to be a lot of
    this group. Events stand in the order of time."""

    group: str
    kind: str
    quantity: int
    to: str = ""
    is_touched: bool = False
    """Of `came`: whether all of them are touched; else none is."""
    attempt: int = 0
    """Of `touched`, and of `left` because buds failed: the attempt. 0: not known."""
    lot: str = ""
    """The lot whose buds these were, in its group."""
    of_touched: bool | None = None
    """Of `left` because the buds of a lot failed: whether all buds of that lot touch, or none of them. None: not known."""
    origin: str = ""
    """Of `left` from linked groups: the one that they left."""


@dataclass(frozen=True)
class Linked:
    """Groups that are one for a while (`pool`), since nobody knows in which order plants `moved` between them (from, to, how
    many), `came` (group, how many, whether they are touched) and were `touched` (group, how many). All of their plants leave
    for the pool after this, and leave it again as of one of the groups (`Event.origin`)."""

    pool: str
    groups: tuple[str, ...]
    moved: tuple[tuple[str, str, int], ...]
    came: tuple[tuple[str, int, bool], ...]
    touched: tuple[tuple[str, int], ...]


@dataclass(frozen=True)
class Part:
    """Touched plants: at least, at most, and about how many if plants leave as they are mixed."""

    low: int
    high: int
    about: int

    @property
    def is_certain(self) -> bool:
        return self.low == self.high

    def __add__(self, other: Part) -> Part:
        return Part(self.low + other.low, self.high + other.high, self.about + other.about)


NONE = Part(0, 0, 0)
Key = int | str
"""What is asked for: what left by an event (its number), or what stands in a group at the end (its code)."""


@dataclass
class _State:
    plants: int = 0
    low: int = 0
    high: int = 0
    about: float = 0.0
    came_high: int = 0
    """The most touched plants that ever came into the group."""
    set_high: dict[int, int] = field(default_factory=lambda: defaultdict(int))
    """The most plants touched in it at each attempt."""
    of_lot: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    """Plants of each touching lot that have not left for its failed buds."""


@dataclass
class _Step:
    """What an event did to the touched plants of its group, as numbers of a linear programme: their number after it lies within
    `after`; what came of them (`came`), were touched anew or left (`moved`) within its bounds."""

    event: int
    group: str
    sign: int
    moved: tuple[int, int]
    after: tuple[int, int]
    to: str = ""


class Followed:
    """What became of the touched plants."""

    def __init__(self, events: Sequence[Event | Linked], whole: str = "", doubtful: Collection[str] = ()) -> None:
        """`whole` is a group in which every plant counts as touched. Plants of `doubtful` groups that never came may be touched
        before any that are known to be. Raises ValueError for an event of another kind."""
        self.unknown: dict[str, int] = defaultdict(int)
        """Plants of each group that left or were budded without having come, where they may be touched."""
        self.first_unknown: dict[str, int] = {}
        """By which event (its number) the first of them left."""
        self.is_exact = True
        """Whether all that was asked for so far is as narrow as what is known allows."""
        self._states: dict[str, _State] = defaultdict(_State)
        self._steps: dict[str, list[_Step]] = defaultdict(list)
        self._left: dict[int, tuple[str, Part]] = {}
        self._whole = whole
        self._solved = 0
        self._within: set[int] = set()
        self._passed: set[str] = set()
        self._doubtful = frozenset(doubtful)
        self._most: dict[tuple[str, str], tuple[int, int]] = {}
        """By pool and group: the most touched plants, and the most that are not, that can have stood in it meanwhile."""
        for number, event in enumerate(events):
            self._follow(number, event)

    # -- one pass, with intervals

    def _follow(self, number: int, event: Event | Linked) -> None:
        if isinstance(event, Linked):
            self._link(event)
            return
        here = self._states[event.group]
        if event.kind == "came":
            n = event.quantity if event.is_touched else 0
            self._add(event.group, number, event.quantity, Part(n, n, n))
        elif event.kind == "touched":
            self._more_than_came(event, here, number)
            self._touch(number, event, here)
        elif event.kind == "left":
            self._more_than_came(event, here, number)
            self._leave(number, event, here)
        elif event.kind == "lot":
            here.of_lot[event.lot] += event.quantity
        elif event.kind == "read":
            here.came_high += sum(here.set_high.values())
            here.set_high.clear()
        else:
            raise ValueError(event.kind)

    def _more_than_came(self, event: Event, here: _State, number: int) -> None:
        """What the event has more than the group holds came in without a record."""
        more = event.quantity - here.plants
        if more > 0:
            may_be = more if here.high > 0 or event.group in self._doubtful else 0
            if may_be or event.kind == "touched":
                self.unknown[event.group] += more
                self.first_unknown.setdefault(event.group, number)
            self._add(event.group, number, more, Part(0, may_be, round(may_be * here.about / max(1, here.plants))))

    def _link(self, event: Linked) -> None:
        """The most that can have stood in each group: what was there, and what others can have brought."""
        touched = {g: self._states[g].high for g in event.groups}
        others = {g: self._states[g].plants - self._states[g].low for g in event.groups}
        for group, n, is_touched in event.came:
            (touched if is_touched else others)[group] += n
        for group, n in event.touched:
            touched[group] += n
        touched, others = (_spread(first, event.moved) for first in (touched, others))
        self._most |= {(event.pool, g): (touched[g], others[g]) for g in event.groups}

    def _add(self, group: str, number: int, plants: int, touched: Part) -> None:
        here = self._states[group]
        here.plants += plants
        here.low, here.high, here.about = here.low + touched.low, here.high + touched.high, here.about + touched.about
        here.came_high += touched.high
        if group == self._whole:
            here.low = here.high = here.plants
            here.about = float(here.plants)
            here.came_high = here.plants
        self._steps[group].append(_Step(number, group, 1, (touched.low, touched.high), (here.low, here.high)))

    def _otherwise(self, here: _State, attempt: int) -> int:
        """The most plants of the group that are touched otherwise than by a bud of this attempt that was set in it."""
        if not attempt:
            return here.high
        return min(here.high, here.came_high + sum(n for other, n in here.set_high.items() if other != attempt))

    def _touch(self, number: int, event: Event, here: _State) -> None:
        n = event.quantity
        anew_low = max(0, min(n - self._otherwise(here, event.attempt), here.plants - here.high))
        anew_high = min(n, here.plants - here.low)
        share = here.about / here.plants if here.plants else 0.0
        here.about += max(anew_low, min(anew_high, n * (1 - share)))
        here.low = min(here.plants, max(here.low + anew_low, n))
        here.high = min(here.plants, here.high + anew_high)
        here.about = min(max(here.about, here.low), here.high)
        here.set_high[event.attempt] += n
        here.of_lot[event.lot] += n
        self._steps[event.group].append(_Step(number, event.group, 1, (anew_low, anew_high), (here.low, here.high)))

    def _leave(self, number: int, event: Event, here: _State) -> None:
        n = event.quantity
        least, most = max(0, n - (here.plants - here.low)), min(n, here.high)
        about = n * here.about / here.plants if here.plants else 0.0
        if event.origin:
            touched, others = self._most[event.group, event.origin]
            least, most = max(least, min(most, n - others)), max(least, min(most, touched))
            self._passed |= {event.origin} if most else set()
        if event.to == event.group:
            self._left[number] = (event.group, Part(least, most, min(max(round(about), least), most)))
            self._within.add(number)
            return
        if event.of_touched is True:
            least = max(least, min(n, here.of_lot[event.lot], most))
            here.of_lot[event.lot] = max(0, here.of_lot[event.lot] - n)
        elif event.of_touched is False:
            most = max(least, min(most, self._otherwise(here, event.attempt)))
        about = min(max(about, least), most)
        stays_most = here.high - max(least, n - (here.plants - here.high))
        here.plants -= n
        here.low, here.high = max(0, here.low - most), max(0, min(here.plants, stays_most))
        here.about = min(max(here.about - about, here.low), here.high)
        self._steps[event.group].append(_Step(number, event.group, -1, (least, most), (here.low, here.high), event.to))
        part = Part(least, most, round(about))
        self._left[number] = (event.group, part)
        if event.to:
            self._add(event.to, number, n, part)

    # -- what is asked for

    @property
    def groups(self) -> list[str]:
        """Groups that touched plants may have stood in, by their code."""
        return sorted({g for g, steps in self._steps.items() if any(s.after[1] for s in steps)} | self._passed)

    def plants_in(self, group: str) -> int:
        """Plants that stand in a group by the events."""
        return self._states[group].plants if group in self._states else 0

    def _interval(self, key: Key) -> Part:
        if isinstance(key, int):
            return self._left[key][1]
        here = self._states[key]
        return Part(here.low, here.high, round(here.about))

    def total(self, keys: Iterable[Key]) -> Part:
        """The touched plants of all these together."""
        parts: dict[int, list[Key]] = defaultdict(list)
        sure = NONE
        for key in keys:
            part = self._interval(key)
            group = self._left[key][0] if isinstance(key, int) else key
            if part.is_certain or group not in self._mixed or key in self._within:
                sure += part
            else:
                parts[self._mixed[group]].append(key)
        for number, some in parts.items():
            sure += self._ends(self._networks[number], some)
        return sure

    def _ends(self, network: _Network, keys: list[Key]) -> Part:
        wide = sum((self._interval(k) for k in keys), NONE)
        self._solved += 2
        ends = network.ends(keys) if len(network.bounds) <= MOST_VARIABLES and self._solved <= MOST_SOLVED else None
        if ends is None:
            self.is_exact = False
            return wide
        low, high = max(ends[0], wide.low), min(ends[1], wide.high)
        return Part(low, high, min(max(wide.about, low), high))

    @cached_property
    def _mixed(self) -> dict[str, int]:
        """Groups of which it is not certain how many touched plants they held -> the network that they are part of."""
        mixed = {g: g for g, steps in self._steps.items() if any(s.after[0] < s.after[1] for s in steps)}

        def root(group: str) -> str:
            while mixed[group] != group:
                mixed[group] = group = mixed[mixed[group]]
            return group

        for group in list(mixed):
            for step in self._steps[group]:
                if step.sign < 0 and step.to in mixed and step.moved[0] < step.moved[1]:
                    mixed[root(group)] = root(step.to)
        roots = {root(g): 0 for g in mixed}
        numbers = {r: number for number, r in enumerate(roots)}
        return {g: numbers[root(g)] for g in mixed}

    @cached_property
    def _networks(self) -> list[_Network]:
        members: dict[int, list[str]] = defaultdict(list)
        for group, number in self._mixed.items():
            members[number].append(group)
        return [_Network({g: self._steps[g] for g in members[number]}) for number in sorted(members)]


def _spread(first: Mapping[str, int], moved: Sequence[tuple[str, str, int]]) -> dict[str, int]:
    """The most that can ever have stood in each group, of what was there at first and what moves can have brought, in whatever
    order: each round is one move more that a plant may have made."""
    most, total = dict(first), sum(first.values())
    for _ in moved:
        now = dict(first)
        for a, b, n in moved:
            now[b] += min(n, most[a])
        now = {g: min(n, total) for g, n in now.items()}
        if now == most:
            break
        most = now
    return most


class _Network:
    """The groups that are mixed with each other as a linear programme: one number for the touched plants of a group after each
    of its events, one for what came, was touched anew or left by it; what left to a group of the network is what came there."""

    def __init__(self, steps: dict[str, list[_Step]]) -> None:
        self.bounds: list[tuple[int, int]] = []
        self.left: dict[int, int] = {}
        self.last: dict[str, int] = {}
        self._rows: list[list[tuple[int, int]]] = []
        came: dict[tuple[int, str], int] = {}
        for group in steps:
            for step in steps[group]:
                if step.sign < 0:
                    self.left[step.event] = moved = self._number(step.moved)
                    if step.to in steps:
                        came[step.event, step.to] = moved
        for group in steps:
            before = -1
            for step in steps[group]:
                after = self._number(step.after)
                if step.sign < 0:
                    moved = self.left[step.event]
                else:
                    moved = came.pop((step.event, group), -1)
                    if moved < 0:
                        moved = self._number(step.moved)
                row = [(after, 1), (moved, -step.sign)]
                self._rows.append([*row, (before, -1)] if before >= 0 else row)
                before = after
            self.last[group] = before

    def _number(self, bounds: tuple[int, int]) -> int:
        self.bounds.append(bounds)
        return len(self.bounds) - 1

    @cached_property
    def _equations(self) -> Any:
        from scipy.sparse import csr_array

        cells = [(i, at, value) for i, row in enumerate(self._rows) for at, value in row]
        rows, columns, values = zip(*cells, strict=True)
        return csr_array((values, (rows, columns)), shape=(len(self._rows), len(self.bounds)))

    def ends(self, keys: Iterable[Key]) -> tuple[int, int] | None:
        """The least and the most of the sum of these; None where records contradict each other so that nothing fits all."""
        from scipy.optimize import linprog

        aim = np.zeros(len(self.bounds))
        for key in keys:
            aim[self.left[key] if isinstance(key, int) else self.last[key]] += 1
        found = []
        none = np.zeros(len(self._rows))
        for sign in (1, -1):
            solved = linprog(sign * aim, A_eq=self._equations, b_eq=none, bounds=self.bounds, method="highs")
            if not solved.success:
                return None
            found.append(round(sign * solved.fun))
        return found[0], found[1]
