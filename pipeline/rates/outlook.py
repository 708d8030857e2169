"""What is ahead: how many to begin with for an order, and what will be ready when, against what is ordered."""

from __future__ import annotations

import datetime as dt
import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np

from formpack.words import marked, number, tr
from pipeline.findings import Refused
from pipeline.formulas.overdispersion import alike_in_steps, cautious, rho_within
from pipeline.formulas.requirement import DRAWS, SEED, StepRate, draw_through, enough_through
from pipeline.formulas.survival import median_age
from pipeline.rates.losses import STAGES
from pipeline.rates.promises import PROMISES
from pipeline.settings import Settings
from pipeline.stages import Work
from pipeline.store import Store

STEPS = ("transplanted", "bagged", "budded", "read", "cut_back", "staked", "topped")
"""What is begun with in each step, in order; what comes through the last is a tree."""
STEP_WORDS = {
    "transplanted": marked("seedlings to transplant"),
    "bagged": marked("seedlings to bag"),
    "budded": marked("buds to set"),
    "read": marked("buds that took"),
    "cut_back": marked("trees cut back"),
    "staked": marked("trees staked"),
    "topped": marked("trees topped"),
}
_STEP_OF_STAGE = {stage: at for at, stage in enumerate(STAGES)}
TABLES = (*PROMISES, "step_counts", "stage_ages", "openings", "origins", "standing")
"""The tables that a plan and the projection are read from."""
_LEAST_GROUPS, _LEAST_PLANTS = 5, 500
_LEAST_FREEDOM = 3
_WIDTH = 2 * 1.959964
"""A 95 % interval is so many standard deviations wide."""
_READY_AFTER_BUDDING = 270
_AGE_AT_OPENING = """
SELECT median(g.opened_on - o.sow_date)::BIGINT
FROM work.openings g JOIN work.origins o USING (group_code)
WHERE o.from_group IS NULL
"""
_LEAST_COME = 3
_AGES = """
WITH ends AS (
    SELECT f.group_code, CASE WHEN any_value(s.stage) = 'gone' THEN max(f.on_date) ELSE any_value(d.as_of) END AS seen_until
    FROM work.movements f JOIN work.standing s USING (group_code), work.day d GROUP BY f.group_code
),
ranks AS (
    SELECT unnest(['bag', 'budded', 'read', 'cut_back', 'staked', 'topped']) AS stage, unnest([2, 3, 4, 5, 6, 7]) AS rank
),
-- a stage that is left out is not come to: it is not known when it would have been
reached AS (
    SELECT o.group_code, o.sow_date, r.stage, min(e.on_date) FILTER (WHERE e.rank = r.rank) AS on_date,
        min(e.on_date) FILTER (WHERE e.rank > r.rank) AS passed_on
    FROM work.origins o CROSS JOIN ranks r LEFT JOIN work.stage_events e USING (group_code)
    WHERE o.sow_date IS NOT NULL AND o.from_group IS NULL
    GROUP BY ALL
),
sent AS (
    SELECT group_code, min(on_date) AS on_date FROM work.movements WHERE kind = 'despatched' GROUP BY group_code
),
buds AS (
    SELECT group_code, min(budded_on) AS budded_on FROM work.lots GROUP BY group_code
)
SELECT r.stage, coalesce(r.on_date, r.passed_on, e.seen_until) - r.sow_date AS days, r.on_date IS NOT NULL AS has_come
FROM reached r JOIN ends e USING (group_code)
UNION ALL
SELECT 'ready', coalesce(s.on_date, e.seen_until) - b.budded_on, s.on_date IS NOT NULL
FROM buds b JOIN ends e USING (group_code) LEFT JOIN sent s USING (group_code)
ORDER BY ALL
"""
_STEP_COUNTS = """
SELECT step, coalesce(rootstock, ''), coalesce(scion, ''), any_value(split_part(root, ' ', 1)), sum(began)::BIGINT,
    sum(through)::BIGINT, sum(vanished)::BIGINT, sum(doubt)::BIGINT
FROM work.step_counts
GROUP BY step, root, coalesce(rootstock, ''), coalesce(scion, '')
ORDER BY ALL
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
    ANTI JOIN work.remainders USING (group_code)
WHERE s.stage <> 'gone' AND s.scion IS NOT NULL
ORDER BY s.group_code
"""
_OWED = """
SELECT rootstock, scion, order_ref, consignee, wanted_on, ordered, delivered, open, before,
    coalesce((SELECT sum(a.trees) FROM work.allotted a WHERE a.order_ref = o.order_ref AND a.of_age_on <= d.as_of), 0)::BIGINT
FROM work.owed o, work.day d WHERE fault IS NULL ORDER BY wanted_on, order_ref
"""
_Pair = tuple[str, str]


