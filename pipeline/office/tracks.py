"""Records of the books as the events that plants are traced through: where plants of some groups can have gone, and where they
can have come from."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby

from pipeline.formulas.tracing import Event, Followed, Key, Linked, Part
from pipeline.store import Store

Edge = tuple[dt.date, str, str]
"""A day on which plants of the first group went to the second."""
Span = tuple[dt.date, dt.date, str, str]
"""Days between which plants of the first group went to the second."""
_MOVES = "SELECT on_date, group_code, other_group FROM work.movements WHERE kind = 'moved_out' ORDER BY ALL"
_CHANGES = """
SELECT m.group_code, m.kind, m.quantity, m.other_group, m.on_date, m.ended, m.instance_id, m.cause, a.seed_lot,
    nullif(upper(a.sowing_code), '') AS sowing, a.order_ref, a.consignee,
    CASE WHEN a.reads_buds AND NOT EXISTS (FROM work.bookings b WHERE b.reading_id = a.reading_id AND b.word = 'moves')
        THEN a.team_code END AS team_code,
    a.attempt, NULL AS budwood_batch
FROM work.movements m JOIN work.accepted a USING (instance_id)
WHERE m.group_code IN (SELECT unnest($1))
UNION ALL
SELECT a.group_code, 'set', sum(b.quantity)::BIGINT, NULL, a.visit_date, a.ended, a.instance_id, NULL, NULL, NULL, NULL,
    NULL, a.team_code, a.attempt, a.budwood_batch
