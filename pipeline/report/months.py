"""Month by month: the last two years as frozen rows, and the four numbers that stand above all others, each beside the last
month and the same month of last year."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from formpack.words import many, month, number, percent, tr, trn
from pipeline.formulas.usual import OUT_OF_LINE, UNUSUAL
from pipeline.rates.losses import NOT_RECORDED
from pipeline.store import Store

MONTHS = ("months", "month_parts", "day")
"""The tables that are read here."""
SHOWN = 24
"""Months that are shown, beside the one that is not over."""
_HELD = "rate usual usual_low usual_high chance chance_last chance_year".split()
_HALF_A_MONTH = 16
"""From this day on the last end of a month is nearer to a month ago than the one before."""


@dataclass(frozen=True)
class Held:
    """A share of a month and, where enough months were before it, what was usual: `low` to `high` in 95 of 100 by chance alone,
    the chance of a month so far out, and that of so large a change on the month before and on that of a year before."""

    share: float | None
    middle: float | None
    low: float | None
    high: float | None
    chance: float | None
    chance_last: float | None
    chance_year: float | None


@dataclass(frozen=True)
class Month:
    """`lost` is what was recorded but for what was culled at openings, of `at_risk` plants; `stands` is at its end, or now."""

    first: dt.date
    until: dt.date
    is_over: bool
    opened: int
    culled_at_opening: int
    budded: int
    read: int
    taken: int
    take_low: float | None
    take_high: float | None
    lost: int
    not_recorded: int
    at_risk: int
    delivered: int
    stands: int
    low: int
    high: int
    take: Held
    losses: Held


@dataclass(frozen=True)
class Change:
    """What a number is beside that of another month: the difference in its own unit, whether chance alone would not make it
    (None where that cannot be told), and both in words. Without data there is no difference."""

    difference: float | None
    is_one: bool | None
    says: str


@dataclass(frozen=True)
class Headline:
    """A number that stands large, with its 95 % interval where it has one. `kind` is that of a column (`blocks.KINDS`);
    `beside` says what the label does not: out of how many, and what is usual."""

    name: str
    label: str
    value: float | None
    low: float | None
    high: float | None
    kind: str
    beside: str
    change_last: Change
    change_year: Change


def gather_months(store: Store) -> list[Month]:
    """Every month there is, in order; the last is the one that is not over."""
    take, lost = (", ".join(f"{what}_{name}" for name in _HELD) for what in ("take", "lost"))
    rows = store.rows(
        "SELECT month, until_on, is_over, opened, culled_at_opening, budded, read, taken, take_low, take_high, lost,"
        f" not_recorded, at_risk, delivered, stands, stands_low, stands_high, {take}, {lost} FROM months ORDER BY month"
    )
    return [Month(*[*r[:17], Held(*r[17:24]), Held(*r[24:])]) for r in rows]


def parts_of_months(store: Store, kind: str) -> dict[tuple[dt.date, str], int]:
    """(month, level) -> plants of one kind of `month_parts`."""
    rows = store.rows("SELECT month, level, plants FROM month_parts WHERE kind = ? AND level <> 'all'", [kind])
    return {(first, level): plants for first, level, plants in rows}


def cause_words() -> dict[str, str]:
    """What causes are called in the language that is spoken."""
    from formpack.catalog import causes, text_in

    return {c["name"]: text_in(c, "label") for c in causes()} | {NOT_RECORDED: tr("gone without a record")}


def in_thousand(share: float) -> str:
    """A share as so many in 1,000; to one decimal where it is less than ten."""
    return number(1000 * share, 1 if 0 < share < 0.00995 else 0)


def headlines(months: Sequence[Month]) -> list[Headline]:
    """What stands on the day; and what was lost, took and was delivered in the last month that is over. Of all months there
    are, as of `gather_months`; none before anything was opened."""
    if not months:
        return []
    over = months[-2] if len(months) > 1 else None
    return [_standing(months), _lost(months, over), _take(months, over), _delivered(months, over)]


def month_ago(months: Sequence[Month], now: Month, a_year: bool = False) -> Month | None:
    """The month whose end is nearest to a month, or a year, before the day of the one that is not over; None before the
    first."""
    back = (1 if now.until.day >= _HALF_A_MONTH else 2) + (11 if a_year else 0)
    return _back(months, back)


def _back(months: Sequence[Month], back: int) -> Month | None:
    return months[-1 - back] if back < len(months) else None


def _nothing_yet() -> Change:
    return Change(None, None, tr("no data yet"))


def _standing(months: Sequence[Month]) -> Headline:
    now = months[-1]
    return Headline(
        "stands",
        tr("plants stand on {day}", day=now.until),
        now.stands,
        now.low,
        now.high,
        "number",
        tr("{low} to {high} in 95 of 100 cases", low=now.low, high=now.high),
        _grown(now, month_ago(months, now)),
        _grown(now, month_ago(months, now, a_year=True)),
    )


def _grown(now: Month, then: Month | None) -> Change:
    """What stands now beside the end of a former month: no change where what is not known of both covers it."""
    if then is None:
        return _nothing_yet()
    difference = now.stands - then.stands
    unknown = math.hypot(now.high - now.low, then.high - then.low) / 2
    if abs(difference) <= unknown:
        return Change(difference, False, tr("as many as on {day}, as far as counts tell", day=then.until))
    if difference > 0:
        return Change(difference, True, tr("{n} more than on {day}", n=difference, day=then.until))
    return Change(difference, True, tr("{n} fewer than on {day}", n=-difference, day=then.until))


def _lost(months: Sequence[Month], over: Month | None) -> Headline:
    label = tr("plants lost in {month}", month=month(over.first)) if over else tr("plants lost in a month")
    changes = [_other_loss(over, _back(months, back), back == 2) for back in (2, 13)]
    return Headline(
        "lost",
        label,
        over.lost if over else None,
        None,
        None,
        "number",
        _losses_beside(over) if over else _not_over(),
        *changes,
    )


def _not_over() -> str:
    return tr("No month is over yet.")


def said_losses(of: Month) -> str:
    """What was lost in a month, of how many plants, beside what was usual."""
    if not of.at_risk or of.losses.share is None:
        return tr("No plants stood in {month}.", month=month(of.first))
    said = trn(
        "In {month} {n} of {plants} was recorded as lost, {rate} in 1,000.",
        "In {month} {n} of {plants} were recorded as lost, {rate} in 1,000.",
        of.lost,
        month=month(of.first),
        plants=many(of.at_risk, "plant"),
        rate=in_thousand(of.losses.share),
    )
    return f"{said} {said_usual(of.losses, in_thousand)}"


def _losses_beside(of: Month) -> str:
    """What a card does not say yet: of how many, and what is usual."""
    if not of.at_risk or of.losses.share is None:
        return said_losses(of)
    of_how_many = tr("of {plants}, {rate} in 1,000.", plants=many(of.at_risk, "plant"), rate=in_thousand(of.losses.share))
    return f"{of_how_many} {said_usual(of.losses, in_thousand)}"


def _take_beside(of: Month) -> str:
    if not of.read or of.take.share is None:
        return said_take(of)
    return " ".join((tr("{taken} of {read} buds.", taken=of.taken, read=of.read), said_usual(of.take, percent)))


def said_take(of: Month) -> str:
    """How the buds read in a month had taken, beside what was usual."""
    if not of.read or of.take.share is None:
        return tr("No buds were read in {month}.", month=month(of.first))
    given: dict[str, Any] = {"taken": of.taken, "read": of.read, "month": month(of.first), "rate": percent(of.take.share)}
    return " ".join((tr("Of {read} buds read in {month} {taken} had taken, {rate}.", **given), said_usual(of.take, percent)))


def said_usual(held: Held, shown: Callable[[float], str]) -> str:
    """What is usual, and whether the month is out of it."""
    if held.low is None or held.high is None or held.chance is None:
        return tr("There are too few months before it to say what is usual.")
    given = {"low": shown(held.low), "high": shown(held.high)}
    if held.chance >= UNUSUAL:
        return tr("Usual is {low} to {high}.", **given)
    if held.chance >= OUT_OF_LINE:
        return tr("Usual is {low} to {high}: by chance alone a month lies outside in 1 of 20.", **given)
    return tr("Usual is {low} to {high}: by chance alone a month lies so far outside in less than 1 of 500.", **given)


def _other_loss(over: Month | None, then: Month | None, is_last: bool) -> Change:
    if over is None or then is None or over.losses.share is None or then.losses.share is None:
        return _nothing_yet()
    difference = over.losses.share - then.losses.share
    chance = over.losses.chance_last if is_last else over.losses.chance_year
    given = {"rate": in_thousand(then.losses.share), "month": month(then.first)}
    if chance is None:
        return Change(difference, None, tr("{rate} in 1,000 in {month}; too few months to tell it from chance", **given))
    if chance >= UNUSUAL:
        return Change(difference, False, tr("{rate} in 1,000 in {month}: no real difference", **given))
    if difference > 0:
        return Change(difference, True, tr("more than in {month}, {rate} in 1,000", **given))
    return Change(difference, True, tr("fewer than in {month}, {rate} in 1,000", **given))


def _take(months: Sequence[Month], over: Month | None) -> Headline:
    label = tr("of the buds read in {month} took", month=month(over.first)) if over else tr("of the buds read in a month took")
    held = (over.take.share, over.take_low, over.take_high) if over else (None, None, None)
    changes = [_other_take(over, _back(months, back), back == 2) for back in (2, 13)]
    return Headline("take", label, *held, "share", _take_beside(over) if over else _not_over(), *changes)


def _other_take(over: Month | None, then: Month | None, is_last: bool) -> Change:
    if over is None or then is None:
        return _nothing_yet()
    if then.take.share is None:
        return Change(None, None, tr("no buds were read in {month}", month=month(then.first)))
    given = {"rate": percent(then.take.share), "month": month(then.first)}
    if over.take.share is None:
        return Change(None, None, tr("{rate} in {month}", **given))
    difference = over.take.share - then.take.share
    chance = over.take.chance_last if is_last else over.take.chance_year
    if chance is None:
        return Change(difference, None, tr("{rate} in {month}; too few months to tell it from chance", **given))
    if chance >= UNUSUAL:
        return Change(difference, False, tr("{rate} in {month}: no real difference", **given))
    if difference > 0:
        return Change(difference, True, tr("better than in {month}, {rate}", **given))
    return Change(difference, True, tr("worse than in {month}, {rate}", **given))


def _delivered(months: Sequence[Month], over: Month | None) -> Headline:
    label = tr("plants delivered in {month}", month=month(over.first)) if over else tr("plants delivered in a month")
    changes = [_other_number(over, _back(months, back)) for back in (2, 13)]
    said = tr("{n} so far in {month}", n=months[-1].delivered, month=month(months[-1].first))
    return Headline("delivered", label, over.delivered if over else None, None, None, "number", said, *changes)


def _other_number(over: Month | None, then: Month | None) -> Change:
    """What was delivered was written down, so any difference is one."""
    if over is None or then is None:
        return _nothing_yet()
    difference = over.delivered - then.delivered
    if difference > 0:
        return Change(difference, True, tr("{n} more than in {month}", n=difference, month=month(then.first)))
    if difference < 0:
        return Change(difference, True, tr("{n} fewer than in {month}", n=-difference, month=month(then.first)))
    return Change(0, False, tr("as many as in {month}", month=month(then.first)))
