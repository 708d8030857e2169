"""Doubtful counts and unexplained changes -> sentences: what stands, which count is wrong and how, whom to ask."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from formpack.group_code import shown
from formpack.words import listed, many, number, tr, trn
from pipeline.book.causes import (
    EXCHANGED,
    GAIN,
    LATE_LOSS,
    LOSS,
    MISCOUNTED,
    MOVE,
    NOT_MADE,
    OPENING,
    UNKNOWN,
)
from pipeline.formulas.miscounts import DIGIT, LEFT_OUT, LENGTH, OTHER, SHOWN, SWAPPED, TWICE, WAYS, Whole, sources
from pipeline.settings import Settings
from pipeline.stages import Work
from pipeline.store import Store

_OLD_DAYS, _USUAL_LOSS = 60, 0.02


@dataclass(frozen=True)
class _Doubt:
    group_code: str
    on_date: dt.date
    instance_ids: str
    counted: int | None
    expected: int
    likely_cause: str
    confidence: float
    advice: str
    other_group: str | None = None

    def row(self) -> tuple[Any, ...]:
        count = (self.group_code, self.on_date, self.instance_ids)
        plants = (self.counted, self.expected, (self.counted or 0) - self.expected)
        return (*count, *plants, self.likely_cause, round(self.confidence, 4), self.advice, self.other_group)


@dataclass(frozen=True)
class _Change:
    """What a step of a group's chain says beyond the records: `missing` plants (`low` to `high`) of the `stands`."""

    group_code: str
    position: int
    on_date: dt.date
    since_on: dt.date
    instance_ids: str
    counted: int | None
    staff_codes: str | None
    missing: int
    low: int
    high: int
    chance: float
    """That at least half as many are really missing, or too many."""
    stands: int
    typed: str
    is_last: bool
    jumps: list[float]
    """The chance of each recorded movement of the step that it is otherwise."""
    paired: float
    other_group: str | None
    size: int
    is_flagged: bool

    def doubt(self, cause: str, chance: float, advice: str, other: str | None = None) -> _Doubt:
        expected = self.stands + self.missing
        return _Doubt(self.group_code, self.on_date, self.instance_ids, self.counted, expected, cause, chance, advice, other)


_FLAGGED = """
SELECT c.group_code, c.on_date, c.instance_ids, c.counted, c.expected, c.stands, c.typed, c.taken_out, c.p_wrong,
    c.way, c.way_chance, c.p_copied,
    c.staff_codes, c.is_last, s.estimate, s.low, s.high, d.as_of,
    EXISTS (
        SELECT 1 FROM work.counts l WHERE l.group_code = c.group_code AND l.position > c.position AND NOT l.flagged
    )
FROM work.counts c CROSS JOIN work.day d JOIN work.standing s USING (group_code)
WHERE c.flagged
ORDER BY c.group_code, c.position
"""
_EXCHANGES = """
SELECT c.group_code, c.instance_ids, x.other_group
FROM work.exchanged x JOIN work.counts c USING (group_code, position)
"""
_NEAREST = """
SELECT c.group_code, c.instance_ids, o.group_code
FROM work.counts c
JOIN work.counts o ON o.group_code <> c.group_code AND abs(o.on_date - c.on_date) <= 60 AND abs(o.stands - c.counted) <= 2
    AND (o.location = c.location OR o.house = c.house OR o.walk = c.walk)
WHERE c.flagged
QUALIFY row_number() OVER (PARTITION BY c.group_code, c.instance_ids
    ORDER BY coalesce(o.walk = c.walk, false) DESC, o.location = c.location DESC,
        abs(o.on_date - c.on_date), abs(o.stands - c.counted), o.group_code) = 1
"""
_UNEXPLAINED = """
SELECT u.group_code, u.position, u.on_date, u.since_on, u.instance_ids, u.counted, u.staff_codes,
    u.missing, u.missing_low, u.missing_high, u.missing_chance, u.stands, coalesce(c.typed, ''), coalesce(c.is_last, false),
    [u.jump_1, u.jump_2, u.jump_3], u.paired, u.other_group, u.size,
    coalesce(c.flagged, false)
FROM work.unrecorded u LEFT JOIN work.counts c USING (group_code, position)
WHERE abs(u.missing) > greatest($1, $2 * u.stands) OR u.jump_1 + u.jump_2 + u.jump_3 > 0.5 OR u.paired > 0.5
ORDER BY u.group_code, u.position
"""
_JUMPS = """
SELECT j.group_code, j.position, j.instance_id, j.is_loss, j.size, b.jump_1, b.jump_2, b.jump_3
FROM work.chain_jumps j JOIN work.chain_beliefs b USING (group_code, position)
ORDER BY j.group_code, j.position, j.turn
"""
_OPENED_OTHERWISE = """
SELECT s.group_code, s.opened_on, s.opened_with, any_value(b.opening)::BIGINT, any_value(b.opening_wrong) AS wrong,
    coalesce(any_value(m.instance_id), '')
FROM work.standing s JOIN work.chain_beliefs b USING (group_code)
LEFT JOIN work.movements m ON m.group_code = s.group_code AND m.kind = 'opened'
GROUP BY s.group_code, s.opened_on, s.opened_with
HAVING wrong > 0.5
ORDER BY s.group_code
"""


