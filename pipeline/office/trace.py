"""Where plants of one batch, seed lot, sowing, group or team went, and where those of one order or group came from."""

from __future__ import annotations

import datetime as dt
import json
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from formpack.group_code import is_group_code, plain, shown
from formpack.readers import NearMiss, with_near_miss
from formpack.words import listed, marked, tr
from pipeline.findings import Refused
from pipeline.formulas.tracing import NONE, Key, Part
from pipeline.office.leads import KeptOut, Perhaps, kept_out, open_moves, perhaps, quiet_moves
from pipeline.office.tracks import Change, Edge, Source, Tracks, changes, moves, reached
from pipeline.store import Store
from pipeline.tables import known_code, unknown_group

KINDS = {
    "batch": ("budwood_batches", marked("Budwood batch {code}")),
    "seed_lot": ("seed_lots", marked("Seed lot {code}")),
    "sowing": ("", marked("Sowing {code}")),
    "team": ("teams", marked("What team {code} budded")),
    "order": ("orders", marked("Order {code}")),
    "group": ("", marked("Group {code}")),
}
"""What can be traced -> the list that has its codes ("" for what is on none), and what it is called; `tr` that."""
TABLES = tuple(
    "standing movements problems lots accepted bookings openings origins growing states current particulars list_rows"
    " unrecorded held_back houses deliveries budwood_batches sowings drawn list_budwood_batches list_seed_lots list_teams"
    " list_orders list_locations list_rootstocks list_scions list_compatibility".split()
)
"""The tables that are read here."""
_STARTS = {
    "batch": "SELECT a.group_code, min(a.visit_date) FROM work.accepted a JOIN work.bookings b USING (reading_id)"
    " WHERE b.word = 'set' AND b.quantity > 0 AND a.budwood_batch = $1 GROUP BY ALL",
    "team": "SELECT a.group_code, min(a.visit_date) FROM work.accepted a JOIN work.bookings b USING (reading_id)"
    " WHERE b.word = 'set' AND b.quantity > 0 AND a.team_code = $1 GROUP BY ALL",
    "seed_lot": "SELECT m.group_code, min(m.on_date) FROM work.movements m JOIN work.accepted a USING (instance_id)"
    " WHERE m.kind = 'opened' AND a.seed_lot = $1 GROUP BY ALL",
    "sowing": "SELECT m.group_code, min(m.on_date) FROM work.movements m JOIN work.accepted a USING (instance_id)"
    " WHERE m.kind = 'opened' AND upper(a.sowing_code) = $1 GROUP BY ALL",
    "order": "SELECT m.group_code, max(m.on_date) FROM work.movements m JOIN work.accepted a USING (instance_id)"
    " WHERE m.kind = 'despatched' AND a.order_ref = $1 GROUP BY ALL",
}
_LEFT = """
SELECT m.on_date, m.group_code, s.rootstock, s.scion, a.consignee, sum(m.quantity)::BIGINT, coalesce(NOT d.fits, false)
FROM work.movements m JOIN work.accepted a USING (instance_id)
LEFT JOIN work.standing s ON s.group_code = m.group_code
LEFT JOIN work.deliveries d ON d.instance_id = m.instance_id AND d.group_code = m.group_code
WHERE m.kind = 'despatched' AND a.order_ref = $1
GROUP BY ALL ORDER BY ALL
"""
_UNNAMED = """
SELECT a.group_code, sum(b.quantity)::BIGINT
FROM work.accepted a JOIN work.bookings b USING (reading_id)
WHERE b.word = 'set' AND b.quantity > 0 AND a.budwood_batch IS NULL AND (a.scion IS NULL OR a.scion IS NOT DISTINCT FROM
    (SELECT scion FROM work.budwood_batches WHERE code = $1))
GROUP BY ALL ORDER BY ALL
"""
_FACTS = ("code", "scion", "source_block", "source_tree", "cut_on", "authorisation", "buds")
"""What is known of a batch that a record of cutting names and the list does not."""
_OF_SOWING = ("seed_lot", "sown_on", "trays", "litres", "seeds")
"""What is known of a code that was sown once."""


