"""Movements -> how many plants come through, by three clocks, and what the others are lost to."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.formulas.overdispersion import pooled_interval, ratio_effect_of_sums
from pipeline.formulas.survival import (
    Curve,
    Losses,
    incidences,
    kaplan_meier,
    log_log_interval,
    log_rank,
    product,
    survival_of,
)
from pipeline.stages import Work

STAGES = ("tray", "bag", "budded", "read", "cut_back", "staked", "topped")
DAYS_A_STEP = 5
_EVERY = 10
LEAST_AT_RISK = 100
"""No row of survival rests on fewer plants at risk, in the table and on the page."""
NOT_RECORDED = "not_recorded"
_WIDTH = 2 * 1.959964
"""A 95 % interval is so many standard deviations wide."""
_SURVIVAL = (
    dict.fromkeys(("by", "level", "clock", "step"), "VARCHAR")
    | dict.fromkeys(("at_risk", "lost", "recorded", "left"), "BIGINT")
    | dict.fromkeys(("survival", "se", "low", "high", "survival_recorded"), "DOUBLE")
)
_CAUSES = (
    dict.fromkeys(("by", "level", "cause", "stage"), "VARCHAR")
    | {"lost": "BIGINT"}
    | dict.fromkeys(("share", "cumulative", "low", "high", "share_recorded"), "DOUBLE")
)
_TESTS = (
    dict.fromkeys(("by", "clock"), "VARCHAR")
    | dict.fromkeys(("levels", "groups"), "BIGINT")
    | {"chi2": "DOUBLE", "freedom": "BIGINT", "p_value": "DOUBLE"}
)
_CAUSES_BY_STAGE = """
WITH entered AS (
    SELECT root, rank, sum(passed + lost + vanished + still + still_lost)::BIGINT AS n
    FROM work.stage_plants WHERE $1 = 'all' OR rootstock = $2 GROUP BY ALL
),
own AS (
    SELECT coalesce(root, group_code) AS root, rank, cause, kind, quantity
    FROM work.stage_losses WHERE $1 = 'all' OR rootstock = $2
),
taken AS (
    SELECT root, rank, cause, sum(quantity)::BIGINT AS y
    FROM own WHERE kind IN ('culled', 'died', 'lost', 'vanished') GROUP BY ALL
),
doubts AS (
    SELECT rank, sum(quantity)::BIGINT AS doubt FROM own WHERE kind = 'doubt' GROUP BY rank
),
sizes AS (
    SELECT rank, sum(n)::BIGINT AS n, sum(n * n)::DOUBLE AS nn, count(*) AS roots FROM entered WHERE n > 0 GROUP BY rank
)
SELECT t.cause, t.rank, sum(t.y)::BIGINT, sum(t.y * t.y)::DOUBLE, sum(t.y * coalesce(e.n, 0))::DOUBLE, z.n, z.nn, z.roots,
    CASE WHEN t.cause = 'not_recorded' THEN coalesce(d.doubt, 0) ELSE 0 END
FROM taken t LEFT JOIN entered e USING (root, rank) JOIN sizes z ON z.rank = t.rank LEFT JOIN doubts d ON d.rank = t.rank
GROUP BY t.cause, t.rank, z.n, z.nn, z.roots, d.doubt
ORDER BY t.rank, sum(t.y) DESC, t.cause
"""
_EVENTS = """
WITH units AS (
    SELECT {unit} AS unit, (row_number() OVER (ORDER BY {unit}) - 1)::BIGINT AS g FROM work.{table} GROUP BY {unit}
),
causes AS (
    SELECT cause, (row_number() OVER (ORDER BY cause) - 1)::BIGINT AS c
    FROM (SELECT DISTINCT coalesce(cause, '') AS cause FROM work.{table})
)
SELECT g, CASE kind WHEN 'entered' THEN 0 WHEN 'lost' THEN 1 WHEN 'doubt' THEN 3 ELSE 2 END AS kind,
    CASE side WHEN 'book' THEN 0 WHEN 'estimate' THEN 1 ELSE 2 END AS side, c,
    -- what comes in later was elsewhere until then: it is at risk from the next step on
    ({step} + CASE WHEN kind = 'entered' AND {age} > 0 THEN 1 ELSE 0 END)::BIGINT AS step,
    sum(quantity)::BIGINT AS plants