@lru_cache(maxsize=20_000)
def _slips(number: int, crate: int) -> tuple[Whole, Whole]:
    """What a number may have been meant as, and by which way."""
    found = sources(np.array([number]), crate)
    is_one = found.stood[0] >= 0
    return found.stood[0, is_one], found.way[is_one]


def _meant(typed: str, counted: int, stood: int, crate: int, way: int | None = None, lost: int = 0) -> tuple[int, int] | None:
    """Of the numbers that were typed the one that by a slip of the hand (of one way, or any) stands for another, with which the
    count is within 3 plants of what stood, or up to `lost` fewer: (typed, meant)."""
    found = []
    for part in (int(n) for n in typed.split()):
        slips, of_way = _slips(part, crate)
        meant = slips[of_way <= LENGTH if way is None else of_way == way]
        more = meant + (counted - part) - stood
        off = np.where(more < 0, np.maximum(-more - lost, 0), more)
        if len(off) and off.min() <= 3:
            found.append((int(off.min()), part, int(meant[off.argmin()])))
    return min(found)[1:] if found else None


def _written(typed: str, counted: int, taken_out: int, expected: int) -> str:
    """`507 and 597 were written, 1,104 together, of which 54 were taken out, about 1,014 stood`."""
    parts = [int(n) for n in typed.split()] or [counted]
    is_apart = sum(parts) + taken_out == counted and taken_out > 0
    said = [trn("{numbers} was written", "{numbers} were written", len(parts), numbers=listed(map(number, parts)))]
    if is_apart:
        said.append(trn("{n} more was taken out", "{n} more were taken out", taken_out))
    if len(parts) > 1 or is_apart:
        said.append(tr("{plants} together", plants=counted))
    if taken_out and not is_apart:
        said.append(trn("of which {n} was taken out", "of which {n} were taken out", taken_out))
    return ", ".join([*said, tr("about {plants} stood", plants=expected)])