@dataclass(frozen=True)
class InGroup:
    """A group that traced plants may have stood in. `came`: those that were opened, budded or moved there; `book` and `stands`
    (within `low` and `high`): all its plants; `here`: the traced ones of those that stand."""

    group: str
    since: dt.date
    rootstock: str | None
    scion: str | None
    stage: str
    place: str | None
    source: int
    """Plants opened or budded in it that are traced because of that."""
    came: tuple[tuple[str, int, Part], ...]
    """The groups that plants came from: how many in all, and how many of them are traced."""
    book: int
    stands: int
    low: int
    high: int
    here: Part
    gone: Part
    """The traced ones of those that were culled, found dead or lost in it."""
    unknown: int
    """Plants that left it, or were budded, without having come."""


@dataclass(frozen=True)
class Sent:
    """What left the nursery from groups that were reached, by order and consignee."""

    order_ref: str | None
    consignee: str | None
    first_on: dt.date
    last_on: dt.date
    groups: tuple[tuple[str, int, Part], ...]
    """By group: trees in all, and the traced ones."""
    trees: int
    part: Part


@dataclass(frozen=True)
class From:
    """A source of the plants of an order or a group: seed lot, sowing, batch or team, and how many of the plants are of it."""

    kind: str
    code: str
    part: Part


@dataclass(frozen=True)
class Left:
    """Trees that left for an order."""

    on_date: dt.date
    group: str
    rootstock: str | None
    scion: str | None
    consignee: str | None
    trees: int
    is_other: bool
    """Not of the pair that was ordered, so that they do not count as delivered."""


@dataclass(frozen=True)
class Backwards:
    """Where plants came from: of which sources, and through which groups."""

    plants: int
    """So many are asked about."""
    is_of_those_that_left: bool
    """Nothing stands any more: what left is asked about."""
    left: tuple[Left, ...]
    """What left for the order."""
    unknown: int
    """At most so many are of no known origin: more left a group than had come by then."""
    quiet: tuple[tuple[str, str, int], ...]
    """Group, the one from which plants came to it without a record, and about how many, by the counts."""
    sources: tuple[From, ...]
    through: tuple[str, ...]


@dataclass(frozen=True)
class Forwards:
    """Where plants went."""

    plants: int
    """So many were opened or ever stood in the group; or so many buds were set."""
    ever: Part
    """So many plants count: one that was budded twice is one."""
    groups: tuple[InGroup, ...]
    sent: tuple[Sent, ...]
    standing: Part
    despatched: Part
    gone: tuple[tuple[str, Part], ...]
    """By kind: culled, died, lost."""
    vanished: Part
    """Those that went without a record, by the counts."""
    flows: tuple[tuple[str, str, int, Part], ...]
    """From group to group: plants in all, and the traced ones."""
    perhaps: tuple[Perhaps, ...]
    unnamed: tuple[tuple[str, int], ...]
    """Groups in which buds were set that name no batch, and how many."""


@dataclass(frozen=True)
class Trace:
    """What was found. A seed lot, sowing, batch or team has only a way forwards, an order only one backwards."""

    kind: str
    code: str
    about: dict[str, Any]
    """What the list says of it, by column; of a sowing, what its record says."""
    alike: tuple[str, ...]
    """Other batches cut from the same source tree."""
    forwards: Forwards | None
    backwards: Backwards | None
    kept_out: tuple[KeptOut, ...]
    is_exact: bool = field(default=True)
    """Whether the numbers are as narrow as the records allow."""

    @property
    def needs_a_person(self) -> bool:
        """Whether there is something that no record settles."""
        f, b = self.forwards, self.backwards
        is_open = f and (f.perhaps or f.unnamed or any(g.unknown for g in f.groups))
        return bool(self.kept_out or is_open or (b and (b.unknown or b.quiet)))

    @property
    def name(self) -> str:
        return tr(KINDS[self.kind][1], code=shown(self.code) if self.kind == "group" else self.code)


