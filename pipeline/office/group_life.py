"""The life of one group: every submission about it in order, what its counts say, where its plants came from and went."""

from __future__ import annotations

import datetime as dt
import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from formpack.catalog import Form, causes, text_in
from formpack.group_code import shown
from formpack.words import tr, unpacked
from pipeline.intake.corrections import all_corrections
from pipeline.office import photos
from pipeline.office.group_care import Blades, Care, Cut, Month, blades_of, by_name, care_of, cuts_of, months_of
from pipeline.office.history import LISTS, coded, in_words, said_of
from pipeline.office.photos import Photo
from pipeline.office.records import SAID_BEFORE, Sent, by_identity
from pipeline.store import Store, kept_json
from pipeline.tables import labels, names_of

TABLES = tuple(
    "submissions problems movements standing counts discrepancies accepted bookings unrecorded origins placings"
    " stage_events chain_nodes chain_beliefs flows sowings emergence_counts particulars scouted treated sterilised walks"
    " treatments climate blade_works place_ways budwood_batches day list_pests list_staff list_teams list_locations"
    " list_rootstocks list_scions list_seed_lots list_budwood_batches list_orders".split()
)
"""The tables that `gather` reads."""


@dataclass(frozen=True)
class Change:
    """Plants of the group that an event moved: `kind` and `cause` as in the table movements."""

    kind: str
    plants: int
    cause: str | None
    other_group: str | None


@dataclass(frozen=True)
class Event:
    """A submission about the group. `state` is its state; one that is accepted and not `in_books` is dated later. `why` says
    what keeps it out, `answers` what it said then. `of_group` is another group that it was filled in for, from which plants
    came. `place` is where it says that the group stands, `place_before` where it stood until then."""

    on: dt.date
    submission: str
    short: str
    form_id: str
    form: str
    staff_code: str
    person: str
    state: str
    in_books: bool
    opens: bool
    """It is the opening of a group."""
    of_group: str | None
    came_in: str
    why: tuple[str, ...]
    changes: tuple[Change, ...]
    transfer_reason: str | None
    order: str | None
    consignee: str | None
    team: str | None
    attempt: int | None
    scion: str | None
    batch: str | None
    cut: Cut | None
    """What is known of the batch."""
    blades: Blades | None
    buds_set: int | None
    green: int | None
    brown: int | None
    unsure: int | None
    missing: int | None
    counted: int | None
    coverage: str | None
    place: str | None
    place_before: str | None
    book: int | None
    """What the book says after it."""
    note: str
    answers: tuple[tuple[str, str], ...]
    photos: tuple[Photo, ...]
    corrections: tuple[str, ...]


@dataclass(frozen=True)
class Step:
    """A node of the chain of counts, as in the tables counts and unrecorded: what was counted and expected, what went since the
    node before without a record (below nothing: came), and what stood after it."""

    kind: str
    on: dt.date
    since: dt.date
    submissions: tuple[str, ...]
    counted: int | None
    expected: int | None
    expected_low: int | None
    expected_high: int | None
    is_doubted: bool
    chance_wrong: float | None
    unrecorded: int
    unrecorded_low: int
    unrecorded_high: int
    stands: int
    stands_low: int
    stands_high: int


@dataclass(frozen=True)
class Doubt:
    """A row of the table discrepancies."""

    on: dt.date
    counted: int | None
    expected: int
    cause: str
    chance: float
    advice: str


@dataclass(frozen=True)
class Flow:
    """Plants of one kind together: from or to another `group`, to an `order` or a `consignee`, or lost to a `cause`."""

    kind: str
    plants: int
    group: str | None
    order: str | None
    consignee: str | None
    cause: str | None
    first_on: dt.date
    last_on: dt.date


@dataclass(frozen=True)
class Descent:
    """`plants` of `group` came from `from_group` on a day; the first one of a group that moves alone opened."""

    group: str
    from_group: str
    on: dt.date
    plants: int | None


@dataclass(frozen=True)
class Placed:
    place: str
    since: dt.date
    until: dt.date | None


@dataclass(frozen=True)
class Printed:
    """A sign or paper that was printed, and what stood on it."""

    on: dt.date
    kind: str
    paper: str | None
    """The number of a despatch paper, such as `O001/2`."""
    shows: Mapping[str, Any]