@dataclass(frozen=True)
class Owed:
    """An order that can be planned for. `before` trees of the pair are owed to older orders; of those that are of age, `of_age`
    are for this one."""

    rootstock: str
    scion: str
    order_ref: str
    consignee: str | None
    wanted_on: dt.date
    ordered: int
    delivered: int
    open: int
    before: int
    of_age: int

    def row(self, day: dt.date, until: dict[dt.date, Any], is_bound: dict[dt.date, bool]) -> tuple[Any, ...]:
        """The row of work.orders, from draws of how many trees of the pair are ready until each month, and whether all of what
        goes into them is known. The oldest order is served first. What is of age is ready, whatever may still be lost of it."""
        said = (self.order_ref, self.consignee, self.rootstock, self.scion, self.wanted_on, self.ordered, self.delivered)
        if not self.open:
            return (*said, *(0, None, 0, 0, 0, None, None))
        month = max(self.wanted_on, day).replace(day=1)
        needed = self.before + self.open
        ready = max(self.of_age, min(self.open, max(0, _middle(until[month]) - self.before)))
        chance = float((until[month] >= needed).mean()) if is_bound[month] else None
        ready_in = next((f"{m:%Y-%m}" for m, draws in sorted(until.items()) if _middle(draws) >= needed), None)
        if self.of_age == self.open:
            ready_in = f"{day:%Y-%m}"
        over = (day - self.wanted_on).days
        return (*said, self.open, over, self.of_age, ready, self.open - ready, chance, ready_in)


@dataclass(frozen=True)
class Rate:
    """The rate of a step: from which level it was taken, and on how much it rests. `recorded` is the share that would have
    come through by the records alone."""

    step: str
    level: str
    groups: int
    began: int
    through: int
    recorded: float
    known: StepRate


@dataclass(frozen=True)
class _Unit:
    """Plants that share their fate: how many began a step and came through; how many vanished, with the doubt of it; `cell`
    tells rootstocks and scions apart."""

    began: int
    through: int
    vanished: int
    doubt: int
    cell: str


def _fitted(units: list[_Unit], is_borrowed: bool) -> StepRate:
    """The share that comes through, how well it is known and how groups differ, by moments. Where the rate is not of the very
    pair alone, groups differ within pairs, and pairs too."""
    n, y = (np.array([getattr(u, name) for u in units], dtype=float) for name in ("began", "through"))
    doubt = sum(u.doubt for u in units) / _WIDTH**2
    cells = np.unique([u.cell for u in units], return_inverse=True)[1] if is_borrowed else np.zeros(len(units), dtype=int)
    many = int(cells.max()) + 1
    whole = rho_within(y, n, np.zeros(len(n)))
    within = rho_within(y, n, cells)
    within = within if len(units) >= _LEAST_GROUPS else cautious(within)
    weight = n / (1 + (n - 1) * within.rho)
    share = float((weight @ (y / n) + 0.5) / (weight.sum() + 1))
    spread = share * (1 - share)
    error = 1 / (weight.sum() * spread) + doubt / (n.sum() * spread) ** 2
    apart = max(0.0, whole.rho - within.rho) / spread if many > 1 else 0.0
    freedom = (error + apart) ** 2 / (error**2 / max(1, within.freedom) + apart**2 / max(1, many - 1))
    unit = float((n @ n) / n.sum())
    return StepRate(share, float(np.sqrt(error + apart)), within.rho, max(_LEAST_FREEDOM, float(freedom)), unit)


