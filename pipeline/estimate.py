"""Lots -> take; movements by stage -> survival and causes of loss. SQL pools whole plants, formulas make the rates."""

from __future__ import annotations

import math
from typing import Any

from pipeline.formulas.proportions import wilson
from pipeline.store import Store

STAGES = ("tray", "bag", "budded", "read", "cut_back", "staked", "topped")
_LEVELS = {
    "all": "'all'",
    "rootstock": "rootstock",
    "scion": "scion",
    "rootstock+scion": "rootstock || '+' || scion",
    "team": "team_code",
    "budwood_batch": "budwood_batch",
    "month": "strftime(budded_on, '%Y-%m')",
    "attempt": "attempt::VARCHAR",
}
_TAKE = (
    "by VARCHAR, level VARCHAR, lots BIGINT, buds_set BIGINT, read BIGINT, taken BIGINT, take_rate DOUBLE, low DOUBLE,"
    " high DOUBLE, deff DOUBLE, adjusted DOUBLE, adjusted_low DOUBLE, adjusted_high DOUBLE, q_value DOUBLE, flag VARCHAR"
)
_SURVIVAL = (
    "by VARCHAR, level VARCHAR, clock VARCHAR, step VARCHAR, at_risk BIGINT, lost BIGINT, left BIGINT,"
    " survival DOUBLE, se DOUBLE, low DOUBLE, high DOUBLE"
)
_CAUSES = (
    "by VARCHAR, level VARCHAR, cause VARCHAR, stage VARCHAR, lost BIGINT, share DOUBLE, cumulative DOUBLE, low DOUBLE,"
    " high DOUBLE"
)


def estimate_rates(store: Store) -> None:
    """work.take_rates, work.survival (clock `stage`) and work.loss_causes."""
    store.build("stage_losses")
    _take_rates(store)
    _survival(store)
    _loss_causes(store)


def _write(store: Store, name: str, columns: str, rows: list[tuple[Any, ...]]) -> None:
    pairs = [column.split() for column in columns.split(", ")]
    listed = ", ".join(f'"{column}" {kind}' for column, kind in pairs)
    store.connection.execute(f'CREATE OR REPLACE TABLE work."{name}" ({listed})')
    names = [column for column, _ in pairs]
    store.insert(f"work.{name}", names, rows)


def _take_rates(store: Store) -> None:
    """Pooled take of every level: whole buds first, the rate last. Unsure buds are left out until read again."""
    rows = []
    for by, level in _LEVELS.items():
        pooled = store.rows(
            f"SELECT {level} AS level, count(*), sum(buds_set)::BIGINT, coalesce(sum(green + brown + missing), 0)::BIGINT,"
            " coalesce(sum(green), 0)::BIGINT FROM work.lots WHERE level IS NOT NULL GROUP BY level ORDER BY level"
        )
        for name, lots, buds_set, read, taken in pooled:
            low, high = wilson(taken, read) if read else (None, None)
            rows.append((by, name, lots, buds_set, read, taken, taken / read if read else None, low, high, None, None,
                         None, None, None, None))  # fmt: skip
    _write(store, "take_rates", _TAKE, rows)