@dataclass(frozen=True)
class Life:
    """All that is known of a group. What `standing` has of it is None where it is not in the books."""

    code: str
    day: dt.date
    issued_on: dt.date | None
    in_books: bool
    by_transfer: bool
    """It was opened by what was moved into it alone."""
    rootstock: str | None
    scion: str | None
    mix: str | None
    seed_lot: str | None
    sown_on: dt.date | None
    sowing: str | None
    stage: str | None
    place: str | None
    opened_on: dt.date | None
    opened_with: int | None
    book: int | None
    last_count: int | None
    last_count_on: dt.date | None
    estimate: int | None
    low: int | None
    high: int | None
    state: str | None
    events: tuple[Event, ...]
    steps: tuple[Step, ...]
    doubts: tuple[Doubt, ...]
    descent: tuple[Descent, ...]
    came: tuple[Flow, ...]
    went: tuple[Flow, ...]
    places: tuple[Placed, ...]
    care: tuple[Care, ...]
    months: tuple[Month, ...]
    stages: tuple[tuple[dt.date, str], ...]
    """The day on which each stage was first reached."""
    printed: tuple[Printed, ...]
    names: Mapping[str, Mapping[str, str]]
    """What codes are called, by list: those of the nursery, and what forms call theirs and are called."""

    def name(self, of: str, code: str | None) -> str:
        """What a code of a list is called."""
        return self.names[of].get(code or "", code or "")

    def coded(self, of: str, code: str | None) -> str:
        """A code of a list with its name behind it."""
        return coded(self.names, of, code)

    @property
    def lifted(self) -> int:
        """Plants that its own opening began with, before any was taken out."""
        return sum(f.plants for f in self.came if f.kind == "opened")

    @property
    def gone(self) -> int:
        """Plants of the book that went without a record, by the counts; below nothing: that came."""
        return (self.book or 0) - (self.estimate or 0)

    @property
    def group(self) -> str:
        return shown(self.code)


_ABOUT = """
SELECT instance_id FROM work.current WHERE group_code = $1 OR moves_to = $1
UNION SELECT instance_id FROM kept.corrections WHERE field = 'group_code' AND old_answer IN ($1, $2)
"""


def is_known(store: Store, code: str) -> bool:
    """Whether anything about a group has come in, or its code was issued here."""
    found = f"SELECT count(*) FROM ({_ABOUT} UNION ALL SELECT 1 FROM kept.codes WHERE code = $1)"
    return bool(store.value(found, [code, shown(code)]))


def is_like_a_code(given: str) -> bool:
    """Whether somebody may have meant a group by it: digits, with the marks between them."""
    return re.fullmatch(r"[0-9][0-9 -]{3,11}", given.strip()) is not None


_HEADS = """
SELECT c.instance_id, coalesce(c.visit_date, c.received_on) AS on_date, s.state, s.superseded_by,
    c.group_code, a.instance_id IS NOT NULL AS is_booked, a.transfer_reason, a.order_ref,
    coalesce(a.consignee, o.consignee) AS consignee, a.team_code, a.attempt, a.scion, a.budwood_batch, a.coverage, a.counts,
    a.has_taken, a.location, coalesce(c.ended, '') AS ended
FROM work.current c JOIN work.states s USING (instance_id) LEFT JOIN work.accepted a USING (instance_id)
LEFT JOIN work.list_orders o ON o.code = a.order_ref
WHERE c.instance_id IN (SELECT unnest($1)) ORDER BY on_date, ended, c.instance_id
"""
_AMOUNTS = """
SELECT a.instance_id, b.word, sum(b.quantity)::BIGINT FROM work.accepted a JOIN work.bookings b USING (reading_id)
WHERE a.group_code = ? GROUP BY ALL
"""
_CHANGES = """
SELECT instance_id, kind, quantity, cause, other_group FROM work.movements WHERE group_code = $1
ORDER BY list_position($2, kind), quantity DESC, cause, other_group
"""
_STEPS = """
SELECT n.kind, n.on_date, n.since_on, n.instance_ids, n.counted, c.expected, c.expected_low, c.expected_high,
    coalesce(c.flagged, false), c.p_wrong, u.missing, u.missing_low, u.missing_high,
    greatest(0, b.stands::BIGINT - n.taken_out), greatest(0, b.stands_low::BIGINT - n.taken_out),
    greatest(0, b.stands_high::BIGINT - n.taken_out)
FROM work.chain_nodes n JOIN work.chain_beliefs b USING (group_code, position)
JOIN work.unrecorded u USING (group_code, position) LEFT JOIN work.counts c USING (group_code, position)
WHERE n.group_code = ? ORDER BY n.position
"""
_STANDING = """
SELECT opened_on, opened_with, book_count, last_count, last_count_on, estimate, low, high, rootstock, scion, mix, stage,
    location, state
FROM work.standing WHERE group_code = ?
"""
_IN, _OUT = ("opened", "moved_in"), ("moved_out", "despatched", "culled", "lost", "died")


