"""Where plants of one batch, seed lot, group or team went, and where those of one order or group came from."""

from __future__ import annotations

import datetime as dt
import json
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from formpack.group_code import is_group_code, plain, shown
from formpack.words import marked, tr
from pipeline.findings import Refused
from pipeline.formulas.tracing import NONE, Key, Part
from pipeline.office.tracks import Change, Edge, Source, Tracks, changes, moves, reached
from pipeline.store import Store
from pipeline.tables import known_code, names_of, unknown_group

KINDS = {
    "batch": ("budwood_batches", marked("Budwood batch {code}")),
    "seed_lot": ("seed_lots", marked("Seed lot {code}")),
    "team": ("teams", marked("What team {code} budded")),
    "order": ("orders", marked("Order {code}")),
    "group": ("", marked("Group {code}")),
}
"""What can be traced -> the list that has its codes, and what it is called; `tr` that."""
TABLES = tuple(
    "standing movements problems lots accepted bookings openings origins growing states current particulars list_rows"
    " quiet_moves houses deliveries list_budwood_batches list_seed_lots list_teams list_orders list_locations list_rootstocks"
    " list_scions".split()
)
"""The tables that are read here."""
_STARTS = {
    "batch": "SELECT a.group_code, min(a.visit_date) FROM work.accepted a JOIN work.bookings b USING (reading_id)"
    " WHERE b.word = 'set' AND b.quantity > 0 AND a.budwood_batch = $1 GROUP BY ALL",
    "team": "SELECT a.group_code, min(a.visit_date) FROM work.accepted a JOIN work.bookings b USING (reading_id)"
    " WHERE b.word = 'set' AND b.quantity > 0 AND a.team_code = $1 GROUP BY ALL",
    "seed_lot": "SELECT m.group_code, min(m.on_date) FROM work.movements m JOIN work.accepted a USING (instance_id)"
    " WHERE m.kind = 'opened' AND a.seed_lot = $1 GROUP BY ALL",
    "order": "SELECT m.group_code, max(m.on_date) FROM work.movements m JOIN work.accepted a USING (instance_id)"
    " WHERE m.kind = 'despatched' AND a.order_ref = $1 GROUP BY ALL",
}
_KEPT_OUT = """
WITH held AS (
    SELECT c.instance_id, c.form_id, s.state, c.group_code, c.visit_date,
        coalesce(CASE $3 WHEN 'batch' THEN p.budwood_batch WHEN 'seed_lot' THEN p.seed_lot WHEN 'team' THEN p.team_code
            WHEN 'order' THEN p.order_ref END = $1, false) AS is_named,
        coalesce(c.group_code IN (SELECT unnest($2)), false) OR coalesce(p.moves_to IN (SELECT unnest($2)), false) AS is_near
    FROM work.states s JOIN work.current c USING (instance_id) JOIN work.particulars p USING (reading_id)
    WHERE s.state IN ('quarantined', 'waiting')
),
said AS (
    SELECT instance_id, string_agg(DISTINCT message, ' ' ORDER BY message) AS why
    FROM problems WHERE severity = 'stop' OR starts_with(rule, 'waits') GROUP BY ALL
)
SELECT h.instance_id, h.form_id, h.state, h.group_code, h.visit_date, CASE WHEN is_named THEN 'named' ELSE 'group' END,
    coalesce(w.why, '')
FROM held h LEFT JOIN said w USING (instance_id)
WHERE is_named OR is_near
ORDER BY NOT is_named, h.visit_date, h.instance_id
"""
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
    (SELECT scion FROM work.list_budwood_batches WHERE code = $1))