class Rates:
    """The rates of all steps, for any pair: from the pair's own groups where they are enough, else from its rootstock's, else
    from all of the nursery's. Each level is fitted once, whichever pairs ask for it."""

    def __init__(self, work: Work | Store) -> None:
        self.units: dict[tuple[str, ...], list[_Unit]] = {}
        all_of_them = []
        for step, stock, scion, root, began, through, vanished, doubt in work.rows(_STEP_COUNTS):
            cell = stock if step in STEPS[:2] else f"{stock}+{scion}"
            all_of_them.append((through, began, step, root, cell))
            for level in ((step, stock, scion), (step, stock), (step,)):
                self.units.setdefault(level, []).append(_Unit(began, through, vanished, doubt, cell))
        self.together = alike_in_steps(*zip(*all_of_them, strict=True)) if all_of_them else 0.0
        """How alike a group does in one step and in another."""
        self.found: dict[tuple[str, ...], Rate | None] = {}
        known = [step for step in STEPS if (step,) in self.units]
        self.skipped = {step for step in STEPS if step not in known and known and STEPS.index(step) < STEPS.index(known[-1])}
        """Steps that this nursery leaves out: plants have gone through later ones, and none through these."""

    def of(self, step: str, rootstock: str, scion: str) -> Rate | None:
        """The rate of a step for a pair; nothing where no group has been through it."""
        levels = ((step, rootstock, scion), (step, rootstock), (step,))
        return next((rate for level in levels[step not in STEPS[2:] :] if (rate := self._of_level(level))), None)

    def _of_level(self, level: tuple[str, ...]) -> Rate | None:
        if level not in self.found:
            units = self.units.get(level, [])
            began, through, vanished = (sum(getattr(u, name) for u in units) for name in ("began", "through", "vanished"))
            is_enough = len(units) >= _LEAST_GROUPS and began >= _LEAST_PLANTS
            name = "+".join(level[1:]) if len(level) > 1 else "all"
            is_borrowed = len(level) < (2 if level[0] in STEPS[:2] else 3)
            self.found[level] = None
            if is_enough or (len(level) == 1 and units):
                recorded = (through + vanished) / began
                known = _fitted(units, is_borrowed)._replace(together=self.together)
                self.found[level] = Rate(level[0], name, len(units), began, through, recorded, known)
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
    return ", ".join(tr(STEP_WORDS[s]) for s in steps)


def _months_before(day: dt.date, months: int) -> dt.date:
    year, month = divmod(day.year * 12 + day.month - 1 - months, 12)
    return dt.date(year, month + 1, 1)


def plan(work: Store, settings: Settings, rootstock: str, scion: str, trees: int, month: dt.date) -> list[PlanStep]:
    """What to begin each step with so that so many trees of a pair are ready on the first of a month. A step that the nursery
    leaves out is left out. Raises Refused where a step that is not has never been gone through here."""
    rates = Rates(work)
    ages = dict(work.rows("SELECT stage, days FROM work.stage_ages"))
    sown = _months_before(month, settings.intervals.despatch_months)
    steps = [step for step in STEPS if step not in rates.skipped]
    chain = [rates.of(step, rootstock, scion) for step in steps]
    lacking = [step for step, rate in zip(steps, chain, strict=True) if rate is None]
    if lacking:
        raise Refused(
            tr(
                "No plan can be made yet: no group of this nursery is through with the step '{step}', so there are no data"
                " to say how many come through it.",
                step=lacking[0],
            )
        )
    opened = work.value(_AGE_AT_OPENING)
    days = {"transplanted": opened, "bagged": ages.get("bag")} | {step: ages.get(step) for step in STEPS[2:]}
    found: list[PlanStep] = []
    known = _in_groups_to_come([rate for rate in chain if rate is not None], settings.group_size)
    for k, (step, rate) in enumerate(zip(steps, chain, strict=True)):
        assert rate is not None
        rest = known[k:]
        try:
            numbers = [enough_through(trees, rest, settings.group_size, assurance) for assurance in (0.8, 0.95)]
        except ValueError:
            raise Refused(
                tr("No number of plants gives {trees} trees: nearly none come through.", trees=number(trees))
            ) from None
        by = None
        if days[step] is not None:  # no step is before the one before it
            by = max([sown + dt.timedelta(days=days[step]), *(s.by for s in found if s.by)])
        found.append(PlanStep(step, by, numbers[0], numbers[1], rate))
    return found


def _in_groups_to_come(chain: list[Rate], group_size: int) -> list[StepRate]:
    """What is known of the steps, for groups that begin with as many plants as groups are to have, where those so far were
    smaller: the fewer the groups, the more depends on each. Buds share their fate by lots."""
    found, size = [], float(group_size)
    for rate in chain:
        found.append(rate.known if rate.step == "budded" else rate.known._replace(unit=max(rate.known.unit, size)))
        size *= rate.known.share
    return found


@dataclass(frozen=True)
class Stands:
    """What stands of a pair now: its budded groups and plants, and the trees of it that will be ready by month (month, ready,
    low, high; no band where nothing has gone through a step that is ahead); and the groups of its rootstock that are not
    budded yet, with the months in which their trees can be ready."""

    groups: int
    plants: int
    ready: list[tuple[str, int, int | None, int | None]]
    not_budded_groups: int
    not_budded_plants: int
    not_budded_ready: tuple[str, str] | None