def _grouped(rows: Iterable[tuple[Any, ...]]) -> dict[str, list[tuple[Any, ...]]]:
    """The rest of each row by its first column."""
    found: dict[str, list[tuple[Any, ...]]] = {}
    for first, *rest in rows:
        found.setdefault(first, []).append(tuple(rest))
    return found


def _shorts(store: Store, ids: Sequence[str]) -> dict[str, str]:
    """Of each identity the shortest beginning, eight letters or more, by which `formpack history` knows it."""
    heads = {i: i.removeprefix("uuid:")[:8] for i in ids}
    alike = sorted(
        i.removeprefix("uuid:")
        for (i,) in store.rows(
            "SELECT instance_id FROM work.current WHERE left(replace(instance_id, 'uuid:', ''), 8) IN (SELECT unnest(?))",
            [list(set(heads.values()))],
        )
    )
    places = {i: at for at, i in enumerate(alike)}
    found = {}
    for instance_id in ids:
        own = instance_id.removeprefix("uuid:")
        at, many_alike = places.get(own, 0), 8
        for other in (*alike[max(0, at - 1) : at], *alike[at + 1 : at + 2]):
            same = next((n for n, (a, b) in enumerate(zip(own, other, strict=False)) if a != b), min(len(own), len(other)))
            many_alike = max(many_alike, same + 1)
        found[instance_id] = own[:many_alike]
    return found


def _names(store: Store, forms: Mapping[str, Form]) -> dict[str, dict[str, str]]:
    """What codes are called: of lists, and of causes and the reasons of moves as the forms say them."""
    chosen = {
        of: [row for form in forms.values() for row in form.choices.get(name, ())]
        for of, name in (("reasons", "transfer_reasons"), ("mediums", "mediums"), ("dose_units", "dose_units"))
    }
    return (
        {of: names_of(store, of) for of in (*LISTS, "pests")}
        | {
            of: {row["name"]: text_in(row, "label") or row["name"] for row in rows}
            for of, rows in {"causes": causes(), **chosen}.items()
        }
        | {"forms": {form.form_id: form.title_spoken for form in forms.values()}}
    )


def gather(store: Store, code: str, forms: Mapping[str, Form], day: dt.date) -> Life:
    """Everything about the group of this code (eight digits) as of the day."""
    ids = [i for (i,) in store.rows(_ABOUT, [code, shown(code)])]
    heads, sent, names = by_name(store, _HEADS, [ids]), by_identity(store, ids, forms), _names(store, forms)
    events = _events(store, code, heads, sent, names, forms)
    standing = by_name(store, _STANDING, [code])
    here: dict[str, Any] = (
        standing[0]
        if standing
        else dict.fromkeys(
            "opened_on opened_with book_count last_count last_count_on estimate low high rootstock scion mix stage location"
            " state".split()
        )
    )
    origin = store.rows("SELECT rootstock, seed_lot, sow_date, sowing_code FROM work.origins WHERE group_code = ?", [code])
    rootstock, seed_lot, sown_on, sowing = origin[0] if origin else (None, None, None, None)
    doubts = store.rows(
        "SELECT on_date, counted, expected, likely_cause, confidence, advice FROM discrepancies WHERE group_code = ?"
        " ORDER BY on_date, instance_ids, likely_cause",
        [code],
    )
    stages = store.rows(
        "SELECT min(on_date), stage FROM work.stage_events WHERE group_code = ? GROUP BY stage ORDER BY ALL", [code]
    )
    places = store.rows(
        "SELECT location, from_on, until_on FROM work.placings WHERE group_code = ? ORDER BY from_on, from_ended", [code]
    )
    printed = store.rows(
        "SELECT printed_on, kind, CASE kind WHEN 'despatch' THEN about || '/' || position END, shows FROM (SELECT *,"
        " row_number() OVER (PARTITION BY kind, about ORDER BY number) AS position FROM kept.printed) WHERE about IN ($1, $2)"
        " OR (kind = 'despatch' AND (contains(shows, '\"' || $1 || '\"') OR contains(shows, '\"' || $2 || '\"')))"
        " ORDER BY number",
        [code, shown(code)],
    )
    booked = [e for e in events if e.in_books]
    until = max((e.on for e in booked), default=day) if here["stage"] == "gone" else day
    return Life(
        code=code,
        day=day,
        issued_on=store.value("SELECT issued_on FROM kept.codes WHERE code = ?", [code]),
        in_books=bool(standing),
        by_transfer=bool(standing) and not any(c.kind == "opened" for e in booked for c in e.changes),
        rootstock=here["rootstock"] or rootstock,
        scion=here["scion"],
        mix=here["mix"],
        seed_lot=seed_lot,
        sown_on=sown_on,
        sowing=sowing,
        stage=here["stage"],
        place=here["location"],
        opened_on=here["opened_on"],
        opened_with=here["opened_with"],
        book=here["book_count"],
        last_count=here["last_count"],
        last_count_on=here["last_count_on"],
        estimate=here["estimate"],
        low=here["low"],
        high=here["high"],
        state=here["state"],
        events=tuple(events),
        steps=tuple(Step(k, on, since, tuple(of.split()), *rest) for k, on, since, of, *rest in store.rows(_STEPS, [code])),
        doubts=tuple(Doubt(on, n, expected, cause, chance, unpacked(says)) for on, n, expected, cause, chance, says in doubts),
        descent=_descent(store, code),
        came=_flows(booked, _IN),
        went=_flows(booked, _OUT),
        places=tuple(_stays(places)),
        care=tuple(_care(store, code, until, names)),
        months=tuple(months_of(store, code, until, forms)),
        stages=tuple(stages),
        printed=tuple(Printed(on, kind, paper, kept_json(shows)) for on, kind, paper, shows in printed),
        names=names,
    )