FROM work.{table} e JOIN units ON units.unit = e.{unit} JOIN causes k ON k.cause = coalesce(e.cause, '')
GROUP BY ALL ORDER BY ALL"""


class _Lives:
    """The events of plants as arrays (units, steps of five days): that entered, were lost (by cause) and left, as the counts
    show; the same by the records alone (`booked`); and the doubt of what vanished. A unit is what shares its fate: the
    groups of one root, or those budded together."""

    def __init__(self, work: Work, table: str, age: str, unit: str) -> None:
        # what happened up to and with a day belongs to the step that ends on it or after it
        step_of = f"(greatest({age}, 0) + {DAYS_A_STEP - 1}) // {DAYS_A_STEP}"
        found = work.arrays(_EVENTS.format(table=table, unit=unit, step=step_of, age=age))
        self.codes: list[str] = [code for (code,) in work.rows(f"SELECT DISTINCT {unit} FROM work.{table} ORDER BY 1")]
        self.causes = [cause for (cause,) in work.rows(f"SELECT DISTINCT coalesce(cause, '') FROM work.{table} ORDER BY 1")]
        names = ("g", "kind", "side", "c", "step", "plants")
        group, kind, side, cause, step, plants = (np.asarray(found[name], dtype=np.int64) for name in names)
        shape = (len(self.codes), int(step.max(initial=0)) + 1)

        def spread(chosen: NDArray[np.bool_]) -> NDArray[np.int64]:
            into = np.zeros(shape, dtype=np.int64)
            np.add.at(into, (group[chosen], step[chosen]), plants[chosen])
            return into

        self.entered, self.lost, self.left, self.doubt = (spread((kind == k) & (side != 0)) for k in range(4))
        self.booked = tuple(spread((kind == k) & (side != 1)) for k in range(3))
        is_loss = (kind == 1) & (side != 0)
        self.losses = Losses(*(v[is_loss] for v in (cause, group, step, plants)))

    def losses_of(self, rows: NDArray[np.int64]) -> Losses:
        """The losses of these units, numbered as they stand in `rows`."""
        place = np.full(len(self.codes), -1)
        place[rows] = np.arange(len(rows))
        group = place[self.losses.group]
        return Losses(*(v[group >= 0] for v in self.losses._replace(group=group)))

    def curve(self, rows: NDArray[np.int64]) -> Curve:
        """The curve of these units; its error grows by what is not known of what vanished."""
        found = kaplan_meier(self.entered[rows], self.lost[rows], self.left[rows])
        doubt = unknown(found, self.doubt[rows].sum(0) / _WIDTH**2)
        return found._replace(error=np.hypot(found.error, doubt))


def unknown(curve: Curve, variance: NDArray[np.float64]) -> NDArray[np.float64]:
    """(T,) the standard error that comes of not knowing how many were lost, where the variance of all that were lost until
    a step grows by so much (T,) in it: a plant more or less is 1 / at risk on the log of the curve."""
    risk = np.maximum(curve.at_risk, 1).astype(float)
    error: NDArray[np.float64] = curve.survival * np.sqrt(np.maximum(np.cumsum(variance / risk**2), 0))
    return error


def _last_with_enough(at_risk: NDArray[np.int64], least: int) -> int:
    """The last step up to which as many were at risk; -1 where there is none."""
    few = np.flatnonzero(at_risk < least)
    return int(few[0]) - 1 if len(few) else len(at_risk) - 1


def _levels(codes: Any, of: dict[str, dict[str, str | None]]) -> Iterator[tuple[str, str, NDArray[np.int64]]]:
    """(by, level, rows of the groups) for all and each level of each factor."""
    if len(codes):
        yield "all", "all", np.arange(len(codes))
    for by, levels in of.items():
        own = np.array([levels.get(str(c)) or "" for c in codes])
        for level in np.unique(own[own != ""]):
            yield by, str(level), np.flatnonzero(own == level)


def estimate_losses(work: Work) -> None:
    """work.survival, work.loss_causes and work.survival_tests."""
    opening = _Lives(work, "life_events", "dated_on - clock_on", "root")
    budding = _Lives(work, "budded_life", "age", "budded_in")
    stocks = dict(work.rows("SELECT group_code, rootstock FROM work.origins"))
    scions = dict(work.rows("SELECT group_code, scion FROM work.budded_from WHERE scion IS NOT NULL"))
    rows = [*_by_stage(work, stocks)]
    rows += _by_days("days_from_opening", opening, {"rootstock": stocks})
    rows += _by_days("days_from_budding", budding, {"rootstock": stocks, "scion": scions})
    work.put("survival", _SURVIVAL, rows)
    work.put("loss_causes", _CAUSES, [*_causes(work, opening, stocks)])
    tests = [
        _test("days_from_opening", "rootstock", opening, stocks),
        _test("days_from_budding", "rootstock", budding, stocks),
        _test("days_from_budding", "scion", budding, scions),
    ]
    work.put("survival_tests", _TESTS, [t for t in tests if t])


def _nones(*values: float) -> tuple[float | None, ...]:
    """Nothing for what is not a number."""
    return tuple(None if math.isnan(v) else float(v) for v in values)


def _by_days(clock: str, lives: _Lives, of: dict[str, dict[str, str | None]]) -> Iterator[tuple[Any, ...]]:
    """A row every ten days while enough plants are at risk."""
    every = _EVERY // DAYS_A_STEP
    for by, level, rows in _levels(lives.codes, of):
        curve = lives.curve(rows)
        low, high = log_log_interval(curve.survival, curve.error, len(rows) - 1)
        entered, seen_lost, gone = (v[rows].sum(0) for v in lives.booked)
        by_book = survival_of(entered, seen_lost, gone)
        lost, recorded, left = np.cumsum(curve.lost), np.cumsum(seen_lost), np.cumsum(curve.left)
        last = _last_with_enough(curve.at_risk, LEAST_AT_RISK)
        seen = -1
        for step in range(every, last + every, every) if last >= 0 else ():
            at = min(step, last)
            plants = (int(v[at] - (v[seen] if seen >= 0 else 0)) for v in (lost, recorded, left))
            share = float(curve.survival[at]), *_nones(curve.error[at], low[at], high[at]), float(by_book[at])
            yield by, level, clock, str(step * DAYS_A_STEP), int(curve.at_risk[at]), *plants, *share
            seen = at


def _test(clock: str, by: str, lives: _Lives, of: dict[str, str | None]) -> tuple[Any, ...] | None:
    """Whether the levels lose plants alike, groups counting as one each; nothing where there are no two levels."""
    level = np.array([of.get(str(c)) or "" for c in lives.codes])
    known = level != ""
    names, index = np.unique(level[known], return_inverse=True)
    if len(names) < 2:
        return None
    found = log_rank(lives.entered[known], lives.lost[known], lives.left[known], index)
    return by, clock, len(names), int(known.sum()), found.chi2, found.freedom, found.p_value


def _by_stage(work: Work, stocks: dict[str, str | None]) -> Iterator[tuple[Any, ...]]:
    """Of the plants that came into a stage, those not lost in it, over the plants that are through with it; `survival` is the
    running product, its error by leaving out one root at a time. Ends where too few plants came."""
    found = work.rows(
        "SELECT root, rank, sum(passed + lost + vanished)::BIGINT, sum(lost + vanished)::BIGINT, sum(lost)::BIGINT,"
        " sum(despatched)::BIGINT, sum(doubt)::BIGINT FROM work.stage_plants GROUP BY ALL ORDER BY ALL"
    )
    codes = sorted({r[0] for r in found})
    place = {c: i for i, c in enumerate(codes)}
    came, lost, recorded, left, doubt = (np.zeros((len(codes), len(STAGES)), dtype=np.int64) for _ in range(5))
    for code, rank, *numbers in found:
        for into, number in zip((came, lost, recorded, left, doubt), numbers, strict=True):
            into[place[code], rank - 1] = number
    for by, level, rows in _levels(codes, {"rootstock": stocks}):
        total, gone, seen, out = (v[rows].sum(0) for v in (came, lost, recorded, left))
        survival = product(total.astype(float), gone.astype(float))
        by_book = product(total.astype(float), seen.astype(float))
        each = product((total - came[rows]).astype(float), (gone - lost[rows]).astype(float))
        many = len(rows)
        error = np.sqrt((many - 1) / many * ((each - each.mean(0)) ** 2).sum(0)) if many > 1 else np.full(len(STAGES), np.nan)
        unsure = np.cumsum(doubt[rows].sum(0) / _WIDTH**2 / np.maximum(total, 1).astype(float) ** 2)
        error = np.hypot(error, survival * np.sqrt(unsure))
        low, high = log_log_interval(survival, error, many - 1)
        for k, stage in enumerate(STAGES):
            if 0 < total[k] < LEAST_AT_RISK:
                break
            if total[k]:
                plants = int(total[k]), int(gone[k]), int(seen[k]), int(out[k])
                share = float(survival[k]), *_nones(error[k], low[k], high[k]), float(by_book[k])
                yield by, level, "stage", stage, *plants, *share


def _causes(work: Work, lives: _Lives, stocks: dict[str, str | None]) -> Iterator[tuple[Any, ...]]:
    """Lost plants by cause, over all stages and in each. `share` is of all losses of the level, `share_recorded` of those on
    record. `cumulative` of stage `all` is the incidence up to the last age with a hundred plants at risk (with the survivors
    these sum to one); in a stage it is the share of the plants that came into it."""
    for by, level, rows in _levels(lives.codes, {"rootstock": stocks}):
        lost = lives.losses_of(rows)
        if not len(lost.plants):
            continue
        curve = kaplan_meier(lives.entered[rows], lives.lost[rows], lives.left[rows])
        last = max(0, _last_with_enough(curve.at_risk, min(LEAST_AT_RISK, int(curve.at_risk.max()))))
        found = incidences(lives.entered[rows], lost, len(lives.causes), lives.left[rows], last)
        is_seen = np.array([cause != NOT_RECORDED for cause in lives.causes])
        doubt = unknown(curve, lives.doubt[rows].sum(0) / _WIDTH**2)[last]
        error = np.where(is_seen, found.error, np.hypot(found.error, doubt))
        by_cause = np.bincount(lost.cause, lost.plants, len(lives.causes)).astype(np.int64)
        whole, recorded = int(by_cause.sum()), int(by_cause[is_seen].sum())
        low, high = log_log_interval(1 - found.cumulative, error, len(rows) - 1)
        order = sorted(np.flatnonzero(by_cause), key=lambda c: (-by_cause[c], lives.causes[c]))
        for c in order:
            n, cause = int(by_cause[c]), lives.causes[c] or "other"
            bounds = _nones(1 - high[c], 1 - low[c])
            yield (
                by,
                level,
                cause,
                "all",
                n,
                n / whole,
                float(found.cumulative[c]),
                *bounds,
                n / recorded if is_seen[c] else None,
            )
        yield from _causes_by_stage(work, by, level, whole, recorded)


def _causes_by_stage(work: Work, by: str, level: str, whole: int, recorded: int) -> Iterator[tuple[Any, ...]]:
    rows = work.rows(_CAUSES_BY_STAGE, [by, level])
    for cause, rank, lost, yy, yn, n, nn, roots, doubt in rows:
        y = min(lost, n)
        share = y / n
        deff = ratio_effect_of_sums(roots, y, n, yy, yn, nn)
        if 0 < y < n:
            deff += doubt / _WIDTH**2 / (n * share * (1 - share))
        low, high = pooled_interval(y, n, deff, roots - 1)
        seen = None if cause == NOT_RECORDED else lost / recorded
        yield by, level, cause or "other", STAGES[rank - 1], lost, lost / whole, share, low, high, seen