def _survival(store: Store) -> None:
    """Share of the plants that came into a stage and were not lost in it, over groups that have left that stage.

    `survival` is the running product. Standard error by Greenwood's formula on the counts.
    """
    rows = []
    for by, level in (("all", "'all'"), ("rootstock", "rootstock")):
        per_group = store.rows(
            f"SELECT {level} AS level, group_code, rank, any_value(group_rank),"
            " coalesce(sum(quantity) FILTER (WHERE kind IN ('opened', 'moved_in')), 0)::BIGINT,"
            " coalesce(sum(quantity) FILTER (WHERE kind IN ('culled', 'died', 'lost')), 0)::BIGINT,"
            " coalesce(sum(quantity) FILTER (WHERE kind IN ('moved_out', 'despatched')), 0)::BIGINT,"
            " (SELECT stage = 'gone' FROM work.standing s WHERE s.group_code = l.group_code)"
            " FROM work.stage_losses l WHERE level IS NOT NULL GROUP BY ALL ORDER BY ALL"
        )
        for name in sorted({r[0] for r in per_group}):
            groups: dict[str, dict[int, tuple[int, int, int]]] = {}
            past: dict[str, int] = {}
            for level_name, code, rank, group_rank, came, lost, left, is_gone in per_group:
                if level_name == name:
                    groups.setdefault(code, {})[rank] = (came, lost, left)
                    past[code] = 8 if is_gone else group_rank
            rows += [(by, name, "stage", *step) for step in _ladder(groups, past)]
    _write(store, "survival", _SURVIVAL, rows)


def _ladder(
    groups: dict[str, dict[int, tuple[int, int, int]]], past: dict[str, int]
) -> list[tuple[str, int, int, int, float, float, float, float]]:
    """(stage, at_risk, lost, left, survival, se, low, high) of each stage that some group has left."""
    steps = []
    product, greenwood = 1.0, 0.0
    for rank, stage in enumerate(STAGES, start=1):
        at_risk = lost = left = 0
        for code, by_rank in groups.items():
            if past[code] <= rank:
                continue
            carried = sum(c - x - y for r, (c, x, y) in by_rank.items() if r < rank)
            came, gone, out = by_rank.get(rank, (0, 0, 0))
            at_risk, lost, left = at_risk + max(0, carried) + came, lost + gone, left + out
        if at_risk <= 0:
            continue
        stays = max(0.0, 1 - lost / at_risk)
        product *= stays
        greenwood += lost / (at_risk * (at_risk - lost)) if lost < at_risk else 0.0
        se = product * math.sqrt(greenwood)
        low, high = _log_log(product, greenwood)
        steps.append((stage, at_risk, lost, left, product, se, low, high))
    return steps


def _log_log(survival: float, greenwood: float) -> tuple[float, float]:
    """The log(-log) interval of a survival, 95 %; the point itself where it is 0 or 1."""
    if survival <= 0 or survival >= 1:
        return survival, survival
    width = 1.959963984540054 * math.sqrt(greenwood) / abs(math.log(survival))
    return survival ** math.exp(width), survival ** math.exp(-width)


def _loss_causes(store: Store) -> None:
    """Lost plants by cause and stage. `share` is of all losses of the level, `cumulative` of all plants that came in
    (with Wilson limits); stage `all` adds the stages up."""
    rows = []
    for by, level in (("all", "'all'"), ("rootstock", "rootstock")):
        came = dict(store.rows(
            f"SELECT {level} AS level, sum(quantity)::BIGINT FROM work.stage_losses"
            " WHERE kind = 'opened' AND level IS NOT NULL GROUP BY level"
        ))  # fmt: skip
        lost = store.rows(
            f"SELECT {level} AS level, cause, rank, sum(quantity)::BIGINT FROM work.stage_losses"
            " WHERE kind IN ('culled', 'died', 'lost') AND level IS NOT NULL GROUP BY GROUPING SETS"
            " ((level, cause, rank), (level, cause)) ORDER BY level, sum(quantity) DESC, cause, rank NULLS FIRST"
        )
        whole: dict[str, int] = {}
        for name, _, rank, quantity in lost:
            whole[name] = whole.get(name, 0) + (quantity if rank is None else 0)
        for name, cause, rank, quantity in lost:
            entered = came.get(name, 0)
            low, high = wilson(quantity, entered) if entered >= quantity and entered else (None, None)
            rows.append((by, name, cause or "other", STAGES[rank - 1] if rank else "all", quantity, quantity / whole[name],
                         quantity / entered if entered else None, low, high))  # fmt: skip
    _write(store, "loss_causes", _CAUSES, rows)
