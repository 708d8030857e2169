"""Plants -> money, by the prices of nursery.toml. Where a price is not given nothing is worked out, and that is said."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass

from formpack.words import month, number, tr
from pipeline.rates.losses import STAGES
from pipeline.settings import Prices, Settings
from pipeline.store import Store

_LOST = """
SELECT rank, CASE kind WHEN 'doubt' THEN 'doubt' ELSE coalesce(cause, 'other') END, sum(quantity)::BIGINT
FROM work.placed_changes
WHERE kind IN ('culled', 'died', 'lost', 'vanished', 'doubt') AND on_date BETWEEN $1 AND $2
GROUP BY ALL ORDER BY ALL
"""
_LATE = """
SELECT order_ref, coalesce(consignee, ''), rootstock, scion, wanted_on, open
FROM orders, work.month m
WHERE wanted_on < m.begins_on AND open > 0
ORDER BY wanted_on, order_ref
"""


@dataclass(frozen=True)
class LateOrder:
    """An order that should have gone before this month, and the trees it still waits for."""

    order: str
    consignee: str
    rootstock: str
    scion: str
    wanted_on: dt.date
    trees: int


@dataclass(frozen=True)
class Losses:
    """Plants lost from a day to another: `plants` by stage and cause; `unsure` by stage, half the 95 % interval of what went
    without a record."""

    first: dt.date
    last: dt.date
    plants: dict[tuple[str, str], int]
    unsure: dict[str, float]


def amount(prices: Prices, value: float) -> str:
    """An amount with its currency: whole from a hundred on."""
    said = number(value, 0 if value >= 99.995 else 2)
    return tr("{currency} {amount}", currency=prices.currency, amount=said) if prices.currency else said


def in_money(settings: Settings, plants: int, stage: str = "", pair: tuple[str, str] | None = None) -> str | None:
    """What plants of a stage have cost, or what trees of a pair (rootstock, scion) would bring, in words; None where
    no price is given."""
    prices = settings.prices
    each = prices.of_tree(*pair) if pair else getattr(prices.cost, stage, None)
    return None if each is None else amount(prices, plants * each)


def late_orders(store: Store) -> list[LateOrder]:
    """The orders that should have gone before this month and have not, the oldest first."""
    return [LateOrder(*row) for row in store.rows(_LATE)]


def losses(store: Store, months: int = 1) -> Losses:
    """What was lost in the whole months before this one."""
    this: dt.date = store.value("SELECT begins_on FROM work.month")
    year, before = divmod(this.year * 12 + this.month - 1 - months, 12)
    first, last = dt.date(year, before + 1, 1), this - dt.timedelta(days=1)
    plants, unsure = {}, {}
    for rank, cause, n in store.rows(_LOST, [first, last]):
        if cause == "doubt":
            unsure[STAGES[rank - 1]] = math.sqrt(n) / 2
        else:
            plants[STAGES[rank - 1], cause] = n
    return Losses(first, last, plants, unsure)


def cost_of_last_month(store: Store, settings: Settings) -> str | None:
    """What the losses of the last whole month cost, as a sentence; None where no cost is given or nothing was lost."""
    lost, cost = losses(store), settings.prices.cost
    each = {stage: value for stage in STAGES if (value := getattr(cost, stage)) is not None}
    spent = sum(n * each[stage] for (stage, _), n in lost.plants.items() if stage in each)
    if not spent:
        return None
    half = math.hypot(*(n * each[stage] for stage, n in lost.unsure.items() if stage in each))
    said = amount(settings.prices, spent)
    when = month(lost.first)
    if half < spent / 1000:
        return tr("What was lost in {month} had cost {amount}.", month=when, amount=said)
    low, high = (amount(settings.prices, max(0.0, v)) for v in (spent - half, spent + half))
    return tr("What was lost in {month} had cost {amount} ({low} to {high}).", month=when, amount=said, low=low, high=high)
