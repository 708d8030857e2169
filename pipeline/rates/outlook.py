"""What is ahead: how many to begin with for an order, and what will be ready when, against what is ordered."""

from __future__ import annotations

import datetime as dt
import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.findings import Refused
from pipeline.formulas.overdispersion import beta_binomial, design_effect, rho_within
from pipeline.formulas.requirement import DRAWS, SEED, StepRate, draw_through, enough_through
from pipeline.rates.losses import STAGES
from pipeline.settings import Settings
from pipeline.stages import Work
from pipeline.store import Store

STEPS = ("transplanted", "bagged", "budded", "read", "cut_back", "staked", "topped")
"""What is begun with in each step, in order; what comes through the last is a tree."""
STEP_WORDS = {
    "transplanted": "seedlings to transplant",
    "bagged": "seedlings to bag",
    "budded": "buds to set",
    "read": "buds that took",
    "cut_back": "trees cut back",
    "staked": "trees staked",
    "topped": "trees topped",
}
_STEP_OF_STAGE = {stage: at for at, stage in enumerate(STAGES)}
TABLES = ("projection", "order_faults", "unknown_steps", "step_counts", "stage_ages", "openings", "origins")
"""The tables that a plan and the projection are read from."""
_LEAST_GROUPS, _LEAST_PLANTS = 5, 500
_READY_AFTER_BUDDING = 270
_AGE_AT_OPENING = """
SELECT median(g.opened_on - o.sow_date)::BIGINT
FROM work.openings g JOIN work.origins o USING (group_code)
WHERE o.from_group IS NULL
"""
_BUDDED = """
WITH buds AS (
    SELECT group_code, max(budded_on) AS budded_on, coalesce(sum(green), 0)::BIGINT AS live,
        sum(CASE WHEN read_on IS NULL THEN buds_set ELSE unsure END)::BIGINT AS waiting
    FROM work.lots
    GROUP BY group_code
)
SELECT s.group_code, coalesce(s.rootstock, ''), coalesce(s.scion, ''), s.stage, s.estimate, s.low, s.high,
    greatest((o.sow_date + to_months($1))::DATE, b.budded_on + $2::INTEGER), b.live, b.waiting
FROM work.standing s LEFT JOIN work.origins o USING (group_code) JOIN buds b USING (group_code)
WHERE s.stage <> 'gone' AND s.scion IS NOT NULL
ORDER BY s.group_code
"""
_SENT = """
SELECT order_ref, sum(quantity)::BIGINT FROM work.deliveries WHERE coalesce(fits, true) GROUP BY order_ref
"""
_ORDERS = """
SELECT code, coalesce(scion, ''), coalesce(rootstock, ''), TRY_CAST(quantity AS BIGINT), TRY_CAST(wanted_on AS DATE)
FROM work.list_orders
WHERE code NOT IN (SELECT code FROM work.order_faults)
ORDER BY code
"""
_Pair = tuple[str, str]


@dataclass(frozen=True)
class Rate:
    """The rate of a step: from which level it was taken, and on how much it rests."""

    step: str
    level: str
    groups: int
    began: int
    through: int
    known: StepRate


def _fitted(through: Any, began: Any) -> StepRate:
    """The share that comes through, how well it is known and how groups differ: by likelihood, by moments where that fails."""
    y, n = np.asarray(through, dtype=float), np.asarray(began, dtype=float)
    if 0 < y.sum() < n.sum() and len(y) > 1:
        found = beta_binomial(y, n, np.ones((len(y), 1)))
        if found.converged and np.isfinite(found.errors[0]):
            return StepRate(float(1 / (1 + np.exp(-found.coefficients[0]))), float(found.errors[0]), found.rho)
    share = (y.sum() + 0.5) / (n.sum() + 1)
    rho = rho_within(y, n, np.zeros(len(y))).rho
    return StepRate(float(share), float(np.sqrt(design_effect(n, rho) / (n.sum() * share * (1 - share)))), rho)


