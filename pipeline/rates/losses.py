"""Movements -> how many plants come through, by three clocks, and what the others are lost to."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.formulas.overdispersion import pooled_interval, ratio_effect_of_sums
from pipeline.formulas.survival import Losses, incidences, kaplan_meier, log_log_interval, log_rank
from pipeline.stages import Work

STAGES = ("tray", "bag", "budded", "read", "cut_back", "staked", "topped")
DAYS_A_STEP = 5
_EVERY = 10
_LEAST_AT_RISK = 100
_SURVIVAL = (
    dict.fromkeys(("by", "level", "clock", "step"), "VARCHAR")
    | dict.fromkeys(("at_risk", "lost", "left"), "BIGINT")
    | dict.fromkeys(("survival", "se", "low", "high"), "DOUBLE")
)
_CAUSES = (
    dict.fromkeys(("by", "level", "cause", "stage"), "VARCHAR")
    | {"lost": "BIGINT"}
    | dict.fromkeys(("share", "cumulative", "low", "high"), "DOUBLE")
)
_TESTS = (
    dict.fromkeys(("by", "clock"), "VARCHAR")
    | dict.fromkeys(("levels", "groups"), "BIGINT")
    | {"chi2": "DOUBLE", "freedom": "BIGINT", "p_value": "DOUBLE"}
)
_FLOWS = """
SELECT f.group_code, f.rootstock, f.rank, f.came, f.lost, f.moved_out + f.despatched,
    CASE WHEN s.stage = 'gone' THEN 8 ELSE f.group_rank END
FROM work.stage_flows f JOIN work.standing s USING (group_code)
"""
_CAUSES_BY_STAGE = """
WITH flows AS (
    SELECT group_code, rank, came, came - lost - moved_out - despatched AS held
    FROM work.stage_flows
    WHERE $1 = 'all' OR rootstock = $2
),
ranks AS (SELECT unnest([1, 2, 3, 4, 5, 6, 7]) AS rank),
entered AS (
    SELECT g.group_code, r.rank, greatest(0, coalesce(sum(f.held) FILTER (WHERE f.rank < r.rank), 0))
        + coalesce(sum(f.came) FILTER (WHERE f.rank = r.rank), 0) AS n
    FROM (SELECT DISTINCT group_code FROM flows) g CROSS JOIN ranks r JOIN flows f USING (group_code)
    JOIN work.stages s USING (group_code)
    WHERE s.rank >= r.rank
    GROUP BY g.group_code, r.rank
),
taken AS (
    SELECT group_code, rank, cause, sum(quantity)::BIGINT AS y
    FROM work.stage_losses
    WHERE kind IN ('culled', 'died', 'lost') AND ($1 = 'all' OR rootstock = $2)
    GROUP BY ALL
),
sizes AS (
    SELECT rank, sum(n)::BIGINT AS n, sum(n * n)::DOUBLE AS nn, count(*) AS groups FROM entered WHERE n > 0 GROUP BY rank
)
SELECT t.cause, t.rank, sum(t.y)::BIGINT, sum(t.y * t.y)::DOUBLE, sum(t.y * e.n)::DOUBLE, z.n, z.nn, z.groups
FROM taken t JOIN entered e USING (group_code, rank) JOIN sizes z ON z.rank = t.rank
GROUP BY t.cause, t.rank, z.n, z.nn, z.groups
ORDER BY t.rank, sum(t.y) DESC, t.cause
"""


class _Lives:
    """The events of some groups as arrays: plants that entered, were lost (by cause) and left, by steps of five days."""

    def __init__(self, work: Work, table: str, age: str) -> None:
        # what happened up to and with a day belongs to the step that ends on it or after it
        found = work.arrays(_EVENTS.format(table=table, step=f"(greatest({age}, 0) + {DAYS_A_STEP - 1}) // {DAYS_A_STEP}"))
        self.codes: list[str] = [code for (code,) in work.rows(f"SELECT DISTINCT group_code FROM work.{table} ORDER BY 1")]
        self.causes = [cause for (cause,) in work.rows(f"SELECT DISTINCT coalesce(cause, '') FROM work.{table} ORDER BY 1")]
        group, cause, step, plants = (np.asarray(found[c], dtype=np.int64) for c in ("g", "c", "step", "plants"))
        shape = (len(self.codes), int(step.max(initial=0)) + 1)
        kind = np.asarray(found["kind"], dtype=np.int64)
        self.entered, self.lost, self.left = (np.zeros(shape, dtype=np.int64) for _ in range(3))
        for into, number in ((self.entered, 0), (self.lost, 1), (self.left, 2)):
            of_kind = kind == number
            np.add.at(into, (group[of_kind], step[of_kind]), plants[of_kind])
        self.losses = Losses(*(v[kind == 1] for v in (cause, group, step, plants)))

    def losses_of(self, rows: NDArray[np.int64]) -> Losses:
        """The losses of these groups, numbered as they stand in `rows`."""
        place = np.full(len(self.codes), -1)
        place[rows] = np.arange(len(rows))
        group = place[self.losses.group]
        return Losses(*(v[group >= 0] for v in self.losses._replace(group=group)))


_EVENTS = """
WITH groups AS (
    SELECT group_code, (row_number() OVER (ORDER BY group_code) - 1)::BIGINT AS g
    FROM (SELECT DISTINCT group_code FROM work.{table})
),
causes AS (
    SELECT cause, (row_number() OVER (ORDER BY cause) - 1)::BIGINT AS c
    FROM (SELECT DISTINCT coalesce(cause, '') AS cause FROM work.{table})
)
SELECT g, CASE kind WHEN 'entered' THEN 0 WHEN 'lost' THEN 1 ELSE 2 END AS kind, c, ({step})::BIGINT AS step,
    sum(quantity)::BIGINT AS plants