def what_stands(work: Store, settings: Settings, rootstock: str, scion: str) -> Stands:
    """What there is of a pair already, for when it is too late to sow."""
    groups, plants = work.rows(
        "SELECT count(*), coalesce(sum(estimate), 0)::BIGINT FROM work.standing"
        " WHERE rootstock = ? AND scion = ? AND stage <> 'gone'",
        [rootstock, scion],
    )[0]
    ready = work.rows(
        "SELECT month, ready, low, high FROM work.projection WHERE rootstock = ? AND scion = ? AND ready > 0 ORDER BY month",
        [rootstock, scion],
    )
    young = work.rows(
        "SELECT s.estimate, (o.sow_date + to_months($2))::DATE FROM work.standing s LEFT JOIN work.origins o USING (group_code)"
        " WHERE s.rootstock = $1 AND s.scion IS NULL AND s.stage IN ('tray', 'bag') ORDER BY ALL",
        [rootstock, settings.intervals.despatch_months],
    )
    months = sorted(f"{on:%Y-%m}" for _, on in young if on is not None)
    reach = (months[0], months[-1]) if months else None
    return Stands(groups, plants, ready, len(young), sum(n for n, _ in young), reach)


def sow_by(settings: Settings, month: dt.date) -> dt.date:
    """The month in which the seed of trees for a month must be sown."""
    return _months_before(month, settings.intervals.despatch_months)


def estimate_ages(work: Work) -> None:
    """work.stage_ages: how many days after sowing groups come to each stage, in the middle, where at least three have; and
    from the first bud to the first despatch. Groups that wait for it count with those that have come to it, for so long as
    they have waited: by those alone that were quick the middle would be too early. Empty where not half have come to it."""
    found = []
    waits: dict[str, list[tuple[int, bool]]] = {}
    for stage, days, has_come in work.rows(_AGES):
        waits.setdefault(stage, []).append((max(0, days), has_come))
    for stage in (*STAGES[1:], "ready"):
        days = np.array([d for d, _ in waits.get(stage, [])], dtype=np.int64)
        has_come = np.array([c for _, c in waits.get(stage, [])], dtype=bool)
        if has_come.sum() >= _LEAST_COME:
            middle = median_age(days, has_come)
            found.append((stage, None if middle is None else round(middle), int(has_come.sum()), int((~has_come).sum())))
    work.put("stage_ages", {"stage": "VARCHAR"} | dict.fromkeys(("days", "groups", "waiting"), "BIGINT"), found)


def project(work: Work) -> None:
    """work.projection: trees ready by pair and month with their 80 % band, against the orders that are open. Where nothing has
    gone through a step that is ahead there is no band, and no loss is counted in it."""
    settings, day = work.context.workspace.settings, work.value("SELECT as_of FROM work.day")
    rates, this_month = Rates(work), day.replace(day=1)
    ready: dict[_Pair, dict[dt.date, Any]] = {}
    lag = dict(work.rows("SELECT stage, days FROM work.stage_ages")).get("ready") or _READY_AFTER_BUDDING
    unknown: set[str] = set()
    unbound: set[tuple[_Pair, dt.date]] = set()
    for code, stock, scion, stage, estimate, low, high, ready_on, live, waiting in work.rows(
        _BUDDED, [settings.intervals.despatch_months, lag]
    ):
        mark = zlib.crc32(code.encode())
        dice = np.random.default_rng([SEED, mark])
        stands = np.rint(np.clip(estimate + (high - low) / 3.92 * dice.standard_normal(DRAWS), low, high)).astype(np.int64)
        at = _STEP_OF_STAGE[stage]
        known = {step: rates.of(step, stock, scion) for step in STEPS}
        after = [r.known for step in STEPS[max(at, 3) :] if (r := known[step])]
        ahead = STEPS[max(at, 3) :]
        if at <= 3:  # only what is green, or may be, becomes a tree; buds not read yet must take first
            take = [r.known] if (r := known["budded"]) else []
            growing = np.minimum(stands, live)
            hoped = np.minimum(stands - growing, waiting)
            left = draw_through(growing, after, settings.group_size, own_seed=mark)
            left = left + draw_through(hoped, [*take, *after], settings.group_size, own_seed=mark + 1)
            ahead = STEPS[2:] if waiting and at <= 3 else ahead
        else:
            left = draw_through(stands, after, settings.group_size, own_seed=mark)
        month = max(this_month, (ready_on or day).replace(day=1))
        lacking = {step for step in ahead if known[step] is None and step not in rates.skipped}
        if lacking:
            unknown |= lacking
            unbound.add(((stock, scion), month))
        of_pair = ready.setdefault((stock, scion), {})
        of_pair[month] = of_pair.get(month, 0) + left
    work.put("unknown_steps", {"step": "VARCHAR"}, [(step,) for step in STEPS if step in unknown])
    owed = [Owed(*row) for row in work.rows(_OWED)]
    work.put("orders", _ORDERS, _write(work, ready, unbound, owed, day))


