"""Records of the books as the events that plants are traced through: where plants of some groups can have gone, and where they
can have come from."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby

from pipeline.formulas.tracing import Event, Followed, Key, Part
from pipeline.store import Store

Edge = tuple[dt.date, str, str]
"""A day on which plants of the first group went to the second."""
_MOVES = "SELECT on_date, group_code, other_group FROM work.movements WHERE kind = 'moved_out' ORDER BY ALL"
_CHANGES = """
SELECT m.group_code, m.kind, m.quantity, m.other_group, m.on_date, m.ended, m.instance_id, m.cause, a.seed_lot, a.order_ref,
    CASE WHEN a.reads_buds AND NOT EXISTS (FROM work.bookings b WHERE b.reading_id = a.reading_id AND b.word = 'moves')
        THEN a.team_code END AS team_code,
    a.attempt, NULL AS budwood_batch
FROM work.movements m JOIN work.accepted a USING (instance_id)
WHERE m.group_code IN (SELECT unnest($1))
UNION ALL
SELECT a.group_code, 'set', sum(b.quantity)::BIGINT, NULL, a.visit_date, a.ended, a.instance_id, NULL, NULL, NULL, a.team_code,
    a.attempt, a.budwood_batch
FROM work.accepted a JOIN work.bookings b USING (reading_id)
WHERE b.word = 'set' AND b.quantity > 0 AND a.group_code IN (SELECT unnest($1))
GROUP BY ALL
ORDER BY ALL
"""
_RANKS, _LEAVES = {"opened": 0, "moved_in": 0, "set": 1}, 2
"""In which order things of one moment stand."""


@dataclass(frozen=True)
class Change:
    """A change of a group that was recorded, or buds that were `set` in it. Of plants that left because their buds failed, the
    team says whose buds these were."""

    group: str
    kind: str
    quantity: int
    other_group: str | None
    on_date: dt.date
    ended: str
    instance_id: str
    cause: str | None
    seed_lot: str | None
    order_ref: str | None
    team: str | None
    attempt: int | None
    batch: str | None

    @property
    def lot(self) -> str:
        return f"{self.team} {self.attempt}" if self.team and self.attempt else ""


def moves(store: Store) -> list[Edge]:
    """Every recorded move between groups."""
    return store.rows(_MOVES)


def reached(edges: Iterable[Edge], begun: Mapping[str, dt.date], is_backwards: bool = False) -> dict[str, dt.date]:
    """Every group that plants of these can have come to (or have come from, backwards), with the first (last) day on which they
    can have been there. Of moves of one day any order is possible."""

    def at(day: dt.date) -> int:
        return -day.toordinal() if is_backwards else day.toordinal()

    days = {group: at(day) for group, day in begun.items()}
    ordered = sorted(((at(day), b, a) if is_backwards else (at(day), a, b) for day, a, b in edges), key=lambda e: e[0])
    for day, same in groupby(ordered, key=lambda e: e[0]):
        todo = list(same)
        while True:
            rest = [(d, a, b) for d, a, b in todo if days.get(a, day + 1) > day]
            for _, a, b in todo:
                if days.get(a, day + 1) <= day and days.get(b, day + 1) > day:
                    days[b] = day
            if len(rest) == len(todo):
                break
            todo = rest
    return {group: dt.date.fromordinal(abs(day)) for group, day in days.items()}


def changes(store: Store, groups: Iterable[str]) -> list[Change]:
    """What happened to these groups."""
    return [Change(*row) for row in store.rows(_CHANGES, [sorted(groups)])]


@dataclass(frozen=True)
class Source:
    """What is traced, by what is known of a change: whether plants that were opened, or in which buds were set, are of it."""

    opened: Callable[[Change], bool] = field(default=lambda change: False)
    budded: Callable[[Change], bool] = field(default=lambda change: False)
    whole: str = ""
    """A group whose plants are all of it."""


class Tracks:
    """Changes of groups, followed from a source. What the phones saved stands in the order in which they saved it, as in the
    books; of what bears no time of day it is not known whether plants left before others came or were budded that day, so both
    are worked out and the wider numbers hold."""

    def __init__(self, some: Sequence[Change], groups: Iterable[str], source: Source) -> None:
        self.changes = some
        inside = set(groups)
        self._ways: list[tuple[Followed, dict[int, int]]] = []
        orders = [_in_order(some, inside, is_late=True)]
        if (early := _in_order(some, inside, is_late=False)) != orders[0]:
            orders.append(early)
        lots = _touching(some, source)
        self.settled = {n for n, c in enumerate(some) if _of(c, lots) is False}
        """Changes by which only plants of lots left that are not of the source."""
        for order in orders:
            events = [(number, e) for number in order if (e := _event(some[number], inside, source, lots)) is not None]
            followed = Followed([e for _, e in events], source.whole)
            self._ways.append((followed, {number: place for place, (number, _) in enumerate(events)}))

    def total(self, keys: Iterable[Key]) -> Part:
        """The traced plants that stand in groups (by their codes) and left by changes (by their numbers), together."""
        asked = list(keys)
        parts = [
            followed.total(place[k] if isinstance(k, int) else k for k in asked if isinstance(k, str) or k in place)
            for followed, place in self._ways
        ]
        return Part(min(p.low for p in parts), max(p.high for p in parts), parts[0].about)

    @property
    def groups(self) -> set[str]:
        """The groups in which traced plants may have stood."""
        return {group for followed, _ in self._ways for group in followed.groups}

    @property
    def unknown(self) -> dict[str, int]:
        """Plants of these groups that left, or in which buds were set, without having come."""
        return {g: n for followed, _ in self._ways[:1] for g, n in sorted(followed.unknown.items())}

    @property
    def is_exact(self) -> bool:
        """Whether what was asked for is as narrow as what is known allows."""
        return all(followed.is_exact for followed, _ in self._ways)

    def book(self, group: str) -> int:
        """Plants of a group by these changes."""
        return self._ways[0][0].plants_in(group)


def _touching(some: Iterable[Change], source: Source) -> dict[tuple[str, str], set[bool]]:
    """Of each lot of each group whether its buds are of the source: of all, of none, of some."""
    lots: dict[tuple[str, str], set[bool]] = defaultdict(set)
    for change in some:
        if change.kind == "set":
            lots[change.group, change.lot].add(source.budded(change))
    return lots


def _event(change: Change, inside: set[str], source: Source, lots: Mapping[tuple[str, str], set[bool]]) -> Event | None:
    group, n = change.group, change.quantity
    if change.kind == "opened":
        return Event(group, "came", n, is_touched=source.opened(change))
    if change.kind == "moved_in":
        return None if change.other_group in inside else Event(group, "came", n)
    if change.kind == "set":
        is_of_it = source.budded(change)
        return Event(group, "touched", n, attempt=change.attempt or 0, lot=change.lot) if is_of_it else None
    to = (change.other_group or "") if change.other_group in inside else ""
    return Event(group, "left", n, to, attempt=change.attempt or 0, lot=change.lot, of_touched=_of(change, lots))


def _of(change: Change, lots: Mapping[tuple[str, str], set[bool]]) -> bool | None:
    """Whether plants that left because the buds of a lot failed are of the source: all, none, or nobody knows."""
    known = lots.get((change.group, change.lot), set()) if change.kind == "moved_out" and change.lot else set()
    return next(iter(known)) if len(known) == 1 else None


def _in_order(some: Sequence[Change], inside: set[str], is_late: bool) -> list[int]:
    """The numbers of the changes in the order of time. Without a time of day plants come first, and leave last; or, where they
    are there already, before buds are set and before what bears a time. Of what stands at one moment, plants leave a group once
    they are in it."""

    def moment(number: int) -> tuple[dt.date, str, int]:
        c = some[number]
        rank = _RANKS.get(c.kind, _LEAVES)
        if not c.ended and rank == _LEAVES:
            return (c.on_date, "~", _LEAVES) if is_late else (c.on_date, "", 0)
        return c.on_date, c.ended, rank

    order: list[int] = []
    plants: dict[str, int] = defaultdict(int)

    def do(todo: list[int], must: bool) -> list[int]:
        """Do what can be done, and what cannot where it must be. Returns what is left."""
        while todo:
            done: set[int] = set()
            for n in todo:
                c = some[n]
                if c.kind not in _RANKS and plants[c.group] < c.quantity:
                    continue
                if c.kind in _RANKS:
                    plants[c.group] += c.quantity if c.kind != "set" else 0
                else:
                    plants[c.group] -= c.quantity
                    plants[c.other_group or ""] += c.quantity if c.other_group in inside else 0
                done.add(n)
            if not done:
                if not must:
                    break
                c, done = some[todo[0]], {todo[0]}  # more than there is leaves
                plants[c.group] = 0
                plants[c.other_group or ""] += c.quantity if c.other_group in inside else 0
            order.extend(n for n in todo if n in done)
            todo = [n for n in todo if n not in done]
        return todo

    def place(number: int) -> tuple[object, ...]:
        return *moment(number), some[number].kind not in _RANKS, number

    wanted = [n for n in range(len(some)) if some[n].kind != "moved_in" or some[n].other_group not in inside]
    for _, day in groupby(
        sorted(wanted, key=lambda n: (*moment(n), some[n].kind not in _RANKS, n)), key=lambda n: some[n].on_date
    ):
        waiting: list[int] = []
        for (_, at, _), same in groupby(day, key=moment):
            waiting += do(list(same), must=bool(at))
        do(waiting, must=True)
    return order