class Rates:
    """The rates of all steps, for any pair: from the pair's own groups where they are enough, else from its rootstock's, else
    from all of the nursery's. Each level is fitted once, whichever pairs ask for it."""

    def __init__(self, work: Work | Store) -> None:
        self.groups: dict[tuple[str, ...], list[tuple[int, int]]] = {}
        for step, stock, scion, began, through in work.rows(
            "SELECT step, coalesce(rootstock, ''), coalesce(scion, ''), began, through FROM work.step_counts ORDER BY ALL"
        ):
            for level in ((step, stock, scion), (step, stock), (step,)):
                self.groups.setdefault(level, []).append((began, max(0, min(began, through))))
        self.found: dict[tuple[str, ...], Rate | None] = {}

    def of(self, step: str, rootstock: str, scion: str) -> Rate | None:
        """The rate of a step for a pair; nothing where no group has been through it."""
        levels = ((step, rootstock, scion), (step, rootstock), (step,))
        return next((rate for level in levels[step not in STEPS[2:] :] if (rate := self._of_level(level))), None)

    def _of_level(self, level: tuple[str, ...]) -> Rate | None:
        if level not in self.found:
            began, through = (list(column) for column in zip(*self.groups.get(level, [(0, 0)]), strict=True))
            is_enough = len(began) >= _LEAST_GROUPS and sum(began) >= _LEAST_PLANTS
            name = "+".join(level[1:]) if len(level) > 1 else "all"
            self.found[level] = (
                Rate(level[0], name, len(began), sum(began), sum(through), _fitted(through, began))
                if is_enough or (len(level) == 1 and level in self.groups)
                else None
            )
        return self.found[level]


@dataclass(frozen=True)
class PlanStep:
    """How many to begin a step with, by when, at 80 and at 95 % assurance, and the rate of the step."""

    step: str
    by: dt.date | None
    at_80: int
    at_95: int
    rate: Rate


def step_words(steps: list[str]) -> str:
    """`buds that took, trees cut back`."""
    return ", ".join(STEP_WORDS[s] for s in steps)


def _months_before(day: dt.date, months: int) -> dt.date:
    year, month = divmod(day.year * 12 + day.month - 1 - months, 12)
    return dt.date(year, month + 1, 1)


def plan(work: Store, settings: Settings, rootstock: str, scion: str, trees: int, month: dt.date) -> list[PlanStep]:
    """What to begin each step with so that so many trees of a pair are ready on the first of a month. Raises Refused where
    a step has never been gone through here."""
    rates = Rates(work)
    ages = dict(work.rows("SELECT stage, days FROM work.stage_ages"))
    sown = _months_before(month, settings.intervals.despatch_months)
    chain = [rates.of(step, rootstock, scion) for step in STEPS]
    lacking = [step for step, rate in zip(STEPS, chain, strict=True) if rate is None]
    if lacking:
        raise Refused(f"No plan can be made yet: no group of this nursery is through with the step {lacking[0]!r}.")
    opened = work.value(_AGE_AT_OPENING)
    days = {"transplanted": opened, "bagged": ages.get("bag")} | {step: ages.get(step) for step in STEPS[2:]}
    found = []
    for k, step in enumerate(STEPS):
        rest = [rate.known for rate in chain[k:] if rate is not None]
        rate = chain[k]
        assert rate is not None
        try:
            numbers = [enough_through(trees, rest, settings.group_size, assurance) for assurance in (0.8, 0.95)]
        except ValueError:
            raise Refused(f"No number of plants gives {trees:,} trees: nearly none come through.") from None
        by = sown + dt.timedelta(days=days[step]) if days[step] is not None else None
        found.append(PlanStep(step, by, numbers[0], numbers[1], rate))
    return found


def sow_by(settings: Settings, month: dt.date) -> dt.date:
    """The month in which the seed of trees for a month must be sown."""
    return _months_before(month, settings.intervals.despatch_months)


