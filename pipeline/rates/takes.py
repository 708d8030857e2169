"""Lots -> how buds take, by level, with intervals that allow for lots differing; and teams, budwood batches
and houses compared fairly."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from pipeline.formulas.comparison import Compared, Parts, Ratio, compare, odds_ratio
from pipeline.formulas.overdispersion import (
    Moments,
    Shared,
    cautious,
    design_effect,
    pooled_interval,
    rho_within,
    shared_effect,
)
from pipeline.formulas.proportions import difference
from pipeline.formulas.standardised import LEAST_GROUPS
from pipeline.stages import Work

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
    "read_in": "strftime(read_on, '%Y-%m')",
    "attempt": "attempt::VARCHAR",
    "house": "house",
    "place": "location",
    "days": "CASE WHEN days < 18 THEN 'before 18' WHEN days <= 21 THEN '18 to 21' WHEN days <= 28 THEN '22 to 28'"
    " WHEN days <= 35 THEN '29 to 35' ELSE 'after 35' END",
    "budwood_age": "budwood_age",
}
_TAKE = (
    {"by": "VARCHAR", "level": "VARCHAR"}
    | dict.fromkeys(("lots", "buds_set", "read", "taken"), "BIGINT")
    | dict.fromkeys(("take_rate", "low", "high", "deff", "adjusted", "adjusted_low", "adjusted_high", "q_value"), "DOUBLE")
    | {"flag": "VARCHAR", "clusters": "BIGINT", "freedom": "DOUBLE", "adjusted_freedom": "DOUBLE"}
)
_READINGS = """
SELECT green + brown + missing AS n, green AS y,
    CASE WHEN l.days < t.earliest_bud_take THEN 'early' WHEN l.days > t.latest_bud_take THEN 'late' ELSE 'in time' END AS kind
FROM work.lots l, work.settings t
WHERE green + brown + missing > 0
"""
_CUTS = """
SELECT began AS n, through AS y, CASE WHEN c.days > 2 * t.cut_back THEN 'late' ELSE 'in time' END AS kind
FROM work.cut_times c, work.settings t
WHERE began > 0
"""
_OFF_TYPES = """
SELECT o.rootstock, list(o.lifted ORDER BY o.group_code), list(o.off_type ORDER BY o.group_code),
    any_value(r.off_type_low), any_value(r.off_type_high), any_value(r.source)