FROM work.{table} e JOIN groups USING (group_code) JOIN causes k ON k.cause = coalesce(e.cause, '')
GROUP BY ALL ORDER BY ALL"""


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
    opening = _Lives(work, "life_events", "dated_on - clock_on")
    budding = _Lives(work, "budded_life", "age")
    stocks = dict(work.rows("SELECT group_code, rootstock FROM work.origins"))
    scions = dict(work.rows("SELECT DISTINCT group_code, scion FROM work.budded_life WHERE scion IS NOT NULL"))
    rows = [*_by_stage(work)]
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
    """A row every ten days while there is anything at risk."""
    every = _EVERY // DAYS_A_STEP
    for by, level, rows in _levels(lives.codes, of):
        curve = kaplan_meier(lives.entered[rows], lives.lost[rows], lives.left[rows])
        low, high = log_log_interval(curve.survival, curve.error, len(rows) - 1)
        lost, left = np.cumsum(curve.lost), np.cumsum(curve.left)
        last = int(np.flatnonzero(curve.at_risk > 0).max(initial=0))
        seen = 0
        for step in range(every, last + every, every):
            at = min(step, last)
            lost_before, left_before = (lost[seen], left[seen]) if seen else (0, 0)
            plants = int(curve.at_risk[at]), int(lost[at] - lost_before), int(left[at] - left_before)
            share = float(curve.survival[at]), *_nones(curve.error[at], low[at], high[at])
            yield by, level, clock, str(step * DAYS_A_STEP), *plants, *share
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


def _by_stage(work: Work) -> Iterator[tuple[Any, ...]]:
    """Of the plants that came into a stage, those not lost in it, over the groups that have left it; `survival` is the running
    product, its error by leaving out one group at a time."""
    flows = work.rows(_FLOWS)
    codes = sorted({r[0] for r in flows})
    place = {c: i for i, c in enumerate(codes)}
    came, lost, left = (np.zeros((len(codes), len(STAGES) + 1), dtype=np.int64) for _ in range(3))
    reached = np.zeros(len(codes), dtype=np.int64)
    for code, _, rank, c, x, y, now in flows:
        i = place[code]
        came[i, rank], lost[i, rank], left[i, rank], reached[i] = c, x, y, now
    held = came - lost - left
    into = np.maximum(np.cumsum(held, axis=1) - held, 0) + came
    passed = reached[:, None] > np.arange(len(STAGES) + 1)
    risk, died, out = (np.where(passed, v, 0)[:, 1:] for v in (np.maximum(into, lost), lost, left))
    for by, level, rows in _levels(np.array(codes), {"rootstock": {r[0]: r[1] for r in flows}}):
        total, gone = risk[rows].sum(0), died[rows].sum(0)

        def product(at_risk: Any, lost_in: Any) -> Any:
            stays = 1 - np.divide(lost_in, at_risk, out=np.zeros(np.shape(at_risk)), where=at_risk > 0)
            return np.cumprod(np.clip(stays, 0, 1), axis=-1)

        survival = product(total, gone)
        each = product(total - risk[rows], gone - died[rows])
        many = len(rows)
        error = np.sqrt((many - 1) / many * ((each - each.mean(0)) ** 2).sum(0)) if many > 1 else np.full(len(STAGES), np.nan)
        low, high = log_log_interval(survival, error, many - 1)
        for k, stage in enumerate(STAGES):
            if total[k] > 0:
                plants = int(total[k]), int(gone[k]), int(out[rows][:, k].sum())
                yield by, level, "stage", stage, *plants, float(survival[k]), *_nones(error[k], low[k], high[k])


def _causes(work: Work, lives: _Lives, stocks: dict[str, str | None]) -> Iterator[tuple[Any, ...]]:
    """Lost plants by cause, over all stages and in each. `share` is of all losses of the level. `cumulative` of stage `all` is
    the incidence up to the last age with a hundred plants at risk (with the survivors these sum to one); in a stage it is
    the share of the plants that came into it."""
    for by, level, rows in _levels(lives.codes, {"rootstock": stocks}):
        lost = lives.losses_of(rows)
        if not len(lost.plants):
            continue
        curve = kaplan_meier(lives.entered[rows], lives.lost[rows], lives.left[rows])
        enough = np.flatnonzero(curve.at_risk >= min(_LEAST_AT_RISK, int(curve.at_risk.max())))
        found = incidences(lives.entered[rows], lost, len(lives.causes), lives.left[rows], int(enough.max(initial=0)))
        by_cause = np.bincount(lost.cause, lost.plants, len(lives.causes)).astype(np.int64)
        whole = int(by_cause.sum())
        low, high = log_log_interval(1 - found.cumulative, found.error, len(rows) - 1)
        order = sorted(np.flatnonzero(by_cause), key=lambda c: (-by_cause[c], lives.causes[c]))
        for c in order:
            n, cause = int(by_cause[c]), lives.causes[c] or "other"
            yield by, level, cause, "all", n, n / whole, float(found.cumulative[c]), *_nones(1 - high[c], 1 - low[c])
        yield from _causes_by_stage(work, by, level, whole)


def _causes_by_stage(work: Work, by: str, level: str, whole: int) -> Iterator[tuple[Any, ...]]:
    rows = work.rows(_CAUSES_BY_STAGE, [by, level])
    for cause, rank, lost, yy, yn, n, nn, groups in rows:
        share = min(1.0, lost / n)
        deff = ratio_effect_of_sums(groups, min(lost, n), n, yy, yn, nn)
        low, high = pooled_interval(min(lost, n), n, deff, groups - 1)
        yield by, level, cause or "other", STAGES[rank - 1], lost, lost / whole, share, low, high