def project(work: Work) -> None:
    """work.projection: trees ready by pair and month with their 80 % band, against the orders that are open."""
    settings, day = work.context.workspace.settings, work.value("SELECT as_of FROM work.day")
    rates, this_month = Rates(work), day.replace(day=1)
    ready: dict[tuple[str, str], dict[dt.date, Any]] = {}
    lag = dict(work.rows("SELECT stage, days FROM work.stage_ages")).get("ready") or _READY_AFTER_BUDDING
    unknown: set[str] = set()
    for code, stock, scion, stage, estimate, low, high, ready_on, live, waiting in work.rows(
        _BUDDED, [settings.intervals.despatch_months, lag]
    ):
        mark = zlib.crc32(code.encode())
        dice = np.random.default_rng([SEED, mark])
        stands = np.rint(np.clip(estimate + (high - low) / 3.92 * dice.standard_normal(DRAWS), low, high)).astype(np.int64)
        at = _STEP_OF_STAGE[stage]
        known = {step: rates.of(step, stock, scion) for step in STEPS}
        ahead = STEPS[max(at, 2) :]
        unknown |= {step for step in ahead if known[step] is None}
        after = [r.known for step in STEPS[max(at, 3) :] if (r := known[step])]
        if at <= 3:  # only what is green, or may be, becomes a tree; buds not read yet must take first
            take = [r.known] if (r := known["budded"]) else []
            growing = np.minimum(stands, live)
            hoped = np.minimum(stands - growing, waiting)
            left = draw_through(growing, after, settings.group_size, own_seed=mark)
            left = left + draw_through(hoped, [*take, *after], settings.group_size, own_seed=mark + 1)
        else:
            left = draw_through(stands, after, settings.group_size, own_seed=mark)
        month = max(this_month, (ready_on or day).replace(day=1))
        of_pair = ready.setdefault((stock, scion), {})
        of_pair[month] = of_pair.get(month, 0) + left
    work.put("unknown_steps", {"step": "VARCHAR"}, [(step,) for step in STEPS if step in unknown])
    _write(work, ready, _open_orders(work), this_month)


def _open_orders(work: Work) -> dict[tuple[str, str], dict[dt.date, int]]:
    """Trees still to deliver by pair and the month they are wanted in."""
    found: dict[tuple[str, str], dict[dt.date, int]] = {}
    sent = dict(work.rows(_SENT))
    for code, scion, stock, quantity, wanted in work.rows(_ORDERS):
        still = max(0, quantity - sent.get(code, 0))
        if still:
            of_pair = found.setdefault((stock, scion), {})
            month = wanted.replace(day=1)
            of_pair[month] = of_pair.get(month, 0) + still
    return found


COLUMNS = tuple(
    """
    rootstock scion month ready low high ordered overdue ready_until low_until high_until ordered_until shortfall chance_enough
    """.split()
)


def _write(
    work: Work, ready: dict[_Pair, dict[dt.date, Any]], orders: dict[_Pair, dict[dt.date, int]], this_month: dt.date
) -> None:
    rows: list[tuple[Any, ...]] = []
    for pair in sorted(set(ready) | set(orders)):
        until, ordered_until = np.zeros(DRAWS, dtype=np.int64), 0
        wanted: dict[dt.date, int] = {}
        overdue = sum(n for month, n in orders.get(pair, {}).items() if month < this_month)
        for month, n in orders.get(pair, {}).items():  # what should have gone by now is wanted now
            wanted[max(month, this_month)] = wanted.get(max(month, this_month), 0) + n
        for month in sorted(set(ready.get(pair, {})) | set(wanted)):
            own = ready.get(pair, {}).get(month, np.zeros(DRAWS, dtype=np.int64))
            until, ordered_until = until + own, ordered_until + wanted.get(month, 0)
            here, sofar = np.quantile(own, [0.5, 0.1, 0.9]), np.quantile(until, [0.5, 0.1, 0.9])
            chance = float((until >= ordered_until).mean()) if ordered_until else None
            in_month = (*(round(v) for v in here), wanted.get(month, 0), overdue if month == this_month else 0)
            by_then = (*(round(v) for v in sofar), ordered_until, max(0, ordered_until - round(sofar[0])), chance)
            rows.append((*pair, f"{month:%Y-%m}", *in_month, *by_then))
    kinds = dict.fromkeys(COLUMNS, "BIGINT") | dict.fromkeys(COLUMNS[:3], "VARCHAR") | {"chance_enough": "DOUBLE"}
    work.put("projection", kinds, rows)