def trace(store: Store, kind: str, code: str) -> Trace:
    """Follow what is asked for. Raises Refused for a code that nothing knows."""
    code, about = _known(store, kind, code)
    edges = moves(store)
    exact = True
    forwards = backwards = None
    touched: set[str] = set()
    if kind in ("order", "group"):
        backwards, exact, touched = _backwards(store, edges, kind, code)
    if kind != "order":
        forwards, is_exact = _forwards(store, edges, kind, code)
        exact = exact and is_exact
        touched |= {g.group for g in forwards.groups} | {p.group for p in forwards.perhaps}
    alike = _alike(store, code) if kind == "batch" else ()
    return Trace(kind, code, about, alike, forwards, backwards, kept_out(store, kind, code, touched), exact)


def _known(store: Store, kind: str, code: str) -> tuple[str, dict[str, Any]]:
    """The code as the books have it, and what the list says of it."""
    if kind == "group":
        digits = plain(code) or code
        if store.rows("SELECT 1 FROM work.openings WHERE group_code = $1", [digits]):
            return digits, {}
        if is_group_code(digits):
            said = marked("There is no group {code} in the books; `formpack history {code}` shows what came in about it.")
            raise Refused(tr(said, code=shown(digits)))
        raise unknown_group(store, code)
    if kind == "sowing":
        return _known_sowing(store, code)
    of = KINDS[kind][0]
    known = dict(store.rows("SELECT code, texts FROM work.list_rows WHERE list_name = $1", [of]))
    if kind == "batch":
        for found in store.rows(f"SELECT {', '.join(_FACTS)} FROM work.budwood_batches"):
            facts = {k: str(v) for k, v in zip(_FACTS, found, strict=True) if v is not None}
            known.setdefault(found[0], json.dumps(facts))
    known_code(f"--{kind.replace('_', '-')}", code, dict.fromkeys(known, ""), of)
    row: dict[str, str] = json.loads(known[code])
    return code, {k: v for k, v in row.items() if v and k not in ("code", "active")}


def _known_sowing(store: Store, code: str) -> tuple[str, dict[str, Any]]:
    """A sowing that was recorded, or that an opening names."""
    names = "SELECT sowing_code FROM work.sowings UNION SELECT sowing_code FROM work.drawn"
    sown, known = code.strip().upper(), [name for (name,) in store.rows(names)]
    if not known:
        raise Refused(tr("No sowing is recorded, and no opening of a group names one."))
    if sown not in known:
        said = tr("No sowing and no opening of a group names {code}", code=code[:60])
        raise Refused(
            with_near_miss(said, NearMiss(known).of(sown) or tr("there are: {codes}.", codes=listed(sorted(known), 8)))
        )
    found = store.rows(f"SELECT {', '.join(_OF_SOWING)} FROM work.sowings WHERE sowing_code = $1 AND times = 1", [sown])
    return sown, {k: v for row in found for k, v in zip(_OF_SOWING, row, strict=True) if v is not None}


def _alike(store: Store, code: str) -> tuple[str, ...]:
    rows = store.rows(
        "SELECT o.code FROM work.budwood_batches b JOIN work.budwood_batches o ON o.source_tree = b.source_tree"
        " AND o.source_block IS NOT DISTINCT FROM b.source_block WHERE b.code = $1 AND o.code <> $1 ORDER BY 1",
        [code],
    )
    return tuple(other for (other,) in rows)


def _source(kind: str, code: str) -> Source:
    """What is traced, by its changes."""
    of: dict[str, Callable[[Change], bool]] = {
        "seed_lot": lambda c: c.seed_lot == code,
        "sowing": lambda c: c.sowing == code,
        "batch": lambda c: c.batch == code,
        "team": lambda c: c.team == code,
    }
    if kind == "group":
        return Source(whole=code)
    return Source(opened=of[kind]) if kind in ("seed_lot", "sowing") else Source(budded=of[kind], is_of_buds=True)


