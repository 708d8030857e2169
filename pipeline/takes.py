"""Lots -> how buds take, by level, with intervals that allow for lots differing; and the teams compared fairly."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from pipeline.formulas.comparison import CANNOT, Compared, Ratio, compare_teams, odds_ratio
from pipeline.formulas.overdispersion import Moments, pooled_interval, rho_within
from pipeline.formulas.proportions import difference
from pipeline.store import Store

LEAST_BUDS = 200
"""A team with fewer buds read is given no flag; it says so."""
_LEVELS = {
    "all": "'all'",
    "rootstock": "rootstock",
    "scion": "scion",
    "rootstock+scion": "rootstock || '+' || scion",
    "team": "team_code",
    "budwood_batch": "budwood_batch",
    "month": "strftime(budded_on, '%Y-%m')",
    "attempt": "attempt::VARCHAR",
    "days": "CASE WHEN days < 18 THEN 'before 18' WHEN days <= 21 THEN '18 to 21' WHEN days <= 28 THEN '22 to 28'"
            " WHEN days <= 35 THEN '29 to 35' ELSE 'after 35' END",
}  # fmt: skip
_TAKE = ("by", "level", "lots", "buds_set", "read", "taken", "take_rate", "low", "high", "deff", "adjusted", "adjusted_low",
         "adjusted_high", "q_value", "flag")  # fmt: skip


def estimate_takes(store: Store) -> None:
    """work.take_rates, work.teams and work.reading_times from work.lots."""
    lots = store.connection.execute(
        "SELECT team_code, coalesce(rootstock, '?') AS rootstock, coalesce(scion, '?') AS scion, attempt::VARCHAR AS attempt,"
        " strftime(budded_on, '%Y-%m') AS season, (green + brown + missing)::BIGINT AS read, green::BIGINT AS taken"
        " FROM work.lots WHERE green + brown + missing > 0 ORDER BY group_code, attempt, team_code"
    ).fetchnumpy()
    columns = {k: np.asarray(lots[k], dtype=str) for k in ("team_code", "rootstock", "scion", "attempt", "season")}
    read, taken = (np.asarray(lots[k], dtype=np.int64) for k in ("read", "taken"))
    pair = np.char.add(np.char.add(columns["rootstock"], "+"), columns["scion"])
    cell = np.char.add(np.char.add(pair, " "), columns["attempt"])
    moments = rho_within(taken, read, cell)
    store.connection.execute(
        "CREATE OR REPLACE TABLE work.take_spread AS SELECT $1::DOUBLE AS rho, $2::BIGINT AS freedom", list(moments)
    )
    factors = {k: columns[k].tolist() for k in ("rootstock", "scion", "season", "attempt")} | {"pair": pair.tolist()}
    compared = compare_teams(taken, read, factors, columns["team_code"].tolist(), LEAST_BUDS) if len(read) else {}
    _take_rates(store, moments, compared)
    ratios = {
        str(t): _ratio(taken, read, cell, columns["team_code"] == t, moments.rho) for t in np.unique(columns["team_code"])
    }
    _teams(store, ratios)
    _reading_times(store, moments)


def _take_rates(store: Store, moments: Moments, compared: dict[str, Compared]) -> None:
    """Pooled take of every level: whole buds first, the rate last. Unsure buds are left out until read again."""
    rows: list[tuple[Any, ...]] = []
    for by, level in _LEVELS.items():
        read_only = " AND read_on IS NOT NULL" if by == "days" else ""
        for name, lots, buds_set, read, taken, squares in store.rows(
            f"SELECT {level} AS level, count(*), sum(buds_set)::BIGINT, coalesce(sum(green + brown + missing), 0)::BIGINT,"
            " coalesce(sum(green), 0)::BIGINT, coalesce(sum((green + brown + missing) ** 2), 0)::DOUBLE FROM work.lots"
            f" WHERE level IS NOT NULL{read_only} GROUP BY level ORDER BY level"
        ):
            team = compared.get(name) if by == "team" else None
            rows.append((by, name, lots, buds_set, read, taken, *_share(taken, read, squares, moments), *_fair(team)))
    rows += _after_all_attempts(rows, moments)
    types = {"by": "VARCHAR", "level": "VARCHAR", "flag": "VARCHAR"} | dict.fromkeys(
        ("lots", "buds_set", "read", "taken"), "BIGINT"
    )
    listed = ", ".join(f'"{c}" {types.get(c, "DOUBLE")}' for c in _TAKE)
    store.connection.execute(f"CREATE OR REPLACE TABLE work.take_rates ({listed})")
    store.insert("work.take_rates", _TAKE, rows)


def _share(taken: int, read: int, squares: float, moments: Moments) -> tuple[float | None, ...]:
    """(take_rate, low, high, deff); nothing where nothing was read."""
    if not read:
        return None, None, None, None
    deff = 1 + moments.rho * max(0.0, squares / read - 1)
    return taken / read, *pooled_interval(taken, read, deff, moments.freedom), deff


def _fair(team: Compared | None) -> tuple[float | str | None, ...]:
    """(adjusted, adjusted_low, adjusted_high, q_value, flag), nothing for what is not a number."""
    if team is None:
        return None, None, None, None, None
    return *(None if math.isnan(v) else v for v in team[:4]), team.flag or None


def _after_all_attempts(rows: list[tuple[Any, ...]], moments: Moments) -> list[tuple[Any, ...]]:
    """by `attempt`, level `final`: green buds of all attempts so far, of the buds read at the first."""
    attempts = {r[1]: r for r in rows if r[0] == "attempt"}
    if "1" not in attempts or len(attempts) < 2:
        return []
    lots, read, deff = (attempts["1"][i] for i in (2, 4, 9))
    taken = sum(r[5] for r in attempts.values())
    if not read or taken > read:
        return []
    low, high = pooled_interval(taken, read, deff, moments.freedom)
    return [
        ("attempt", "final", lots, attempts["1"][3], read, taken, taken / read, low, high, deff, None, None, None, None, None)
    ]


def _ratio(taken: Any, read: Any, cell: Any, is_team: Any, rho: float) -> Ratio:
    """A team's odds against the others', over cells of rootstock, scion and attempt."""
    _, stratum = np.unique(cell, return_inverse=True)
    width = int(stratum.max()) + 1

    def by_stratum(values: Any, chosen: Any) -> Any:
        return np.bincount(stratum[chosen], values[chosen].astype(float), width)

    n = read[is_team].astype(float)
    deff = 1 + rho * max(0.0, float((n * n).sum() / n.sum()) - 1)
    return odds_ratio(by_stratum(taken, is_team), by_stratum(read - taken, is_team), by_stratum(taken, ~is_team),
                      by_stratum(read - taken, ~is_team), deff)  # fmt: skip


def _teams(store: Store, ratios: dict[str, Ratio]) -> None:
    store.connection.execute(
        "CREATE OR REPLACE TABLE work.team_ratios (team_code VARCHAR, odds_ratio DOUBLE, odds_low DOUBLE, odds_high DOUBLE)"
    )
    store.insert("work.team_ratios", ("team_code", "odds_ratio", "odds_low", "odds_high"), [
        (team, *r) for team, r in ratios.items() if not math.isnan(r.ratio)
    ])  # fmt: skip
    store.build("teams")


def _reading_times(store: Store, moments: Moments) -> None:
    """work.reading_times: take of buds read too early and too late against those read in time, and what it cost."""
    rows = store.rows(
        "SELECT CASE WHEN days < t.earliest_bud_take THEN 'early' WHEN days > t.latest_bud_take THEN 'late' ELSE 'in time' END AS"
        " kind, count(*), sum(green + brown + missing)::BIGINT, sum(green)::BIGINT, sum((green + brown + missing) ** 2)::DOUBLE"
        " FROM work.lots, work.settings t WHERE green + brown + missing > 0 GROUP BY kind"
    )
    of = {kind: rest for kind, *rest in rows}
    store.connection.execute(
        "CREATE OR REPLACE TABLE work.reading_times (kind VARCHAR, lots BIGINT, read BIGINT, taken BIGINT, difference DOUBLE,"
        " low DOUBLE, high DOUBLE)"
    )
    found: list[tuple[Any, ...]] = []
    for kind, (lots, read, taken, squares) in sorted(of.items()):
        apart: tuple[float | None, ...] = (None, None, None)
        if kind != "in time" and "in time" in of:
            _, good_read, good_taken, good_squares = of["in time"]
            sizes = [n / (1 + moments.rho * max(0.0, s / n - 1)) for n, s in ((read, squares), (good_read, good_squares))]
            apart = difference(taken / read, sizes[0], good_taken / good_read, sizes[1])
        found.append((kind, lots, read, taken, *apart))
    store.insert("work.reading_times", ("kind", "lots", "read", "taken", "difference", "low", "high"), found)


__all__ = ["CANNOT", "LEAST_BUDS", "estimate_takes"]