def _events(
    store: Store,
    code: str,
    heads: Sequence[Mapping[str, Any]],
    sent: Mapping[str, Sent],
    names: Mapping[str, Mapping[str, str]],
    forms: Mapping[str, Form],
) -> list[Event]:
    ids = [h["instance_id"] for h in heads]
    asked, shorts = labels(forms), _shorts(store, ids)
    changes, amounts = _grouped(store.rows(_CHANGES, [code, [*_IN, *_OUT]])), _grouped(store.rows(_AMOUNTS, [code]))
    books = dict(store.rows("SELECT instance_id, book_after FROM work.flows WHERE group_code = ?", [code]))
    found = _grouped(
        store.rows(
            "SELECT DISTINCT instance_id, message FROM problems WHERE instance_id IN (SELECT unnest(?)) ORDER BY ALL", [ids]
        )
    )
    corrected: dict[str, list[str]] = {}
    for made in all_corrections(store):
        if made.instance_id in sent:
            said = tr("{day}: {what}", day=made.made_at.date(), what=said_of(made, asked))
            corrected.setdefault(made.instance_id, []).append(said)
    pictures = {i: list(_pictures(record, forms)) for i, record in sent.items()}
    cuts, blades = cuts_of(store, {h["budwood_batch"] for h in heads}), blades_of(store, code)
    taken = photos.find(store, {i: named for i, named in pictures.items() if named})
    events, place = [], None
    for head in heads:
        instance_id, record = head["instance_id"], sent[head["instance_id"]]
        own = head["group_code"] == code
        in_books = head["is_booked"] and (own or instance_id in changes)
        words = dict(amounts.get(instance_id, ())) if own and in_books else {}
        given = head if own else dict.fromkeys(head)
        counted = None
        if given["counts"]:
            counted = words.get("counted", words.get("kept", 0) + words.get("leaves", 0))
        reads = bool(given["has_taken"])
        events.append(
            Event(
                on=head["on_date"],
                submission=instance_id,
                short=shorts[instance_id],
                form_id=record.form_id,
                form=names["forms"].get(record.form_id, record.form_id),
                staff_code=record.staff_code,
                person=names["staff"].get(record.staff_code, ""),
                state=record.state,
                in_books=in_books,
                opens=record.form_id in forms and bool(forms[record.form_id].with_ledger("opens")),
                of_group=None if own else head["group_code"],
                came_in=record.file,
                why=() if in_books else tuple(_why(head, code, [m for (m,) in found.get(instance_id, ())], shorts)),
                changes=tuple(Change(*row) for row in changes.get(instance_id, ())),
                transfer_reason=head["transfer_reason"] or ("set_aside" if head["has_taken"] else None),
                order=given["order_ref"],
                consignee=given["consignee"],
                team=given["team_code"],
                attempt=given["attempt"],
                scion=given["scion"],
                batch=given["budwood_batch"],
                cut=cuts.get(given["budwood_batch"] or ""),
                blades=blades.get(instance_id) if own else None,
                buds_set=words.get("set"),
                green=words.get("took", 0) if reads else None,
                brown=words.get("failed", 0) if reads else None,
                unsure=words.get("unsure", 0) if reads else None,
                missing=words.get("leaves", 0) if reads else None,
                counted=counted,
                coverage=given["coverage"],
                place=given["location"],
                place_before=place,
                book=books.get(instance_id),
                note=record.answers.get("note", ""),
                answers=() if in_books else _answers(record, forms.get(record.form_id), asked, names),
                photos=taken.get(instance_id, ()),
                corrections=tuple(corrected.get(instance_id, ())),
            )
        )
        place = given["location"] or place
    return events