def _forwards(store: Store, edges: Sequence[Edge], kind: str, code: str) -> tuple[Forwards, bool]:
    begun = {code: dt.date.min} if kind == "group" else dict(store.rows(_STARTS[kind], [code]))
    source = _source(kind, code)
    while True:
        days = reached(edges, begun)
        some = changes(store, days)
        tracks = Tracks(some, days, source, doubtful=days)
        # what left a group before it had come may have been of what came later, under a wrong day
        early = {g: day for g, day in tracks.first_unknown.items() if day < days[g]}
        if not early:
            break
        begun |= early
    inside, unknown = tracks.groups, tracks.unknown
    booked = {group: tracks.total([group]) for group in inside}
    standing = {
        row[0]: row[1:]
        for row in store.rows(
            "SELECT group_code, rootstock, scion, stage, location, book_count, estimate, low, high FROM work.standing"
            " WHERE group_code IN (SELECT unnest($1))",
            [sorted(days)],
        )
    }
    flows: dict[tuple[str, str], list[int]] = defaultdict(list)
    own: dict[str, int] = defaultdict(int)
    gone: dict[str, list[int]] = defaultdict(list)
    out: dict[tuple[str | None, str | None], list[int]] = defaultdict(list)
    for number, c in enumerate(some):
        if c.group not in inside:
            continue
        if _begins(c, source):
            own[c.group] += c.quantity
        if c.kind == "moved_out" and c.other_group:
            flows[c.group, c.other_group].append(number)
        elif c.kind == "despatched":
            out[c.order_ref, c.consignee].append(number)
        elif c.kind in ("culled", "died", "lost"):
            gone[c.kind].append(number)
    moved = [(a, b, sum(some[n].quantity for n in found), tracks.total(found)) for (a, b), found in sorted(flows.items())]
    moved = [flow for flow in moved if flow[3].high]
    came: dict[str, list[tuple[str, int, Part]]] = defaultdict(list)
    for a, b, n, part in moved:
        came[b].append((a, n, part))
    gone_from: dict[str, list[int]] = defaultdict(list)
    for numbers in gone.values():
        for n in numbers:
            gone_from[some[n].group].append(n)
    groups = []
    for group in sorted(inside, key=lambda g: (days[g], g)):
        rootstock, scion, stage, place, book, stands, low, high = standing.get(group, (None, None, "gone", None, 0, 0, 0, 0))
        here = _of_those_that_stand(booked[group], tracks.book(group), stands, low, high)
        facts = (rootstock, scion, stage, place, own.get(group, 0), tuple(came[group]))
        since = days[group] if group != source.whole else min(c.on_date for c in some if c.group == group)
        lost = tracks.total(gone_from[group])
        groups.append(InGroup(group, since, *facts, book, stands, low, high, here, lost, unknown.get(group, 0)))
    sent = [_sent(some, tracks, *to, found) for to, found in out.items()]
    sent = sorted((s for s in sent if s.part.high), key=lambda s: (s.first_on, s.order_ref or "", s.consignee or ""))
    held = tracks.total(inside)
    # what each group that may hold some has less and more than its book
    lacks = {g.group: max(0, tracks.book(g.group) - g.low) for g in groups if booked[g.group].high}
    more = sum(max(0, g.high - tracks.book(g.group)) for g in groups if booked[g.group].high)
    alone = sum((g.here for g in groups), NONE)
    low, high = max(alone.low, held.low - sum(lacks.values())), min(alone.high, held.high + more)
    standing_now = Part(low, high, min(max(alone.about, low), high))
    gone_at_most = sum(min(booked[g].high, n) for g, n in lacks.items())
    away = [n for found in (*out.values(), *gone.values()) for n in found]
    most = sum(own.values()) + sum(unknown.values())

    def in_all(part: Part) -> Part:
        """No more than ever began, where intervals alone add up to more."""
        return Part(min(part.low, most), min(part.high, most), min(part.about, most))

    gone_now = [(kind, in_all(tracks.total(gone.get(kind, [])))) for kind in ("culled", "died", "lost")]
    forwards = Forwards(
        plants=sum(own.values()),
        ever=in_all(tracks.total([*inside, *away])),
        groups=tuple(groups),
        sent=tuple(sent),
        standing=in_all(standing_now),
        despatched=in_all(tracks.total([n for found in out.values() for n in found])),
        gone=tuple((kind, part) for kind, part in gone_now if part.high),
        vanished=in_all(_less(held, standing_now, gone_at_most)),
        flows=tuple(moved),
        perhaps=perhaps(store, kind, code, (edges, open_moves(edges, some, tracks)), begun, {g: days[g] for g in inside}),
        unnamed=tuple(store.rows(_UNNAMED, [code])) if kind == "batch" else (),
    )
    return forwards, tracks.is_exact