GROUP BY ALL ORDER BY ALL
"""


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
class Perhaps:
    """A group that no record leads to, but that should be looked at all the same: `counts` say that about so many plants came
    there from a group that was reached, without a record; or it depends on the `order` of two things of one day; or it had
    plants `from` another group of this list."""

    group: str
    why: str
    from_group: str
    plants: int
    stands: int
    place: str | None


@dataclass(frozen=True)
class KeptOut:
    """A record that is not in the books and names what is traced (`named`) or a `group` that was reached."""

    instance_id: str
    form_id: str
    state: str
    group: str | None
    on_date: dt.date | None
    why: str
    message: str
    """What keeps it out, as `formpack problems` says it."""


@dataclass(frozen=True)
class From:
    """A source of the plants of an order or a group: seed lot, batch or team, and how many of the plants are of it."""

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
    """What was found. A seed lot, batch or team has only a way forwards, an order only one backwards."""

    kind: str
    code: str
    about: dict[str, str]
    """What the list says of it, by column."""
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
        return bool(self.kept_out or (self.forwards and (self.forwards.perhaps or self.forwards.unnamed)))

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
        touched = {g.group for g in forwards.groups}
    kept_out = [KeptOut(*row) for row in store.rows(_KEPT_OUT, [code, sorted(touched), kind])]
    alike = _alike(store, code) if kind == "batch" else ()
    return Trace(kind, code, about, alike, forwards, backwards, tuple(kept_out), exact)


def _known(store: Store, kind: str, code: str) -> tuple[str, dict[str, str]]:
    """The code as the books have it, and what the list says of it."""
    if kind == "group":
        digits = plain(code) or code
        if store.rows("SELECT 1 FROM work.openings WHERE group_code = $1", [digits]):
            return digits, {}
        if is_group_code(digits):
            said = marked(
                "There is no group {code} in the books; `formpack records --group {code}` shows what came in about it."
            )
            raise Refused(tr(said, code=shown(digits)))
        raise unknown_group(store, code)
    listed = KINDS[kind][0]
    known = dict(store.rows("SELECT code, texts FROM work.list_rows WHERE list_name = $1", [listed]))
    known_code(f"--{kind.replace('_', '-')}", code, dict.fromkeys(known, ""), listed)
    row: dict[str, str] = json.loads(known[code])
    return code, {k: v for k, v in row.items() if v and k not in ("code", "active")}


def _alike(store: Store, code: str) -> tuple[str, ...]:
    rows = store.rows(
        "SELECT o.code FROM work.list_budwood_batches b JOIN work.list_budwood_batches o ON o.source_tree = b.source_tree"
        " AND o.source_block IS NOT DISTINCT FROM b.source_block WHERE b.code = $1 AND o.code <> $1 ORDER BY 1",
        [code],
    )
    return tuple(other for (other,) in rows)


def _source(kind: str, code: str) -> Source:
    """What is traced, by its changes."""
    of: dict[str, Callable[[Change], bool]] = {
        "seed_lot": lambda c: c.seed_lot == code,
        "batch": lambda c: c.batch == code,
        "team": lambda c: c.team == code,
    }
    if kind == "group":
        return Source(whole=code)
    return Source(opened=of[kind]) if kind == "seed_lot" else Source(budded=of[kind])


def _forwards(store: Store, edges: Sequence[Edge], kind: str, code: str) -> tuple[Forwards, bool]:
    begun = {code: dt.date.min} if kind == "group" else dict(store.rows(_STARTS[kind], [code]))
    days = reached(edges, begun)
    some = changes(store, days)
    source = _source(kind, code)
    tracks = Tracks(some, days, source)
    inside = tracks.groups
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
        here = _of_those_that_stand(tracks.total([group]), tracks.book(group), stands, low, high)
        facts = (rootstock, scion, stage, place, own.get(group, 0), tuple(came[group]))
        since = days[group] if group != source.whole else min(c.on_date for c in some if c.group == group)
        lost = tracks.total(gone_from[group])
        groups.append(InGroup(group, since, *facts, book, stands, low, high, here, lost, tracks.unknown.get(group, 0)))
    sent = [_sent(some, tracks, *to, found) for to, found in out.items()]
    sent = sorted((s for s in sent if s.part.high), key=lambda s: (s.first_on, s.order_ref or "", s.consignee or ""))
    held = tracks.total(inside)
    standing_now = _together(tracks, groups, held)
    away = [n for found in (*out.values(), *gone.values()) for n in found]
    forwards = Forwards(
        plants=sum(own.values()),
        ever=tracks.total([*inside, *away]),
        groups=tuple(groups),
        sent=tuple(sent),
        standing=standing_now,
        despatched=tracks.total([n for found in out.values() for n in found]),
        gone=tuple((k, part) for k in ("culled", "died", "lost") if (part := tracks.total(gone.get(k, []))).high),
        vanished=_less(held, standing_now),
        flows=tuple(moved),
        perhaps=_perhaps(store, _open(edges, some, tracks), begun, inside),
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


def _together(tracks: Tracks, groups: Sequence[InGroup], books: Part) -> Part:
    """The traced plants that stand in all groups: the sum over groups, and no more than all of them leave."""
    alone = sum((g.here for g in groups), NONE)
    holding = [g for g in groups if tracks.total([g.group]).high]
    vanished = sum(max(0, tracks.book(g.group) - g.low) for g in holding)
    more = sum(max(0, g.high - tracks.book(g.group)) for g in holding)
    low, high = max(alone.low, books.low - vanished), min(alone.high, books.high + more)
    return Part(low, high, min(max(alone.about, low), high))


def _less(books: Part, stands: Part) -> Part:
    """What stood by the books and does not stand now."""
    low, high = max(0, books.low - stands.high), max(0, books.high - stands.low)
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


def _open(edges: Sequence[Edge], some: Sequence[Change], tracks: Tracks) -> list[Edge]:
    """The moves less those of which it is known that no traced plant was in them: plants of failed buds of another lot."""
    settled: dict[Edge, bool] = {}
    for number, c in enumerate(some):
        if c.kind == "moved_out" and c.other_group:
            edge = (c.on_date, c.group, c.other_group)
            settled[edge] = settled.get(edge, True) and number in tracks.settled
    return [edge for edge in edges if not settled.get(edge, False)]


def _perhaps(
    store: Store,
    edges: Sequence[Edge],
    begun: Mapping[str, dt.date],
    inside: set[str],
) -> tuple[Perhaps, ...]:
    """Groups that no record leads to, and why they should be looked at."""
    quiet = store.rows(
        "SELECT on_date, other_group, group_code, moved FROM work.quiet_moves WHERE moved > 0 ORDER BY on_date, other_group"
    )
    further = reached([*edges, *((day, a, b) for day, a, b, _ in quiet)], begun)
    wanted = sorted(further.keys() - inside)
    stands = {
        row[0]: row[1:]
        for row in store.rows(
            "SELECT group_code, estimate, location FROM work.standing WHERE group_code IN (SELECT unnest($1))", [wanted]
        )
    }
    by_counts = {b: (a, n) for day, a, b, n in reversed(quiet) if a in further and day >= further[a] and b not in inside}
    found = []
    for group in wanted:
        why, other, plants = "order", "", 0
        if group in by_counts:
            why, (other, plants) = "counts", by_counts[group]
        else:
            last = [(day, a) for day, a, b in edges if b == group and a in further and day >= further[a]]
            other = min(last)[1] if last else ""
            why = "from" if other not in inside and other else "order"
        found.append(Perhaps(group, why, other, plants, *stands.get(group, (0, None))))
    return tuple(found)


def _backwards(store: Store, edges: Sequence[Edge], kind: str, code: str) -> tuple[Backwards, bool, set[str]]:
    begun = {code: dt.date.max} if kind == "group" else dict(store.rows(_STARTS["order"], [code]))
    days = reached(edges, begun, is_backwards=True)
    some = changes(store, days)
    keys: list[Key] = [n for n, c in enumerate(some) if c.kind == "despatched" and c.order_ref == code]
    stands = low = high = 0
    if kind == "group":
        standing = store.rows("SELECT estimate, low, high FROM work.standing WHERE group_code = ?", [code])
        stands, low, high = standing[0] if standing else (0, 0, 0)
        keys = [n for n, c in enumerate(some) if c.group == code and c.kind not in ("opened", "moved_in", "set")]
        if high:
            keys = [code]
    plants = stands or sum(some[n].quantity for n in keys if isinstance(n, int))
    sources, exact = [], True
    for what, codes in (
        ("seed_lot", {c.seed_lot for c in some if c.kind == "opened"}),
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
    through = sorted(days, key=lambda g: (days[g], g), reverse=True)
    left = [Left(*row) for row in store.rows(_LEFT, [code])] if kind == "order" else []
    return Backwards(plants, not high, tuple(left), tuple(sources), tuple(through)), exact, set(days)


def labels(store: Store, groups: Iterable[InGroup]) -> dict[str, str]:
    """The pair of each group in words."""
    stocks, scions = names_of(store, "rootstocks"), names_of(store, "scions")
    return {g.group: pair_of(stocks, scions, g.rootstock, g.scion) for g in groups}


def pair_of(stocks: Mapping[str, str], scions: Mapping[str, str], rootstock: str | None, scion: str | None) -> str:
    """`Carrizo citrange / Satsuma`, as far as it is known."""
    return " / ".join(filter(None, (stocks.get(rootstock or "", rootstock), scions.get(scion or "", scion))))
