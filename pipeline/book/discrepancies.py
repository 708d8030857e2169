"""Doubtful counts and unexplained changes -> sentences: what stands, which count is wrong and how, whom to ask."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from formpack.group_code import shown
from formpack.words import many
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


def said_day(day: dt.date) -> str:
    """`3 March 2026`."""
    return f"{day.day} {day:%B %Y}"


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
    numbers = [f"{n:,}" for n in parts]
    said = f"{', '.join(numbers[:-1])} and {numbers[-1]} were written" if len(parts) > 1 else f"{numbers[0]} was written"
    is_apart = sum(parts) + taken_out == counted and taken_out > 0
    taken = f" and {taken_out:,} taken out" if is_apart else ""
    together = f", {counted:,} together" if len(parts) > 1 or is_apart else ""
    within = f", of which {taken_out:,} {'was' if taken_out == 1 else 'were'} taken out" if taken_out and not is_apart else ""
    return f"{said}{taken}{together}{within}, about {expected:,} stood"


def _how(way: int, counted: int, expected: int, crate: int, other: str | None, meant: str) -> tuple[str, str]:
    """(likely_cause, a clause that follows `the count of 3 March`) of a count that is quite wrong."""
    crates = max(1, round(abs(counted - expected) / max(crate, 1)))
    boxes = "one crate" if crates == 1 else f"{crates} crates"
    if way == 0:
        return MISCOUNTED, f"is off ({meant})"
    known = {
        SWAPPED: f"probably has two digits swapped ({meant})",
        DIGIT: f"probably has one digit wrong ({meant})",
        LENGTH: f"probably has a digit too many or too few ({meant})",
        LEFT_OUT: f"probably left out {boxes} ({meant})",
        TWICE: f"probably has {boxes} counted twice ({meant})",
        SHOWN: f"is probably the number the phone showed, not a count ({meant})",
        OTHER: f"probably belongs to {f'group {shown(other)}' if other else 'another group'} ({meant})",
    }
    if way - 1 in known:
        return WAYS[way - 1], known[way - 1]
    return UNKNOWN, f"does not fit ({meant})"


def _ask(staff: str | None) -> str:
    return (staff or "whoever counted").replace(" ", " and ")


def count_again(staff: str | None, everybody: set[str]) -> str:
    """Whom to ask for a recount: somebody else than who counted, where anybody else counts."""
    if staff and everybody - set(staff.split()):
        return f"have somebody other than {staff.replace(' ', ' or ')} count again"
    return f"ask {_ask(staff)} to count again"


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
        stand = f"{estimate:,} stand now ({low:,} to {high:,})" if low < high else f"{estimate:,} stand now"
        partner = swapped.get((code, ids))
        other = partner or (others.get((code, ids)) if way - 1 == OTHER else None)
        if partner:
            cause, clause = EXCHANGED, f"was probably exchanged with that of group {shown(partner)}"
        else:
            words = _written(typed or "", counted, taken_out, expected)
            by = way - 1 if way - 1 in (SWAPPED, DIGIT, LENGTH) else None
            slip = _meant(typed or "", counted, stands, settings.crate_size, by)
            if slip and way - 1 not in (LEFT_OUT, TWICE, SHOWN, OTHER):
                words += f"; {slip[1]:,} may have been meant" + (f" by {slip[0]:,}" if " " in (typed or "") else "")
            cause, clause = _how(way, counted, expected, settings.crate_size, other, words)
        if is_last and wrong < 0.8:
            clause += (
                f", or {many(expected - counted, 'plant')} are gone"
                if counted < expected
                else (f", or there are really {counted - expected:,} more")
            )
        if not is_borne_out:
            again = "count the group" if (day - on).days > _OLD_DAYS else count_again(staff, everybody)
            then = again if estimate else "nothing is left to count"
        elif (day - on).days > _OLD_DAYS or not estimate:
            then = "later counts bear this out, there is nothing to do"
        else:
            then = f"later counts bear this out; ask {_ask(staff)} to mend it"
        advice = f"{stand}; the count of {said_day(on)} {clause}; {then}."
        doubts.append(_Doubt(code, on, ids, counted, expected, cause, chance, advice, other))
    return doubts


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
        between = f"between {said_day(u.since_on)} and {said_day(u.on_date)}"
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
            words = _gone_words(u, between)
            slip = None
            if u.is_last:
                before = u.stands + u.missing
                slip = _meant(u.typed, u.counted, before, settings.crate_size, lost=int(_USUAL_LOSS * before))
            if slip:
                words = (
                    f"{words[:-1]}; or {slip[1]:,} may have been meant by {slip[0]:,}: {count_again(u.staff_codes, everybody)}."
                )
            chance = u.chance * (1 - u.paired - sum(u.jumps))
            doubts.append(u.doubt(LOSS if u.missing > 0 else GAIN, chance, words))
    return doubts


def _move_words(u: _Change, between: str) -> str:
    way = "left for" if u.missing > 0 else "came from"
    return (
        f"About {many(u.size, 'plant')} {way} group {shown(u.other_group or '')} {between} and nobody wrote it down;"
        f" ask {_ask(u.staff_codes)}, and send a transfer with the day it happened."
    )


def _gone_words(u: _Change, between: str) -> str:
    if u.missing <= 0:
        return f"{many(-u.missing, 'plant')} more than can be explained {between}; look for a move into this group."
    span = f" ({abs(u.low):,} to {abs(u.high):,})" if u.low != u.high else ""
    return f"{many(u.missing, 'plant')}{span} went missing {between}; look for dead ones thrown out or a move not written down."


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
        advice = (
            f"All counts say that about {really:,} were there when the group was opened, not {written:,}; look at the opening."
        )
        doubts.append(_Doubt(code, on, ids, written, really, OPENING, wrong, advice))
    return doubts


def _jump_words(is_late: bool, amount: int, between: str, instance_id: str) -> tuple[str, str]:
    if is_late:
        return LATE_LOSS, (
            f"The loss of {many(abs(amount), 'plant')} noted {between} had been missed by the count before;"
            " the book takes it off once."
        )
    way = "out of" if amount > 0 else "into"
    return NOT_MADE, (
        f"{many(abs(amount), 'plant')} noted as going {way} this group {between} do not show in the counts: noted twice, or not"
        f" done? Look at submission {instance_id}."
    )


def put_in_words(work: Work) -> None:
    """work.doubts: one row for each flagged count and each unexplained change beyond the tolerances."""
    kinds = {"group_code": "VARCHAR", "on_date": "DATE", "instance_ids": "VARCHAR"}
    kinds |= dict.fromkeys(("counted", "expected", "difference"), "BIGINT")
    kinds |= {"likely_cause": "VARCHAR", "confidence": "DOUBLE", "advice": "VARCHAR", "other_group": "VARCHAR"}
    settings = work.context.workspace.settings
    doubts = _flagged(work, settings) + _unexplained(work, settings) + _openings(work)
    work.put("doubts", kinds, [d.row() for d in doubts])