def _begins(c: Change, source: Source) -> bool:
    """Whether plants are traced because of this change."""
    if c.group == source.whole:
        return c.kind in ("opened", "moved_in")
    return (c.kind == "opened" and source.opened(c)) or (c.kind == "set" and source.budded(c))


def _of_those_that_stand(part: Part, book: int, stands: int, low: int, high: int) -> Part:
    """The traced plants of a group of those that stand, `part` being those of its book. What vanished may have been traced or
    not; what stands beyond the book may be traced wherever some are."""
    least = max(0, min(part.low, low - (book - part.low)))
    most = min(high, part.high + max(0, high - book)) if part.high else 0
    about = round(stands * part.about / book) if book > 0 else 0
    return Part(least, max(least, most), min(max(about, least), max(least, most)))


def _less(books: Part, stands: Part, most: int) -> Part:
    """What stood by the books and does not stand now: no more than groups lack of their books."""
    high = min(most, max(0, books.high - stands.low))
    low = min(high, max(0, books.low - stands.high))
    return Part(low, high, min(max(books.about - stands.about, low), high))


def _sent(some: Sequence[Change], tracks: Tracks, order_ref: str | None, consignee: str | None, numbers: list[int]) -> Sent:
    found = [some[n] for n in numbers]
    by_group: dict[str, list[int]] = defaultdict(list)
    for number in numbers:
        by_group[some[number].group].append(number)
    groups = [(g, sum(some[n].quantity for n in of), tracks.total(of)) for g, of in sorted(by_group.items())]
    days = [c.on_date for c in found]
    trees, part = sum(c.quantity for c in found), tracks.total(numbers)
    return Sent(order_ref, consignee, min(days), max(days), tuple(g for g in groups if g[2].high), trees, part)


def _backwards(store: Store, edges: Sequence[Edge], kind: str, code: str) -> tuple[Backwards, bool, set[str]]:
    begun = {code: dt.date.max} if kind == "group" else dict(store.rows(_STARTS["order"], [code]))
    days = reached(edges, begun, is_backwards=True)
    some = changes(store, days)
    keys: list[Key] = [n for n, c in enumerate(some) if c.kind == "despatched" and c.order_ref == code]
    stands = low = high = 0
    if kind == "group":
        standing = store.rows("SELECT estimate, low, high FROM work.standing WHERE group_code = ?", [code])
        stands, low, high = standing[0] if standing else (0, 0, 0)
        keys = [n for n, c in enumerate(some) if c.group == code and c.kind not in ("opened", "moved_in", "set", "read")]
        if high:
            keys = [code]
    plants = stands or sum(some[n].quantity for n in keys if isinstance(n, int))
    sources, exact = [], True
    for what, codes in (
        ("seed_lot", {c.seed_lot for c in some if c.kind == "opened"}),
        ("sowing", {c.sowing for c in some if c.kind == "opened"}),
        ("batch", {c.batch for c in some if c.kind == "set"}),
        ("team", {c.team for c in some if c.kind == "set"}),
    ):
        for one in sorted(filter(None, codes)):
            tracks = Tracks(some, days, _source(what, one))
            part = tracks.total(keys)
            if high:
                part = _of_those_that_stand(part, tracks.book(code), stands, low, high)
            exact = exact and tracks.is_exact
            if part.high:
                sources.append(From(what, one, part))
    known = Tracks(some, days, Source(opened=lambda change: True))
    part = known.total(keys)
    if high:
        part = _of_those_that_stand(part, known.book(code), stands, low, high)
    unknown = max(0, (low if high else plants) - part.low)
    through = sorted(days, key=lambda g: (days[g], g), reverse=True)
    left = [Left(*row) for row in store.rows(_LEFT, [code])] if kind == "order" else []
    quiet = [(b, a, n) for since, _, a, b, n in quiet_moves(store) if b in days and since <= days[b]]
    return Backwards(plants, not high, tuple(left), unknown, tuple(quiet), tuple(sources), tuple(through)), exact, set(days)