FROM work.off_types o LEFT JOIN work.list_rootstocks r ON r.code = o.rootstock
GROUP BY o.rootstock
ORDER BY o.rootstock
"""
_LOTS = (
    "(SELECT l.*, p.* EXCLUDE (group_code, team_code, attempt) FROM work.lots l"
    " LEFT JOIN work.lot_places p USING (group_code, team_code, attempt))"
)
"""Lots with the place that they were budded at, and the days from the cutting of their batch to the last day of setting."""
_CLUSTERS = {"batch": "budwood_batch", "team in month": "team_code || strftime(budded_on, ' %Y-%m')"}
"""What lots share, by the names of the random parts."""


def estimate_takes(work: Work) -> None:
    """work.take_rates, work.team_ratios and work.take_spread from work.lots."""
    lots = work.arrays(
        "SELECT team_code, coalesce(rootstock, '?') AS rootstock, coalesce(scion, '?') AS scion, attempt::VARCHAR AS attempt,"
        " strftime(budded_on, '%Y-%m') AS season, budwood_batch AS batch,"
        f" house, group_code, budwood_age AS age, (green + brown + missing)::BIGINT AS read,"
        f" green::BIGINT AS taken FROM {_LOTS} WHERE green + brown + missing > 0 ORDER BY group_code, attempt, team_code"
    )
    columns = {k: np.asarray(lots[k], dtype=str) for k in ("team_code", "rootstock", "scion", "attempt", "season")}
    read, taken = (np.asarray(lots[k], dtype=np.int64) for k in ("read", "taken"))
    pair = np.char.add(np.char.add(columns["rootstock"], "+"), columns["scion"])
    cell = np.char.add(np.char.add(pair, " "), columns["attempt"])
    moments = cautious(rho_within(taken, read, cell))
    given = {k: columns[k].tolist() for k in ("rootstock", "scion", "season", "attempt")} | {"pair": pair.tolist()}
    batch, house, group, age = (_or_none(lots[k]) for k in ("batch", "house", "group_code", "age"))
    compared, parts = _compared(taken, read, given, columns["team_code"].tolist(), batch)
    compared["house"] = compare_houses(taken, read, given | {"team": columns["team_code"].tolist()}, house, batch, group)
    compared["budwood_age"] = _compared_by_age(taken, read, given | {"team": columns["team_code"].tolist()}, age, batch)
    sizes = dict(zip(parts.names, np.sqrt(parts.variances).tolist(), strict=True))
    work.put(
        "take_spread",
        {"rho": "DOUBLE", "freedom": "BIGINT", "batch_sd": "DOUBLE", "team_in_month_sd": "DOUBLE"},
        [(*moments, sizes.get("batch"), sizes.get("team in month"))],
    )
    _take_rates(work, moments, compared, parts)
    _, stratum = np.unique(cell, return_inverse=True)
    ratios = {
        str(t): _ratio(taken, read, stratum, columns["team_code"] == t, moments.rho) for t in np.unique(columns["team_code"])
    }
    work.put(
        "team_ratios",
        {"team_code": "VARCHAR"} | dict.fromkeys(("odds_ratio", "odds_low", "odds_high"), "DOUBLE"),
        [(team, *r) for team, r in ratios.items() if not math.isnan(r.ratio)],
    )


def _or_none(values: Any) -> list[str | None]:
    return [None if v is None else str(v) for v in np.ma.filled(np.ma.asarray(values).astype(object), None)]


def _compared(
    taken: Any, read: Any, given: dict[str, list[str]], team: list[str], batch: list[str | None]
) -> tuple[dict[str, dict[str, Compared]], Parts]:
    """Teams and budwood batches compared, and the random parts that stand beside the teams. Lots of several batches, or of none
    that is known, are not among those compared by batch."""
    monthly = [f"{t} {s}" for t, s in zip(team, given["season"], strict=True)]
    teams, parts = compare(taken, read, given, "team", team, LEAST_BUDS, {"batch": batch, "team in month": monthly})
    known = np.array([b is not None for b in batch], dtype=bool)
    if not known.any():
        return {"team": teams}, parts
    of = {k: [x for x, is_known in zip(v, known, strict=True) if is_known] for k, v in (given | {"team": team}).items()}
    names = [b for b in batch if b is not None]
    monthly = [f"{t} {s}" for t, s in zip(of["team"], of["season"], strict=True)]
    batches, _ = compare(taken[known], read[known], of, "batch", names, LEAST_BUDS, {"team in month": monthly})
    return {"team": teams, "budwood_batch": batches}, parts


def _compared_by_age(
    taken: Any, read: Any, given: dict[str, list[str]], age: list[str | None], batch: list[str | None]
) -> dict[str, Compared]:
    """Ages of the budwood at setting compared over the lots of a batch whose day of cutting is known, as batches are, the batch
    and the team within a month being random parts."""
    known = np.array([a is not None for a in age], dtype=bool)
    if not known.any():
        return {}
    of = {k: [x for x, is_known in zip(v, known, strict=True) if is_known] for k, v in given.items()}
    parts: dict[str, list[str | None]] = {
        "batch": [b for b, is_known in zip(batch, known, strict=True) if is_known],
        "team in month": [f"{t} {s}" for t, s in zip(of["team"], of["season"], strict=True)],
    }
    ages = [a for a in age if a is not None]
    return compare(taken[known], read[known], of, "age", ages, LEAST_BUDS, parts)[0]


def compare_houses(
    taken: Any,
    read: Any,
    given: dict[str, list[str]],
    house: Sequence[str | None],
    batch: Sequence[str | None],
    group: Sequence[str | None],
) -> dict[str, Compared]:
    """Houses compared over the lots whose place is known. The lots of a group share it, beside batches and a team's months; a
    house whose buds are worth fewer than five groups of one size gets no q-value and no flag."""
    known = np.array([h is not None for h in house], dtype=bool)
    if not known.any():
        return {}

    def of(values: Sequence[Any]) -> list[Any]:
        return [v for v, is_known in zip(values, known, strict=True) if is_known]

    monthly = [f"{t} {s}" for t, s in zip(given["team"], given["season"], strict=True)]
    parts = {"batch": of(batch), "team in month": of(monthly), "group": of(group)}
    own, factors = of(house), {k: of(v) for k, v in given.items()}
    found, _ = compare(taken[known], read[known], factors, "house", own, LEAST_BUDS, parts)
    buds: dict[str, dict[str, int]] = {}
    for h, g, n in zip(own, parts["group"], read[known].tolist(), strict=True):
        of_house = buds.setdefault(h, {})
        of_house[g] = of_house.get(g, 0) + n
    for h, one in found.items():
        sizes = buds[h].values()
        if one.flag in ("better", "worse", "") and sum(sizes) ** 2 < LEAST_GROUPS * sum(n * n for n in sizes):
            found[h] = one._replace(q_value=math.nan, flag="")
    return found


def _take_rates(work: Work, moments: Moments, compared: dict[str, dict[str, Compared]], parts: Parts) -> None:
    """Pooled take of every level: whole buds first, the rate last. Unsure buds are left out until read again."""
    rows: list[tuple[Any, ...]] = []
    levels = _LEVELS if work.value("SELECT count(*) FROM work.lots") else {}  # where nothing is budded there is none to ask for
    for by, level in levels.items():
        read_only = " AND read_on IS NOT NULL" if by == "days" else ""
        shared = _clusters(work, level, read_only)
        for name, lots, buds_set, read, taken, squares in work.rows(
            f"SELECT {level} AS level, count(*), sum(buds_set)::BIGINT, coalesce(sum(green + brown + missing), 0)::BIGINT,"
            f" coalesce(sum(green), 0)::BIGINT, coalesce(sum((green + brown + missing) ** 2), 0)::DOUBLE FROM {_LOTS}"
            f" WHERE level IS NOT NULL{read_only} GROUP BY level ORDER BY level"
        ):
            one = compared.get(by, {}).get(name)
            # the lots of a batch share it: what the batch gives is the take that is asked for
            within = {k: c for k, c in shared.get(name, {}).items() if (by, k) != ("budwood_batch", "batch")}
            share, few = _share(taken, read, squares, moments, parts, within)
            freedom = None if one is None or math.isnan(one.freedom) else one.freedom
            rows.append((by, name, lots, buds_set, read, taken, *share, *_fair(one), *few, freedom))
    rows += _after_all_attempts(rows)
    work.put("take_rates", _TAKE, rows)


def _clusters(work: Work, level: str, read_only: str) -> dict[str, dict[str, tuple[int, float]]]:
    """Of each level by kind of cluster: how many clusters its buds read came from, and the squares of their buds less those of
    their lots'."""
    found: dict[str, dict[str, tuple[int, float]]] = {}
    for kind, cluster in _CLUSTERS.items():
        for name, many, within in work.rows(
            f"SELECT level, count(*), sum(buds ** 2 - squares)::DOUBLE FROM (SELECT {level} AS level, {cluster} AS cluster,"
            " sum(green + brown + missing)::DOUBLE AS buds, sum((green + brown + missing) ** 2)::DOUBLE AS squares"
            f" FROM {_LOTS} WHERE level IS NOT NULL AND cluster IS NOT NULL AND green + brown + missing > 0{read_only}"
            " GROUP BY ALL) GROUP BY level"
        ):
            found.setdefault(name, {})[kind] = (many, within)
    return found