def _middle(draws: Any) -> int:
    return round(float(np.quantile(draws, 0.5)))


def _band(draws: Any, is_known: bool) -> tuple[int, int | None, int | None]:
    """The middle and the 80 % band; no band where there are no data for it."""
    middle, (low, high) = _middle(draws), (round(v) for v in np.quantile(draws, [0.1, 0.9]))
    return (middle, low, high) if is_known else (middle, None, None)


COLUMNS = tuple(
    """
    rootstock scion month ready low high ordered overdue ready_until low_until high_until ordered_until shortfall chance_enough
    holds_80 holds_95 free free_80 free_95
    """.split()
)
_ORDERS = {
    **dict.fromkeys(("order_ref", "consignee", "rootstock", "scion"), "VARCHAR"),
    "wanted_on": "DATE",
    **dict.fromkeys(("ordered", "delivered", "open", "days_over", "of_age", "ready", "short"), "BIGINT"),
    "chance_met": "DOUBLE",
    "ready_in": "VARCHAR",
}


def _holds(draws: Any, is_known: bool) -> tuple[int | None, int | None]:
    """The numbers that hold in 8 of 10 and in 95 of 100 cases; none where there are no data for it."""
    in_8_of_10, in_95_of_100 = (int(v) for v in np.quantile(draws, [0.2, 0.05], method="lower"))
    return (in_8_of_10, in_95_of_100) if is_known else (None, None)


def _write(
    work: Work, ready: dict[_Pair, dict[dt.date, Any]], unbound: set[tuple[_Pair, dt.date]], owed: list[Owed], day: dt.date
) -> list[tuple[Any, ...]]:
    """Writes work.projection; returns the rows of work.orders."""
    rows: list[tuple[Any, ...]] = []
    orders: list[tuple[Any, ...]] = []
    none, this_month = np.zeros(DRAWS, dtype=np.int64), day.replace(day=1)
    of_pair: dict[_Pair, list[Owed]] = {}
    for order in owed:
        of_pair.setdefault((order.rootstock, order.scion), []).append(order)
    for pair in sorted(set(ready) | set(of_pair)):
        wanted: dict[dt.date, int] = {}
        overdue = 0
        for order in of_pair.get(pair, []):
            if order.open:  # what should have gone by now is wanted now
                month = max(order.wanted_on.replace(day=1), this_month)
                wanted[month] = wanted.get(month, 0) + order.open
                overdue += order.open if order.wanted_on.replace(day=1) < this_month else 0
        months = sorted(set(ready.get(pair, {})) | set(wanted))
        until, is_bound = {}, {}
        so_far, is_so = none, True
        for month in months:
            so_far, is_so = so_far + ready.get(pair, {}).get(month, none), is_so and (pair, month) not in unbound
            until[month], is_bound[month] = so_far, is_so
        ordered_until = {month: sum(n for other, n in wanted.items() if other <= month) for month in months}
        free, left = {}, until[months[-1]] if months else none
        for month in reversed(months):  # what a later order needs is not free before
            left = np.minimum(left, until[month] - ordered_until[month])
            free[month] = np.maximum(left, 0)
        for month in months:
            own, sofar = ready.get(pair, {}).get(month, none), until[month]
            chance = float((sofar >= ordered_until[month]).mean()) if ordered_until[month] and is_bound[month] else None
            in_month = (*_band(own, (pair, month) not in unbound), wanted.get(month, 0), overdue if month == this_month else 0)
            by_then = (*_band(sofar, is_bound[month]), ordered_until[month])
            is_sure = is_bound[max(month, *wanted)] if wanted else is_bound[month]
            promise = (*_holds(sofar, is_bound[month]), _middle(free[month]), *_holds(free[month], is_sure))
            short = max(0, ordered_until[month] - by_then[0])
            rows.append((*pair, f"{month:%Y-%m}", *in_month, *by_then, short, chance, *promise))
        for order in of_pair.get(pair, []):
            orders.append(order.row(day, until, is_bound))
    kinds = dict.fromkeys(COLUMNS, "BIGINT") | dict.fromkeys(COLUMNS[:3], "VARCHAR") | {"chance_enough": "DOUBLE"}
    work.put("projection", kinds, rows)
    return sorted(orders, key=lambda row: (row[4], row[0]))