def _how(way: int, on: dt.date, off: int, crate: int, other: str | None, meant: str) -> tuple[str, str]:
    """(likely_cause, how the count of a day is quite wrong) where it is off by so many plants."""
    crates = max(1, round(abs(off) / max(crate, 1)))
    about: dict[str, Any] = {"on": on, "meant": meant}
    cause = MISCOUNTED if way == 0 else WAYS[way - 1] if way - 1 <= OTHER else UNKNOWN
    if way == 0:
        says = tr("the count of {on} is off ({meant})", **about)
    elif way - 1 == SWAPPED:
        says = tr("the count of {on} probably has two digits swapped ({meant})", **about)
    elif way - 1 == DIGIT:
        says = tr("the count of {on} probably has one digit wrong ({meant})", **about)
    elif way - 1 == LENGTH and off < 0:
        says = tr("the count of {on} probably lacks a digit ({meant})", **about)
    elif way - 1 == LENGTH:
        says = tr("the count of {on} probably has a digit too many ({meant})", **about)
    elif way - 1 == LEFT_OUT:
        says = trn(
            "the count of {on} probably left out {n} crate ({meant})",
            "the count of {on} probably left out {n} crates ({meant})",
            crates,
            **about,
        )
    elif way - 1 == TWICE:
        says = trn(
            "the count of {on} probably has {n} crate counted twice ({meant})",
            "the count of {on} probably has {n} crates counted twice ({meant})",
            crates,
            **about,
        )
    elif way - 1 == SHOWN:
        says = tr("the count of {on} is probably the number the phone showed, not a count ({meant})", **about)
    elif way - 1 == OTHER and other:
        says = tr("the count of {on} probably belongs to group {group} ({meant})", group=shown(other), **about)
    elif way - 1 == OTHER:
        says = tr("the count of {on} probably belongs to another group ({meant})", **about)
    else:
        says = tr("the count of {on} does not fit ({meant})", **about)
    return cause, says


def _who(staff: str | None) -> str:
    return listed(staff.split()) if staff else tr("whoever counted")


def count_again(staff: str | None, everybody: set[str]) -> str:
    """Whom to ask for a recount: somebody else than who counted, where anybody else counts; a part of a sentence."""
    if staff and everybody - set(staff.split()):
        return tr("have somebody other than {staff} count again", staff=", ".join(staff.split()))
    return tr("ask {staff} to count again", staff=_who(staff))


def _count_again_first(staff: str | None, everybody: set[str]) -> str:
    """`count_again`, at the beginning of a sentence."""
    if staff and everybody - set(staff.split()):
        return tr("Have somebody other than {staff} count again", staff=", ".join(staff.split()))
    return tr("Ask {staff} to count again", staff=_who(staff))


def _sentence(parts: Iterable[str]) -> str:
    """Clauses that each stand for themselves, in one line."""
    return "; ".join(parts) + "."


def counters(store: Store) -> set[str]:
    """Everybody who ever counted."""
    return {s for (codes,) in store.rows("SELECT DISTINCT staff_codes FROM work.counts") for s in (codes or "").split()}


def _flagged(work: Work, settings: Settings) -> list[_Doubt]:
    rows = work.rows(_FLAGGED)
    others = _other_groups(work)
    swapped = {(code, ids): other for code, ids, other in work.rows(_EXCHANGES)}
    doubts = []
    everybody = counters(work.store)
    for row in rows:
        code, on, ids, counted, expected, stands, typed, taken_out, wrong, way, way_chance, copied, staff, is_last = row[:14]
        estimate, low, high, day, is_borne_out = row[14:]
        # a number that was copied was no count, whether or not it is far off
        chance = copied if way - 1 == SHOWN else wrong * way_chance
        partner = swapped.get((code, ids))
        other = partner or (others.get((code, ids)) if way - 1 == OTHER else None)
        says = []
        if not is_borne_out and estimate:
            is_old = (day - on).days > _OLD_DAYS
            says.append(tr("Count the group") if is_old else _count_again_first(staff, everybody))
        says.append(_stand(estimate, low, high))
        if partner:
            cause = EXCHANGED
            says.append(tr("the count of {on} was probably exchanged with that of group {group}", on=on, group=shown(partner)))
        else:
            meant = [_written(typed or "", counted, taken_out, expected)]
            by = way - 1 if way - 1 in (SWAPPED, DIGIT, LENGTH) else None
            slip = _meant(typed or "", counted, stands, settings.crate_size, by)
            if slip and way - 1 not in (LEFT_OUT, TWICE, SHOWN, OTHER):
                meant.append(_slip_words(slip, " " in (typed or "")))
            if by == SWAPPED and slip and len(str(slip[0])) != len(str(slip[1])):
                way = 1 + LENGTH  # with its noughts in front a number is a digit shorter, and nobody calls that swapped
            cause, how = _how(way, on, counted - expected, settings.crate_size, other, "; ".join(meant))
            says.append(how)
        if is_last and wrong < 0.8:
            says.append(
                trn("or {n} plant is gone", "or {n} plants are gone", expected - counted)
                if counted < expected
                else trn("or there is really {n} more", "or there are really {n} more", counted - expected)
            )
        if not is_borne_out:
            says += [] if estimate else [tr("nothing is left to count")]
        elif (day - on).days > _OLD_DAYS or not estimate:
            says.append(tr("later counts bear this out, there is nothing to do"))
        else:
            says.append(tr("later counts bear this out; ask {staff} to mend it", staff=_who(staff)))
        advice = _sentence(says)
        doubts.append(_Doubt(code, on, ids, counted, expected, cause, chance, advice, other))
    return doubts