def _share(
    taken: int, read: int, squares: float, moments: Moments, parts: Parts, within: dict[str, tuple[int, float]]
) -> tuple[tuple[float | None, ...], tuple[int | None, float | None]]:
    """(take_rate, low, high, deff), (clusters, freedom); nothing where nothing was read."""
    if not read:
        return (None, None, None, None), (None, None)
    share = (taken + 1) / (read + 2)
    kinds = [i for i, k in enumerate(parts.names) if k in within]
    # a spread on the logit is one of p (1 - p) times as much on the share, whose variance is p (1 - p)
    scale = share * (1 - share)
    rho, doubt = parts.variances * scale, parts.doubt * scale**2
    # one lot differs by all that is in it, whether or not the level asks for it
    own = Moments(max(moments.rho, min(1.0, parts.rho + float(rho[kinds].sum()))) if kinds else moments.rho, moments.freedom)
    sizes = [within[parts.names[i]][1] for i in kinds]
    deff, freedom = shared_effect(read, squares, sizes, own, Shared(rho[kinds], doubt[np.ix_(kinds, kinds)]))
    clusters = min((many for many, _ in within.values()), default=None)
    return (taken / read, *pooled_interval(taken, read, deff, freedom), deff), (clusters, freedom)


def _fair(one: Compared | None) -> tuple[float | str | None, ...]:
    """(adjusted, adjusted_low, adjusted_high, q_value, flag), nothing for what is not a number."""
    if one is None:
        return None, None, None, None, None
    return *(None if math.isnan(v) else v for v in one[:4]), one.flag or None


