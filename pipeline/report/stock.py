"""What stands, what to count again and what went without a record, as frozen rows straight from the tables."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

from formpack.group_code import shown
from formpack.words import day as said_day
from formpack.words import many, tr
from pipeline.book.causes import MOVE
from pipeline.book.discrepancies import count_again, counters
from pipeline.book.totals import MIXED, NO_SCION
from pipeline.report.held_back import not_in_this
from pipeline.store import Store

STAGE_WORDS = {
    "tray": "in trays",
    "bag": "in bags",
    "budded": "budded",
    "read": "buds read",
    "cut_back": "cut back",
    "staked": "staked",
    "topped": "topped",
    "gone": "gone",
}

STOCK = tuple(
    "held_back problems staff_counting standing standing_sums counts discrepancies unrecorded chain_nodes chain_beliefs flows"
    " movements place_faults day list_locations list_rootstocks list_scions".split()
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
    """Plants that went without a record while in a stage or at a place, and per 1,000 plants and 30 days."""

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


_NO_LEVEL = {"scion": "not budded yet", "rootstock": "not known", "house": "no place given"}


def _standing(store: Store, by: str, names: dict[str, str]) -> list[Standing]:
    rows = store.rows(
        'SELECT level, groups, plants, low, high, book_count FROM standing_sums WHERE "by" = ?'
        " ORDER BY plants DESC, level NULLS LAST",
        [by],
    )
    return [Standing(names.get(level, level) if level else _NO_LEVEL.get(by, ""), *rest) for level, *rest in rows]


def _recounts(store: Store, names: dict[str, str]) -> list[Recount]:
    rows = store.rows(
        "SELECT s.group_code, s.location, c.counted, c.expected_low, c.expected_high, c.on_date, d.likely_cause, d.confidence,"
        " c.staff_codes, d.advice, s.estimate, s.low, s.high, s.state, s.book_count, m.said FROM standing s"
        " LEFT JOIN (SELECT group_code, max_by(kind || ' of ' || quantity || ' on ' || on_date, (quantity, on_date)) AS said"
        " FROM movements WHERE kind NOT IN ('opened', 'moved_in') GROUP BY group_code) m USING (group_code)"
        " LEFT JOIN work.counts c ON c.group_code = s.group_code AND c.is_last LEFT JOIN discrepancies d"
        " ON c.flagged AND d.group_code = s.group_code AND d.instance_ids = c.instance_ids WHERE s.state <> 'ok'"
        " ORDER BY greatest(coalesce(abs(c.counted - c.expected), 0), s.high - s.low) DESC, s.group_code"
    )
    found, everybody = [], counters(store)
    for code, place, counted, low, high, on, cause, chance, staff, advice, estimate, least, most, _, book, most_out in rows:
        ask = (staff or "").replace(" ", " and ")
        if book < 0:
            largest = f"the record '{most_out}'".replace("moved_out", "moved out")
            advice = f"More has been taken out than ever came in; look at {largest}, or for a move into this group."
        elif counted == 0 and not estimate:
            advice = (
                f"It was counted to 0 on {said_day(on)}, and {many(book, 'plant')} of its book vanish without a record if so;"
                f" {count_again(staff, everybody)}, or record what became of them."
            )
        elif not advice:
            advice = (
                f"Between {least:,} and {most:,} stand, probably {estimate:,}: the counts leave it open;"
                f" {count_again(staff, everybody)}."
            )
        found.append(
            Recount(shown(code), names.get(place, place or ""), counted, low, high, on, cause or "", chance, ask, advice)
        )
    return found


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


def _unrecorded(store: Store, by: str, names: dict[str, str], most: int) -> list[Unrecorded]:
    rows = store.rows(
        f"SELECT {by} AS level, sum(u.lost), sqrt(sum(((u.missing_high - u.missing_low) / 3.92) ** 2)),"
        " sum(n.days * n.plants) / 30000.0 FROM work.unrecorded u JOIN work.chain_nodes n USING (group_code, position)"
        " GROUP BY level HAVING round(sum(u.lost)) > 0 ORDER BY sum(u.lost) DESC, level LIMIT ?",
        [most],
    )
    found = []
    for level, lost, sd, months in rows:
        low, high = max(0, int(lost - 1.96 * sd)), round(lost + 1.96 * sd)
        label = names.get(level or "", level or "no place given")
        found.append(Unrecorded(label, round(lost), low, high, lost / months if months else 0.0))
    return found


def _closed(store: Store, names: dict[str, str]) -> list[Closed]:
    rows = store.rows(
        "SELECT group_code, location, last_count_on, unrecorded_loss FROM standing"
        " WHERE stage = 'gone' AND last_count = 0 AND state = 'ok' AND unrecorded_loss > 0"
        " ORDER BY last_count_on DESC, group_code"
    )
    return [Closed(shown(code), names.get(place, place or ""), on, plants) for code, place, on, plants in rows]


def remainders(store: Store, names: dict[str, str]) -> list[Remainders]:
    """What is left of groups, as one task a place, the most plants first."""
    places: dict[str, list[tuple[str, int]]] = {}
    for code, place, plants in store.rows(
        "SELECT group_code, location, estimate FROM due WHERE task = 'clear_out' ORDER BY group_code"
    ):
        places.setdefault(names.get(place, place or "no place given"), []).append((shown(code), plants))
    found = [Remainders(place, sum(n for _, n in groups), tuple(groups)) for place, groups in places.items()]
    return sorted(found, key=lambda r: (-r.plants, r.place))


def place_names(store: Store) -> dict[str, str]:
    return {c: label or c for c, label in store.rows("SELECT code, label FROM work.list_locations")}


def gather_stock(store: Store) -> Stock:
    """Everything the page and `formpack reconcile` say of what stands."""
    places = place_names(store)
    scions, rootstocks = (
        {c: label or c for c, label in store.rows(f"SELECT code, label FROM work.list_{name}")}
        for name in ("scions", "rootstocks")
    )
    order = list(STAGE_WORDS)
    total = _standing(store, "all", {})
    by_stage = _standing(store, "stage", {})
    gone = sorted(_unrecorded(store, "u.stage", {}, 10), key=lambda u: order.index(u.label))
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
        gone_by_stage=gone,
        gone_by_place=_unrecorded(store, "u.location", places, 10),
        closed=_closed(store, places),
        people=[f for (f,) in store.rows("SELECT finding FROM staff_counting WHERE finding IS NOT NULL ORDER BY staff_code")],
        place_faults=store.rows("SELECT code, fault FROM work.place_faults"),
    )


def courses(store: Store, most: int = 12) -> list[Course]:
    """The groups to count again, each with its counts, its book and what is believed, the most doubtful first."""
    places = place_names(store)
    found = []
    for code, place, estimate, low, high, book, day in store.rows(
        "SELECT s.group_code, s.location, s.estimate, s.low, s.high, s.book_count, d.as_of FROM standing s"
        " JOIN work.counts c ON c.group_code = s.group_code AND c.is_last, work.day d WHERE s.state <> 'ok'"
        " ORDER BY greatest(abs(c.counted - c.expected), s.high - s.low) DESC, s.group_code LIMIT ?",
        [most],
    ):
        nodes, flows = store.rows(_NODES, [code]), store.rows(_FLOWS, [code])
        counts = tuple(Counted(on, counted, wrong) for on, _, counted, *_, made, wrong in nodes if made)
        believed = (*_believed(nodes, flows), (day, estimate, low, high))
        in_books = (*((on, n) for on, _, n in flows), (day, book))
        says = f"Group {shown(code)}: counts, book and what is believed to stand; {estimate:,} now."
        found.append(Course(shown(code), places.get(place, place or ""), counts, in_books, believed, says))
    return found


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
