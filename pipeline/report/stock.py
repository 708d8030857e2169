"""What stands, what to count again and what went without a record, as frozen rows straight from the tables."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from formpack.group_code import shown
from formpack.words import listed, many, marked, tr, unpacked
from pipeline.book.causes import MOVE
from pipeline.book.discrepancies import count_again, counters
from pipeline.book.totals import MIXED, NO_SCION
from pipeline.report.held_back import not_in_this
from pipeline.report.round import doubts
from pipeline.store import Store
from pipeline.tables import names_of

STAGE_WORDS = {
    "tray": marked("in trays"),
    "bag": marked("in bags"),
    "budded": marked("budded"),
    "read": marked("buds read"),
    "cut_back": marked("cut back"),
    "staked": marked("staked"),
    "topped": marked("topped"),
    "gone": marked("gone"),
}
"""What plants of each stage are, marked: shown by `in_stage`."""
_TAKEN_OUT = {
    "culled": marked("the record of {day}, {plants} culled"),
    "lost": marked("the record of {day}, {plants} lost"),
    "died": marked("the record of {day}, {plants} dead"),
    "moved_out": marked("the record of {day}, {plants} moved out"),
    "despatched": marked("the record of {day}, {plants} despatched"),
}

STOCK = tuple(
    "held_back problems staff_counting standing standing_sums counts discrepancies unrecorded chain_nodes chain_beliefs flows"
    " movements placed_changes houses place_faults day list_locations list_rootstocks list_scions".split()
)
"""The tables that `gather_stock` reads."""
_NODES = """
SELECT n.on_date, n.ended, n.counted, n.book, b.stands::BIGINT, b.stands_low::BIGINT, b.stands_high::BIGINT,
    n.kind = 'count', coalesce(c.flagged, false)