def _after_all_attempts(rows: list[tuple[Any, ...]]) -> list[tuple[Any, ...]]:
    """by `attempt`, level `final`: green buds of all attempts so far, of the buds read at the first."""
    attempts = {r[1]: r for r in rows if r[0] == "attempt"}
    if "1" not in attempts or len(attempts) < 2:
        return []
    lots, read, deff, clusters, freedom = (attempts["1"][i] for i in (2, 4, 9, 15, 16))
    taken = sum(r[5] for r in attempts.values())
    if not read or taken > read:
        return []
    low, high = pooled_interval(taken, read, deff, freedom)
    numbers = (lots, attempts["1"][3], read, taken, taken / read, low, high, deff)
    return [("attempt", "final", *numbers, *[None] * 5, clusters, freedom, None)]


def _ratio(taken: Any, read: Any, stratum: Any, is_team: Any, rho: float) -> Ratio:
    """A team's odds against the others', over strata of rootstock, scion and attempt, numbered from 0."""
    width = int(stratum.max()) + 1

    def by_stratum(values: Any, chosen: Any) -> Any:
        return np.bincount(stratum[chosen], values[chosen].astype(float), width)

    deff = design_effect(read[is_team], rho)
    own, others = ((by_stratum(taken, who), by_stratum(read - taken, who)) for who in (is_team, ~is_team))
    return odds_ratio(*own, *others, deff)


def compare_times(work: Work) -> None:
    """work.timeliness: of buds read too early or too late, and of groups cut back late, what came through against those
    done in time, lots and groups differing as they do."""
    rows: list[tuple[Any, ...]] = []
    for name, query in (("reading", _READINGS), ("cutting back", _CUTS)):
        found = work.rows(f"SELECT kind, list(y ORDER BY n, y), list(n ORDER BY n, y) FROM ({query}) GROUP BY kind")
        of = {kind: (y, n) for kind, y, n in found}
        rows += [(name, kind, len(n), sum(n), sum(y), *_apart(of, kind)) for kind, (y, n) in sorted(of.items())]
    kinds = {"work": "VARCHAR", "kind": "VARCHAR"} | dict.fromkeys(("units", "plants", "through"), "BIGINT")
    work.put("timeliness", kinds | dict.fromkeys(("difference", "low", "high"), "DOUBLE"), rows)


def _apart(of: dict[str, tuple[list[int], list[int]]], kind: str) -> tuple[float | None, ...]:
    """(difference, low, high) of what came through against what was done in time; nothing where that cannot be said."""
    if kind == "in time" or "in time" not in of:
        return None, None, None
    (y, n), (good, size) = of[kind], of["in time"]
    moments = cautious(rho_within([*y, *good], [*n, *size], [0] * len(y) + [1] * len(good)))
    sizes = [sum(v) / design_effect(v, moments.rho) for v in (n, size)]
    return difference(sum(y) / sum(n), sizes[0], sum(good) / sum(size), sizes[1])


def compare_off_types(work: Work) -> None:
    """work.off_type: off-type culls of each rootstock against the range published for it, where its list has one."""
    rows: list[tuple[Any, ...]] = []
    for stock, lifted, culled, published_low, published_high, source in work.rows(_OFF_TYPES):
        y, n = sum(culled), sum(lifted)
        moments = cautious(rho_within(culled, lifted, [0] * len(culled)))
        low, high = pooled_interval(y, n, design_effect(lifted, moments.rho), moments.freedom)
        verdict = None
        if published_low is not None and published_high is not None:
            verdict = "as published"
            if low > published_high or high < published_low:
                verdict = "more than published" if low > published_high else "fewer than published"
        rows.append((stock, len(lifted), n, y, y / n, low, high, published_low, published_high, source, verdict))
    kinds = {"rootstock": "VARCHAR"} | dict.fromkeys(("groups", "lifted", "off_type"), "BIGINT")
    kinds |= dict.fromkeys(("share", "low", "high", "published_low", "published_high"), "DOUBLE")
    work.put("off_type", kinds | {"source": "VARCHAR", "verdict": "VARCHAR"}, rows)