FROM work.accepted a JOIN work.bookings b USING (reading_id)
WHERE b.word = 'set' AND b.quantity > 0 AND a.group_code IN (SELECT unnest($1))
GROUP BY ALL
UNION ALL
SELECT group_code, 'read', 0, NULL, visit_date, ended, instance_id, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL
FROM work.accepted WHERE reads_buds AND group_code IN (SELECT unnest($1))
ORDER BY ALL
"""


@dataclass(frozen=True)
class Change:
    """A change of a group that was recorded, or that buds were `set` or `read` in it. Of plants that left because their buds
    failed, the team says whose buds these were."""

    group: str
    kind: str
    quantity: int
    other_group: str | None
    on_date: dt.date
    ended: str
    instance_id: str
    cause: str | None
    seed_lot: str | None
    sowing: str | None
    order_ref: str | None
    consignee: str | None
    team: str | None
    attempt: int | None
    batch: str | None

    @property
    def lot(self) -> str:
        return f"{self.team} {self.attempt}" if self.team and self.attempt else ""


def moves(store: Store) -> list[Edge]:
    """Every recorded move between groups."""
    return store.rows(_MOVES)


def reached(edges: Sequence[Edge], begun: Mapping[str, dt.date], is_backwards: bool = False) -> dict[str, dt.date]:
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


def reached_within(edges: Sequence[Edge], spans: Sequence[Span], begun: Mapping[str, dt.date]) -> dict[str, dt.date]:
    """The same forwards, where plants also moved on some day of each span."""
    starts = dict(begun)
    while True:
        days, before = reached(edges, starts), dict(starts)
        for since, until, a, b in spans:
            if a in days and days[a] <= until and (day := max(since, days[a])) < days.get(b, dt.date.max):
                starts[b] = min(day, starts.get(b, dt.date.max))
        if starts == before:
            return days


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
    is_of_buds: bool = False


class Tracks:
    """Changes of groups, followed from a source. Things of one day stand in the order in which the phones saved them, as in
    the books. Where a group took plants in or was budded, and let plants go, all on one day, and some of it bears no time,
    nobody knows what came first: the groups that are linked by it are then one for that day, whose plants may all have been
    anywhere in it."""

    def __init__(self, some: Sequence[Change], groups: Iterable[str], source: Source, doubtful: Iterable[str] = ()) -> None:
        """`doubtful` are groups whose plants of no known origin may be of the source."""
        lots: dict[tuple[str, str], set[bool]] = defaultdict(set)
        for change in some:
            if change.kind == "set":
                lots[change.group, change.lot].add(source.budded(change))
        _mix(some, lots, set(groups))
        self.settled = {n for n, c in enumerate(some) if source.is_of_buds and _of(c, lots) is False}
        """Changes by which only plants of lots left that are not of the source."""
        laid = _Laid(some, set(groups), source, lots)
        near = set(doubtful)
        self._followed = Followed(laid.events, source.whole, [*near, *(p for p, g in laid.pools.items() if g in near)])
        self._place, self._pools, self._days = laid.place, laid.pools, laid.days

    def total(self, keys: Iterable[Key]) -> Part:
        """The traced plants that stand in groups (by their codes) and left by changes (by their numbers), together."""
        return self._followed.total(self._place[k] if isinstance(k, int) else k for k in keys)

    @property
    def groups(self) -> set[str]:
        """The groups in which traced plants may have stood."""
        return set(self._followed.groups) - self._pools.keys()

    @property
    def unknown(self) -> dict[str, int]:
        """Plants of these groups that left, or in which buds were set, without having come."""
        found: dict[str, int] = defaultdict(int)
        for group, n in self._followed.unknown.items():
            found[self._pools.get(group, group)] += n
        return found

    @property
    def first_unknown(self) -> dict[str, dt.date]:
        """Of each of these groups the day on which the first of them left."""
        found = {}
        for group, number in self._followed.first_unknown.items():
            found[self._pools.get(group, group)] = self._days[number]
        return found

    @property
    def is_exact(self) -> bool:
        """Whether what was asked for is as narrow as what is known allows."""
        return self._followed.is_exact

    def book(self, group: str) -> int:
        """Plants of a group by these changes."""
        return self._followed.plants_in(group)


def _mix(some: Iterable[Change], lots: Mapping[tuple[str, str], set[bool]], inside: set[str]) -> None:
    """Plants that came with unread buds are read with those of the same team and attempt: of such a lot nobody knows."""
    set_in: dict[str, set[str]] = defaultdict(set)
    for group, lot in lots:
        set_in[lot].add(group)
    came: dict[str, bool] = {}
    for c in some:
        if c.kind == "moved_in" and not c.team:  # what a reading moved has no unread buds
            came[c.group] = came.get(c.group, False) or c.other_group not in inside
    for (group, lot), known in lots.items():
        if group in came and (came[group] or len(set_in[lot]) > 1):
            known |= {True, False}


def _of(change: Change, lots: Mapping[tuple[str, str], set[bool]]) -> bool | None:
    """Whether plants that left because the buds of a lot failed are of the source: all, none, or nobody knows."""
    known = lots.get((change.group, change.lot), set()) if change.kind == "moved_out" and change.lot else set()
    return next(iter(known)) if len(known) == 1 else None


class _Laid:
    """Changes laid out as events, day by day."""

    def __init__(
        self, some: Sequence[Change], inside: set[str], source: Source, lots: Mapping[tuple[str, str], set[bool]]
    ) -> None:
        self.some, self.inside, self.source, self.lots = some, inside, source, lots
        self.events: list[Event | Linked] = []
        self.place: dict[int, int] = {}
        """Number of a change by which plants left -> that of its event."""
        self.pools: dict[str, str] = {}
        """Groups that are one for a day, under a name of their own -> the first of them."""
        self.days: dict[int, dt.date] = {}
        """Number of an event -> its day."""
        self._plants: dict[str, int] = defaultdict(int)
        wanted = [n for n, c in enumerate(some) if c.kind != "moved_in" or c.other_group not in inside]
        for day, same in groupby(sorted(wanted, key=lambda n: some[n].on_date), key=lambda n: some[n].on_date):
            for linked in self._linked(list(same)):
                first = [n for n in linked if some[n].kind in ("opened", "moved_in") and not some[n].ended]
                rest = [n for n in linked if n not in first]
                for n in first:
                    self._come(n)
                if self._is_open(rest):
                    self._pool(day, rest)
                else:
                    self._in_turn(rest)
            for number in range(len(self.days), len(self.events)):
                self.days[number] = day

    def _goes_to(self, c: Change) -> str:
        return (c.other_group or "") if c.kind == "moved_out" and c.other_group in self.inside else ""

    def _linked(self, numbers: list[int]) -> list[list[int]]:
        """The changes of a day, those of groups together that plants went between."""
        root: dict[str, str] = {}

        def of(group: str) -> str:
            while root.setdefault(group, group) != group:
                group = root[group]
            return group

        for n in numbers:
            if to := self._goes_to(self.some[n]):
                root[of(self.some[n].group)] = of(to)
        found: dict[str, list[int]] = defaultdict(list)
        for n in numbers:
            found[of(self.some[n].group)].append(n)
        return list(found.values())

    def _touches(self, c: Change) -> bool:
        return c.kind == "set" and self.source.budded(c)

    def _is_open(self, numbers: list[int]) -> bool:
        """Whether the order of these matters and is not known: a group takes plants in, or is budded, and lets plants go; or it
        takes plants in and is budded."""
        found = [self.some[n] for n in numbers]
        times = {(c.ended, c.instance_id) for c in found if c.kind != "opened"}
        if all(ended for ended, _ in times) and len({ended for ended, _ in times}) == len(times):
            return False
        gains = {to for c in found if (to := self._goes_to(c))} | {c.group for c in found if c.kind == "moved_in"}
        budded = {c.group for c in found if self._touches(c)}
        return bool(gains & budded or (gains | budded) & {c.group for c in found if self._leaves(c)})

    def _is_begun(self, c: Change) -> bool:
        """Whether plants that came from outside are of the source."""
        return c.group == self.source.whole or (c.kind == "opened" and self.source.opened(c))

    def _leaves(self, c: Change) -> bool:
        return c.kind not in ("opened", "moved_in", "set", "read")

    def _come(self, n: int) -> None:
        c = self.some[n]
        self._plants[c.group] += c.quantity
        self.events.append(Event(c.group, "came", c.quantity, is_touched=c.kind == "opened" and self.source.opened(c)))

    def _in_turn(self, numbers: list[int]) -> None:
        """One after the other; of what stands at one moment, plants leave a group once they are in it."""

        def moment(n: int) -> tuple[str, int]:
            c = self.some[n]
            return c.ended, 3 if self._leaves(c) else 2 if c.kind == "read" else 1 if c.kind == "set" else 0

        for _, same in groupby(sorted(numbers, key=lambda n: (*moment(n), n)), key=moment):
            todo = list(same)
            while todo:
                n = next((n for n in todo if self._can(self.some[n])), todo[0])
                todo.remove(n)
                self._do(n)

    def _can(self, c: Change) -> bool:
        return not self._leaves(c) or self._plants[c.group] >= c.quantity

    def _do(self, n: int) -> None:
        c = self.some[n]
        if c.kind in ("opened", "moved_in"):
            self._come(n)
        elif c.kind == "read":
            self.events.append(Event(c.group, "read", 0))
        elif self._touches(c):
            self.events.append(Event(c.group, "touched", c.quantity, attempt=c.attempt or 0, lot=c.lot))
        elif self._leaves(c):
            to = self._goes_to(c)
            self._plants[c.group] = max(0, self._plants[c.group] - c.quantity)
            self._plants[to] += c.quantity
            self.place[n] = len(self.events)
            of = _of(c, self.lots)
            self.events.append(Event(c.group, "left", c.quantity, to, attempt=c.attempt or 0, lot=c.lot, of_touched=of))

    def _pool(self, day: dt.date, numbers: list[int]) -> None:
        """All of it at once, in a group of its own that these are for the day. A plant that was budded that day counts from its
        beginning: those that had left by then were not budded, and there are as many of the others."""
        some = self.some
        groups = sorted({g for n in numbers for g in (some[n].group, self._goes_to(some[n])) if g})
        pool = f"{day} {groups[0]}"
        self.pools[pool] = groups[0]
        found = [some[n] for n in numbers]
        arrived = [(c.group, c.quantity, self._is_begun(c)) for c in found if c.kind in ("opened", "moved_in")]
        moved = [(c.group, to, c.quantity) for c in found if (to := self._goes_to(c))]
        touched = [(c.group, c.quantity) for c in found if self._touches(c)]
        touched += [(to, n) for _, to, n in moved if to == self.source.whole]
        self.events.append(Linked(pool, tuple(groups), tuple(moved), tuple(arrived), tuple(touched)))
        after = {g: self._plants[g] for g in groups}
        for g in groups:
            if self._plants[g]:
                self.events.append(Event(g, "left", self._plants[g], pool))
        for n in numbers:
            c = some[n]
            if c.kind in ("opened", "moved_in"):
                self.events.append(Event(pool, "came", c.quantity, is_touched=self._is_begun(c)))
                after[c.group] += c.quantity
        for n in numbers:
            c = some[n]
            if self._touches(c):
                self.events.append(Event(pool, "touched", c.quantity, attempt=c.attempt or 0, lot=f"{c.group} {c.lot}"))
            elif self.source.whole and self._goes_to(c) == self.source.whole:
                self.events.append(Event(pool, "touched", c.quantity))
        for n in sorted(numbers, key=lambda n: not self._goes_to(some[n])):  # moves first, while all plants are in it
            c = some[n]
            if self._leaves(c):
                to = self._goes_to(c)
                self.place[n] = len(self.events)
                self.events.append(Event(pool, "left", c.quantity, pool if to else "", origin=c.group))
                after[c.group] -= c.quantity
                if to:
                    after[to] += c.quantity
        for g in groups:
            self._plants[g] = max(0, after[g])
            if after[g] > 0:
                self.events.append(Event(pool, "left", after[g], g, origin=g))
        for n in numbers:
            if self._touches(some[n]):
                self.events.append(Event(some[n].group, "lot", some[n].quantity, lot=some[n].lot))