def _stand(estimate: int, low: int, high: int) -> str:
    if low < high:
        return trn(
            "{n} plant stands now ({low} to {high})", "{n} plants stand now ({low} to {high})", estimate, low=low, high=high
        )
    return trn("{n} plant stands now", "{n} plants stand now", estimate)


def _slip_words(slip: tuple[int, int], is_one_of_several: bool = True) -> str:
    typed, meant = slip
    if is_one_of_several:
        return tr("{meant} may have been meant by {typed}", meant=meant, typed=typed)
    return tr("{meant} may have been meant", meant=meant)


def _other_groups(work: Work) -> dict[tuple[str, str], str]:
    """For each flagged count the group of the same walk, place or house whose number it comes nearest to in those days."""
    return {(code, ids): other for code, ids, other in work.rows(_NEAREST)}


def _unexplained(work: Work, settings: Settings) -> list[_Doubt]:
    rows = work.rows(_UNEXPLAINED, [settings.tolerances.count_plants, settings.tolerances.count_share])
    jumps, everybody = _jumps(work), counters(work.store)
    late = {(code, i): chance for (code, _), told in jumps.items() for i, is_loss, size, chance in told if is_loss and size < 0}
    doubts = []
    for row in rows:
        u = _Change(*row)
        between = {"since": u.since_on, "until": u.on_date}
        least = max(settings.tolerances.count_plants, settings.tolerances.count_share * u.stands)
        here = jumps.get((u.group_code, u.position), [])
        if sum(u.jumps) > 0.5 and here:
            instance_id, is_loss, amount, _ = max(here, key=lambda j: j[3])
            if abs(amount) <= least or (is_loss and amount < 0):
                continue  # too small to be told, or told where it was noted
            is_late = is_loss and late.get((u.group_code, instance_id), 0) > 0.5
            cause, advice = _jump_words(is_late, amount, between, instance_id)
            ids, chance = u.instance_ids or instance_id, min(1.0, sum(u.jumps))
            doubts.append(_Doubt(u.group_code, u.on_date, ids, u.counted, u.stands - amount, cause, chance, advice))
        elif u.paired > 0.5 and u.other_group:
            doubts.append(u.doubt(MOVE, u.paired, _move_words(u, between), u.other_group))
        elif abs(u.missing) > least and u.counted is not None and not u.is_flagged:
            words = [_gone_words(u, between)]
            before = u.stands + u.missing
            slip = (
                _meant(u.typed, u.counted, before, settings.crate_size, lost=int(_USUAL_LOSS * before)) if u.is_last else None
            )
            if slip:
                words += [tr("or {meant} may have been meant by {typed}", meant=slip[1], typed=slip[0])]
                words += [count_again(u.staff_codes, everybody)]
            chance = u.chance * (1 - u.paired - sum(u.jumps))
            doubts.append(u.doubt(LOSS if u.missing > 0 else GAIN, chance, _sentence(words)))
    return doubts


def _move_words(u: _Change, between: dict[str, dt.date]) -> str:
    about = between | {"group": shown(u.other_group or ""), "staff": _who(u.staff_codes)}
    if u.missing > 0:
        return trn(
            "About {n} plant left for group {group} between {since} and {until} and nobody wrote it down; ask {staff},"
            " and send a transfer with the day it happened.",
            "About {n} plants left for group {group} between {since} and {until} and nobody wrote it down; ask {staff},"
            " and send a transfer with the day it happened.",
            u.size,
            **about,
        )
    return trn(
        "About {n} plant came from group {group} between {since} and {until} and nobody wrote it down; ask {staff},"
        " and send a transfer with the day it happened.",
        "About {n} plants came from group {group} between {since} and {until} and nobody wrote it down; ask {staff},"
        " and send a transfer with the day it happened.",
        u.size,
        **about,
    )