def _care(store: Store, code: str, until: dt.date, names: Mapping[str, Mapping[str, str]]) -> Iterable[Care]:
    found = care_of(store, code, until)
    shorts = _shorts(store, [c.submission for c in found])
    for c in found:
        form, person = names["forms"].get(c.form_id, c.form_id), names["staff"].get(c.staff_code, "")
        yield replace(c, short=shorts[c.submission], form=form, person=person)


def _pictures(record: Sent, forms: Mapping[str, Form]) -> Iterable[str]:
    form = forms.get(record.form_id)
    return (record.answers[q.name] for q in (form.kept if form else ()) if q.type == "image" and q.name in record.answers)


def _answers(
    record: Sent, form: Form | None, asked: Mapping[str, str], names: Mapping[str, Mapping[str, str]]
) -> tuple[tuple[str, str], ...]:
    """What a submission that is not in the books says beside its head, its note and its photos."""
    told = {*SAID_BEFORE, "note", *(q.name for q in (form.kept if form else ()) if q.type == "image")}
    return tuple((q, said) for name, q, said in in_words(record.answers, form, asked, names) if name not in told)


def _why(head: Mapping[str, Any], code: str, messages: Sequence[str], shorts: Mapping[str, str]) -> Iterable[str]:
    """What keeps a submission out of the group's book."""
    if head["superseded_by"]:
        by = head["superseded_by"]
        yield tr("replaced by {submission}", submission=shorts.get(by, by.removeprefix("uuid:")))
    elif head["state"] != "accepted":
        yield from (unpacked(m).rstrip(".") for m in messages)
    elif not head["is_booked"]:
        yield tr("dated after the day that is looked at")
    elif head["group_code"] != code:
        yield tr("it is about group {group} now", group=shown(head["group_code"] or ""))


def _stays(rows: Sequence[tuple[Any, ...]]) -> Iterable[Placed]:
    """Places one after the other; the same one given again is one stay."""
    stays: list[Placed] = []
    for place, since, until in rows:
        if stays and stays[-1].place == place:
            stays[-1] = Placed(place, stays[-1].since, until)
        else:
            stays.append(Placed(place, since, until))
    return stays


def _descent(store: Store, code: str) -> tuple[Descent, ...]:
    """Group by group back to the opening; a circle ends where it closes."""
    found: list[Descent] = []
    at, seen = code, {code}
    while rows := store.rows(
        "SELECT o.from_group, o.moved_on, sum(m.quantity)::BIGINT FROM work.origins o LEFT JOIN work.movements m"
        " ON m.group_code = o.group_code AND m.kind = 'moved_in' AND m.other_group = o.from_group AND m.on_date = o.moved_on"
        " WHERE o.group_code = ? AND o.from_group IS NOT NULL GROUP BY ALL",
        [at],
    ):
        ((before, on, plants),) = rows
        found.append(Descent(at, before, on, plants))
        if before in seen:
            break
        at = before
        seen.add(at)
    return tuple(found)


def _flows(events: Sequence[Event], kinds: Sequence[str]) -> tuple[Flow, ...]:
    """The plants of all changes of these kinds, those alike together, in the order of the kinds, the most first."""
    sums: dict[tuple[Any, ...], list[tuple[dt.date, int]]] = {}
    for e in events:
        for c in e.changes:
            to = (e.order, e.consignee) if c.kind == "despatched" else (None, None)
            sums.setdefault((c.kind, c.other_group, *to, c.cause), []).append((e.on, c.plants))
    flows = [
        Flow(kind, sum(n for _, n in parts), group, order, consignee, cause, min(parts)[0], max(parts)[0])
        for (kind, group, order, consignee, cause), parts in sums.items()
        if kind in kinds
    ]
    return tuple(sorted(flows, key=lambda f: (kinds.index(f.kind), -f.plants, f.first_on, f.group or "")))


def as_json(life: Life) -> dict[str, Any]:
    """All of it as one document; under `names` stands what the codes that it uses are called."""
    document = asdict(life)
    used = json.dumps(document | {"names": None}, default=str, ensure_ascii=False)
    names = {of: {code: name for code, name in said.items() if f'"{code}"' in used} for of, said in life.names.items()}
    return document | {"names": names}