FROM work.chain_nodes n
JOIN work.chain_beliefs b USING (group_code, position)
LEFT JOIN work.counts c USING (group_code, position)
WHERE n.group_code = ?
ORDER BY n.position
"""
_FLOWS = """
SELECT on_date, ended, book_after FROM work.flows WHERE group_code = ? ORDER BY on_date, ended, instance_id
"""


@dataclass(frozen=True)
class Standing:
    """Plants of some groups together; `low` to `high` holds their true number in 95 of 100 cases. `estimate` is how many are to
    be expected: fewer than the likeliest numbers of the groups added up, as something large may be gone somewhere."""

    label: str
    groups: int
    estimate: int
    low: int
    high: int
    book: int


@dataclass(frozen=True)
class Recount:
    group: str
    place: str
    counted: int | None
    low: int | None
    high: int | None
    on: dt.date | None
    cause: str
    confidence: float | None
    ask: str
    advice: str
    doubt: int
    """Plants by which its number may be off now, as where to count next has it."""


@dataclass(frozen=True)
class Move:
    from_group: str
    to_group: str
    plants: int
    since: dt.date
    until: dt.date
    confidence: float


@dataclass(frozen=True)
class Unrecorded:
    """Plants that went without a record while in a stage or a house, and per 1,000 plants and 30 days."""

    label: str
    lost: int
    low: int
    high: int
    a_month: float


@dataclass(frozen=True)
class Closed:
    """A group that was counted to 0, and the plants that its book still has."""

    group: str
    place: str
    on: dt.date
    plants: int


@dataclass(frozen=True)
class Remainders:
    """What is left of groups at one place, to be cleared out: each group with its plants."""

    place: str
    plants: int
    groups: tuple[tuple[str, int], ...]


@dataclass(frozen=True)
class Counted:
    on: dt.date
    counted: int
    flagged: bool


@dataclass(frozen=True)
class Course:
    """A group drawn over time. `book` are (day, plants after it) of every recorded change, `believed` what stood after
    each change and at each count, as (day, estimate, low, high)."""

    group: str
    place: str
    counts: tuple[Counted, ...]
    book: tuple[tuple[dt.date, int], ...]
    believed: tuple[tuple[dt.date, int, int, int], ...]
    says: str


@dataclass(frozen=True)
class Stock:
    not_in_this: list[str]
    """What is kept out of the numbers or waits, in sentences."""
    total: Standing
    by_stage: list[Standing]
    by_rootstock: list[Standing]
    by_scion: list[Standing]
    by_house: list[Standing]
    recounts: list[Recount]
    moves: list[Move]
    settled: int
    """Earlier counts that were wrong and that later counts have put right."""
    gone_by_stage: list[Unrecorded]
    gone_by_place: list[Unrecorded]
    closed: list[Closed]
    """Groups whose last plants went without a record, the last closed first."""
    people: list[str]
    """Whose counts say little, in sentences."""
    place_faults: list[tuple[str, str]]
    """Places of the list that cannot be part of what it says, and why."""


_NO_LEVEL = {"scion": marked("no scion"), "rootstock": marked("not known"), "house": marked("no place given")}


def in_stage(stage: str) -> str:
    """A stage in words."""
    return tr(STAGE_WORDS.get(stage, stage))


def _standing(store: Store, by: str, names: dict[str, str]) -> list[Standing]:
    rows = store.rows(
        'SELECT level, groups, plants, low, high, book_count FROM standing_sums WHERE "by" = ?'
        " ORDER BY plants DESC, level NULLS LAST",
        [by],
    )
    return [Standing(names.get(level, level) if level else tr(_NO_LEVEL.get(by, "")), *rest) for level, *rest in rows]


def _recounts(store: Store, names: dict[str, str]) -> list[Recount]:
    rows = store.rows(
        "SELECT s.group_code, s.location, c.counted, c.expected_low, c.expected_high, c.on_date, d.likely_cause, d.confidence,"
        " c.staff_codes, d.advice, s.estimate, s.low, s.high, s.book_count, m.said FROM standing s"
        " LEFT JOIN (SELECT group_code, max_by((kind, quantity, on_date), (quantity, on_date)) AS said"
        " FROM movements WHERE kind NOT IN ('opened', 'moved_in') GROUP BY group_code) m USING (group_code)"
        " LEFT JOIN work.counts c ON c.group_code = s.group_code AND c.is_last LEFT JOIN discrepancies d"
        " ON c.flagged AND d.group_code = s.group_code AND d.instance_ids = c.instance_ids WHERE s.state <> 'ok'"
        " ORDER BY s.group_code"
    )
    found, everybody, doubt = [], counters(store), doubts(store)
    for code, place, counted, low, high, on, cause, chance, staff, advice, estimate, *rest in rows:
        least, most, book, most_out = rest
        ask = listed((staff or "").split())
        if book < 0:
            kind, plants, day = most_out
            advice = tr(
                "More has been taken out than ever came in; look at {record}, or for a move into this group.",
                record=tr(_TAKEN_OUT[kind], day=day, plants=plants),
            )
        elif counted == 0 and not estimate:
            advice = tr(
                "It was counted to 0 on {day}, and {plants} of its book vanish without a record if so; {again}, or record what"
                " became of them.",
                day=on,
                plants=many(book, "plant"),
                again=count_again(staff, everybody),
            )
        elif not advice:
            advice = tr(
                "Between {least} and {most} stand, probably {estimate}: the counts leave it open; {again}.",
                least=least,
                most=most,
                estimate=estimate,
                again=count_again(staff, everybody),
            )
        found.append(
            Recount(
                shown(code),
                names.get(place, place or ""),
                counted,
                low,
                high,
                on,
                cause or "",
                chance,
                ask,
                unpacked(advice),
                doubt.get(code, 0),
            )
        )
    return sorted(found, key=lambda r: -r.doubt)


def _moves(store: Store) -> list[Move]:
    rows = store.rows(
        "SELECT u.group_code, u.other_group, u.size, greatest(u.since_on, o.since_on), least(u.on_date, o.on_date),"
        " least(u.paired, o.paired) FROM work.unrecorded u JOIN work.unrecorded o"
        " ON o.group_code = u.other_group AND o.other_group = u.group_code AND o.size = u.size"
        " WHERE u.missing > 0 AND u.paired > 0.5 AND EXISTS (SELECT 1 FROM discrepancies d WHERE d.group_code = u.group_code"
        " AND d.likely_cause = $1) ORDER BY u.size DESC, u.group_code",
        [MOVE],
    )
    return [
        Move(shown(a), shown(b), size, min(since, until), max(since, until), chance)
        for a, b, size, since, until, chance in rows
    ]


def _unrecorded(store: Store, by: str, names: dict[str, str]) -> list[Unrecorded]:
    """By the `stage` or the `house` that plants were in; all together are the step `not_recorded` of the table bridge."""
    of = "stages[rank]" if by == "stage" else "coalesce(h.house, location)"
    rows = store.rows(
        "WITH names AS (SELECT ['tray', 'bag', 'budded', 'read', 'cut_back', 'staked', 'topped'] AS stages),"
        f" gone AS (SELECT {of} AS level, coalesce(sum(quantity) FILTER (WHERE kind = 'vanished'), 0)::BIGINT AS lost,"
        " sqrt(coalesce(sum(quantity) FILTER (WHERE kind = 'doubt'), 0)) / 2 AS half"
        " FROM work.placed_changes LEFT JOIN work.houses h USING (location), names GROUP BY level),"
        f" stood AS (SELECT {of} AS level, sum(days * plants)::BIGINT / 30000.0 AS months"
        " FROM work.chain_nodes n LEFT JOIN work.houses h USING (location), names GROUP BY level)"
        " SELECT g.level, lost, greatest(0, floor(lost - half))::BIGINT, ceil(lost + half)::BIGINT, coalesce(lost / months, 0)"
        " FROM gone g LEFT JOIN stood s ON s.level IS NOT DISTINCT FROM g.level AND months > 0"
        " WHERE lost > 0 ORDER BY lost DESC, g.level NULLS LAST"
    )
    return [Unrecorded(names.get(level, level) if level else tr(_NO_LEVEL["house"]), *rest) for level, *rest in rows]


def _closed(store: Store, names: dict[str, str]) -> list[Closed]:
    rows = store.rows(
        "SELECT group_code, location, last_count_on, unrecorded_loss FROM standing"
        " WHERE stage = 'gone' AND last_count = 0 AND state = 'ok' AND unrecorded_loss > 0"
        " ORDER BY last_count_on DESC, group_code"
    )
    return [Closed(shown(code), names.get(place, place or ""), on, plants) for code, place, on, plants in rows]


def remainders(store: Store, names: dict[str, str], groups: Collection[str] | None = None) -> list[Remainders]:
    """What is left of groups (of these, where they are given), as one task a place, the most plants first."""
    places: dict[str, list[tuple[str, int]]] = {}
    for code, place, plants in store.rows(
        "SELECT group_code, location, estimate FROM due WHERE task = 'clear_out' ORDER BY group_code"
    ):
        if groups is None or code in groups:
            places.setdefault(names.get(place, place or tr("no place given")), []).append((shown(code), plants))
    found = [Remainders(place, sum(n for _, n in left), tuple(left)) for place, left in places.items()]
    return sorted(found, key=lambda r: (-r.plants, r.place))


def place_names(store: Store) -> dict[str, str]:
    return names_of(store, "locations")


def gather_stock(store: Store) -> Stock:
    """Everything the page and `formpack reconcile` say of what stands."""
    places = place_names(store)
    scions, rootstocks = names_of(store, "scions"), names_of(store, "rootstocks")
    order = list(STAGE_WORDS)
    total = _standing(store, "all", {})
    by_stage = _standing(store, "stage", {})
    return Stock(
        not_in_this=not_in_this(store),
        total=total[0] if total else Standing("all", 0, 0, 0, 0, 0),
        by_stage=sorted(by_stage, key=lambda s: order.index(s.label)),
        by_rootstock=_standing(store, "rootstock", rootstocks),
        by_scion=_standing(store, "scion", scions | {word: tr(word) for word in (MIXED, NO_SCION)}),
        by_house=_standing(store, "house", places),
        recounts=_recounts(store, places),
        moves=_moves(store),
        settled=store.value("SELECT count(*) FROM work.counts WHERE flagged AND NOT is_last"),
        gone_by_stage=sorted(_unrecorded(store, "stage", {}), key=lambda u: order.index(u.label)),
        gone_by_place=_unrecorded(store, "house", places),
        closed=_closed(store, places),
        people=[
            unpacked(f)
            for (f,) in store.rows("SELECT finding FROM staff_counting WHERE finding IS NOT NULL ORDER BY staff_code")
        ],
        place_faults=[(code, unpacked(why)) for code, why in store.rows("SELECT code, fault FROM work.place_faults")],
    )


def courses(store: Store, most: int = 12) -> list[Course]:
    """The groups to count again, each with its counts, its book and what is believed, the most doubtful first."""
    places, doubt = place_names(store), doubts(store)
    rows = store.rows(
        "SELECT s.group_code, s.location FROM standing s JOIN work.counts c ON c.group_code = s.group_code AND c.is_last"
        " WHERE s.state <> 'ok' ORDER BY s.group_code"
    )
    chosen = sorted(rows, key=lambda r: -doubt.get(r[0], 0))[:most]
    return [course_of(store, code, places.get(place, place or "")) for code, place in chosen]


def course_of(store: Store, code: str, place: str) -> Course:
    """One group of the table standing over time, until today."""
    ((estimate, low, high, book, day),) = store.rows(
        "SELECT estimate, low, high, book_count, as_of FROM standing, work.day WHERE group_code = ?", [code]
    )
    nodes, flows = store.rows(_NODES, [code]), store.rows(_FLOWS, [code])
    counts = tuple(Counted(on, counted, wrong) for on, _, counted, *_, made, wrong in nodes if made)
    believed = (*_believed(nodes, flows), (day, estimate, low, high))
    in_books = (*((on, n) for on, _, n in flows), (day, book))
    says = tr(
        "Group {group}: counts, book and what is believed to stand; {estimate} now.", group=shown(code), estimate=estimate
    )
    return Course(shown(code), place, counts, in_books, believed, says)


def _believed(nodes: list[tuple[Any, ...]], flows: list[tuple[Any, ...]]) -> list[tuple[dt.date, int, int, int]]:
    """Between counts what stands is taken to differ from the book as it did at the count before."""
    moments: list[tuple[Any, ...]] = [
        *((on, ended, 0, book, stands, low, high) for on, ended, _, book, stands, low, high, *_ in nodes),
        *((on, ended, 1, book) for on, ended, book in flows),
    ]
    apart, found = (0, 0, 0), []
    for on, _, _, book, *there in sorted(moments, key=lambda m: m[:3]):
        if there:
            apart = (there[0] - book, there[1] - book, there[2] - book)
        found.append((on, *(max(0, book + d) for d in apart)))
    return [(on, a, b, c) for on, a, b, c in found]