def _gone_words(u: _Change, between: dict[str, dt.date]) -> str:
    if u.missing <= 0:
        return trn(
            "{n} plant more than can be explained between {since} and {until}; look for a move into this group",
            "{n} plants more than can be explained between {since} and {until}; look for a move into this group",
            -u.missing,
            **between,
        )
    span = {"low": abs(u.low), "high": abs(u.high)}
    if u.low == u.high:
        return trn(
            "{n} plant went missing between {since} and {until}; look for dead ones thrown out or a move not written down",
            "{n} plants went missing between {since} and {until}; look for dead ones thrown out or a move not written down",
            u.missing,
            **between,
        )
    return trn(
        "{n} plant ({low} to {high}) went missing between {since} and {until}; look for dead ones thrown out or a move not"
        " written down",
        "{n} plants ({low} to {high}) went missing between {since} and {until}; look for dead ones thrown out or a move not"
        " written down",
        u.missing,
        **span,
        **between,
    )


def _jumps(work: Work) -> dict[tuple[str, int], list[tuple[str, bool, int, float]]]:
    """Of each step the recorded movements that may be otherwise: (submission, is a loss, plants, chance that it is)."""
    found: dict[tuple[str, int], list[tuple[str, bool, int, float]]] = {}
    for code, position, instance_id, is_loss, size, *chances in work.rows(_JUMPS):
        of_step = found.setdefault((code, position), [])
        of_step.append((instance_id, is_loss, size, chances[len(of_step)]))
    return found


def _openings(work: Work) -> list[_Doubt]:
    """Groups whose opening number the counts contradict."""
    doubts = []
    for code, on, written, really, wrong, ids in work.rows(_OPENED_OTHERWISE):
        advice = tr(
            "All counts say that about {really} were there when the group was opened, not {written}; look at the opening.",
            really=really,
            written=written,
        )
        doubts.append(_Doubt(code, on, ids, written, really, OPENING, wrong, advice))
    return doubts


def _jump_words(is_late: bool, amount: int, between: dict[str, dt.date], instance_id: str) -> tuple[str, str]:
    n = abs(amount)
    if is_late:
        return LATE_LOSS, tr(
            "The loss of {plants} noted between {since} and {until} had been missed by the count before; the book takes it off"
            " once.",
            plants=many(n, "plant"),
            **between,
        )
    if amount > 0:
        return NOT_MADE, trn(
            "{n} plant noted as going out of this group between {since} and {until} does not show in the counts: noted twice,"
            " or not done? Look at submission {submission}.",
            "{n} plants noted as going out of this group between {since} and {until} do not show in the counts: noted twice,"
            " or not done? Look at submission {submission}.",
            n,
            submission=instance_id,
            **between,
        )
    return NOT_MADE, trn(
        "{n} plant noted as going into this group between {since} and {until} does not show in the counts: noted twice, or not"
        " done? Look at submission {submission}.",
        "{n} plants noted as going into this group between {since} and {until} do not show in the counts: noted twice, or not"
        " done? Look at submission {submission}.",
        n,
        submission=instance_id,
        **between,
    )


def put_in_words(work: Work) -> None:
    """work.doubts: one row for each flagged count and each unexplained change beyond the tolerances."""
    kinds = {"group_code": "VARCHAR", "on_date": "DATE", "instance_ids": "VARCHAR"}
    kinds |= dict.fromkeys(("counted", "expected", "difference"), "BIGINT")
    kinds |= {"likely_cause": "VARCHAR", "confidence": "DOUBLE", "advice": "VARCHAR", "other_group": "VARCHAR"}
    settings = work.context.workspace.settings
    doubts = _flagged(work, settings) + _unexplained(work, settings) + _openings(work)
    work.put("doubts", kinds, [d.row() for d in doubts])
