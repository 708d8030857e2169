"""Sums of all nurseries -> the tables of a body: what each nursery has beside the others, and what all have together.

An engine gives sums of whole numbers; every fraction is worked out here, from arrays in one order, so that it comes out the
same whichever engine summed.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from formpack.words import marked
from pipeline.body.engines import Engine
from pipeline.body.sources import Found
from pipeline.formulas.nurseries import Cells, compare_nurseries, pooled_shares, pooled_survival
from pipeline.formulas.standardised import compare_losses
from pipeline.rates.losses import STAGES
from pipeline.rates.places import MONTH, THOUSAND
from pipeline.rates.takes import LEAST_BUDS

Whole = NDArray[np.int64]
_KINDS = {"VARCHAR": pa.string(), "BIGINT": pa.int64(), "DOUBLE": pa.float64(), "DATE": pa.date32()}


TABLES: dict[str, tuple[str, tuple[str, ...]]] = {
    "nurseries": (
        marked("every nursery that was given: whether it is in this, why not, what stands in it, its teams"),
        tuple(
            "nursery:VARCHAR state:VARCHAR why:VARCHAR day:DATE submissions:BIGINT accepted:BIGINT first_on:DATE"
            " last_on:DATE groups:BIGINT plants:BIGINT low:BIGINT high:BIGINT teams:BIGINT teams_out_of_line:BIGINT"
            " files_not_read:BIGINT".split()
        ),
    ),
    "nursery_takes": (
        marked("how buds take in each nursery: plainly, with the whole mix, and drawn towards all"),
        tuple(
            "nursery:VARCHAR lots:BIGINT buds_set:BIGINT read:BIGINT taken:BIGINT take_rate:DOUBLE adjusted:DOUBLE"
            " adjusted_low:DOUBLE adjusted_high:DOUBLE q_value:DOUBLE flag:VARCHAR freedom:DOUBLE pooled:DOUBLE"
            " pooled_low:DOUBLE pooled_high:DOUBLE".split()
        ),
    ),
    "nursery_losses": (
        marked("what each nursery lost beside what was to be expected of what stood there"),
        tuple(
            "nursery:VARCHAR lines:BIGINT lost:BIGINT not_recorded:BIGINT plant_days:BIGINT loss_rate:DOUBLE"
            " expected:DOUBLE ratio:DOUBLE ratio_low:DOUBLE ratio_high:DOUBLE q_value:DOUBLE flag:VARCHAR".split()
        ),
    ),
    "takes": (
        marked("how buds take in all nurseries together, by level; the interval has nurseries as clusters"),
        tuple(
            "by:VARCHAR level:VARCHAR nurseries:BIGINT lots:BIGINT buds_set:BIGINT read:BIGINT taken:BIGINT"
            " take_rate:DOUBLE low:DOUBLE high:DOUBLE".split()
        ),
    ),
    "pairs": (
        marked("each rootstock with each scion: plainly, and had all nurseries budded it; rare ones borrow from all"),
        tuple(
            "rootstock:VARCHAR scion:VARCHAR nurseries:BIGINT lots:BIGINT read:BIGINT take_rate:DOUBLE"
            " borrowed:DOUBLE borrowed_low:DOUBLE borrowed_high:DOUBLE".split()
        ),
    ),
    "survival": (
        marked("how many plants come through each step in all nurseries together"),
        tuple(
            "by:VARCHAR level:VARCHAR clock:VARCHAR step:VARCHAR nurseries:BIGINT at_risk:BIGINT lost:BIGINT"
            " survival:DOUBLE low:DOUBLE high:DOUBLE".split()
        ),
    ),
    "loss_causes": (
        marked("what plants of all nurseries are lost to, by stage"),
        tuple("stage:VARCHAR cause:VARCHAR nurseries:BIGINT lost:BIGINT share:DOUBLE low:DOUBLE high:DOUBLE".split()),
    ),
    "off_type": (
        marked("off-type culls by rootstock in all nurseries together"),
        tuple(
            "rootstock:VARCHAR nurseries:BIGINT groups:BIGINT lifted:BIGINT off_type:BIGINT share:DOUBLE low:DOUBLE"
            " high:DOUBLE".split()
        ),
    ),
    "teams": (
        marked("each team beside the others of its nursery, by the nursery's own books"),
        tuple(
            "nursery:VARCHAR team_code:VARCHAR lots:BIGINT read:BIGINT taken:BIGINT take_rate:DOUBLE low:DOUBLE"
            " high:DOUBLE adjusted:DOUBLE adjusted_low:DOUBLE adjusted_high:DOUBLE q_value:DOUBLE flag:VARCHAR".split()
        ),
    ),
    "between": (
        marked("how much nurseries differ in take, and how lots of one nursery do"),
        tuple("part:VARCHAR sd:DOUBLE low:DOUBLE high:DOUBLE".split()),
    ),
}
"""Name -> (what it holds, its columns as NAME:TYPE)."""


def tables_of(engine: Engine, found: Sequence[Found]) -> dict[str, pa.Table]:
    """Every table of a body."""
    stands, levels = (_rows(engine.sums(name)) for name in ("stands_of_nurseries", "take_levels"))
    takes, pairs, between = _takes(engine, levels)
    return {
        name: _arrow(name, rows)
        for name, rows in {
            "nurseries": _nurseries(found, stands),
            "nursery_takes": takes,
            "nursery_losses": _losses(engine),
            "takes": _levels(levels),
            "pairs": pairs,
            "survival": _survival(engine),
            "loss_causes": _causes(engine),
            "off_type": _off_types(engine),
            "teams": zip(*_rows(engine.sums("teams_of_nurseries")).values(), strict=True),
            "between": between,
        }.items()
    }


def columns_of(name: str) -> dict[str, str]:
    """The columns of a table with their types."""
    return dict(column.split(":") for column in TABLES[name][1])


def _arrow(name: str, rows: Iterable[Sequence[Any]]) -> pa.Table:
    columns, rows = columns_of(name), list(rows)
    values = zip(*rows, strict=True) if rows else [()] * len(columns)
    return pa.table(
        {c: pa.array(map(_known, v), type=_KINDS[kind]) for (c, kind), v in zip(columns.items(), values, strict=True)}
    )


def _known(value: Any) -> Any:
    """A plain value, nothing for what is not a number or an empty word."""
    value = value.item() if isinstance(value, np.generic) else value
    return None if value == "" or (isinstance(value, float) and not math.isfinite(value)) else value


def _rows(table: Any) -> dict[str, list[Any]]:
    found: dict[str, list[Any]] = table.to_pydict()
    return found


def _numbered(values: Iterable[Any]) -> tuple[list[Any], Whole]:
    """The distinct values in order and the number of each (m,) among them; nothing is a value of its own, the last."""
    values = list(values)
    names = sorted({v for v in values if v is not None}) + ([None] if None in values else [])
    number = {v: i for i, v in enumerate(names)}
    return names, np.fromiter((number[v] for v in values), np.int64, len(values))


def _whole(values: Iterable[Any]) -> Whole:
    return np.asarray(list(values), dtype=np.int64)


def _nurseries(found: Sequence[Found], stands: dict[str, list[Any]]) -> list[tuple[Any, ...]]:
    names = (
        "submissions",
        "accepted",
        "first_on",
        "last_on",
        "groups",
        "plants",
        "low",
        "high",
        "teams",
        "flagged",
        "files_not_read",
    )
    of = {n: row for n, *row in zip(stands["nursery"], *(stands[c] for c in names), strict=True)}
    return [
        (one.nursery, "left out", one.why, None, *[None] * len(names))
        if one.why
        else (one.nursery, "taken in", None, dt.date.fromisoformat(one.day), *of.get(one.nursery, [0, 0, None, None, *[0] * 7]))
        for one in found
    ]


def _takes(engine: Engine, levels: dict[str, list[Any]]) -> tuple[list[Any], list[Any], list[Any]]:
    """(nurseries, pairs, what differs) by their takes."""
    cells = _rows(engine.sums("take_cells"))
    if not cells["nursery"]:
        return [], [], []
    nurseries, who = _numbered(cells["nursery"])
    stocks, stock = _numbered(cells["rootstock"])
    scions, scion = _numbered(cells["scion"])
    month = _whole(day.year * 12 + day.month - 1 for day in cells["month"])
    sums = (_whole(cells[c]) for c in ("lots", "read", "taken", "nn", "ny", "yy"))
    found = compare_nurseries(Cells(who, month, stock, scion, _whole(cells["attempt"]), *sums), LEAST_BUDS)
    own = zip(*(levels[c] for c in ("by_what", "nursery", "buds_set")), strict=True)
    set_in = {n: buds for by, n, buds in own if by == "all"}
    t, p = found.takes, found.pairs
    takes = [
        (nurseries[n], lots, set_in.get(nurseries[n], 0), read, taken, taken / read, *rest)
        for n, lots, read, taken, *rest in zip(
            *(t.nursery, t.lots, t.read, t.taken, t.adjusted, t.low, t.high, t.q_value, t.flag, t.freedom),
            *(t.pooled, t.pooled_low, t.pooled_high),
            strict=True,
        )
    ]
    pairs = [
        (stocks[r] if r >= 0 else "all", scions[s] if s >= 0 else "all", many, lots, read, share, take, low, high)
        for r, s, many, lots, read, share, take, low, high in zip(
            p.rootstock, p.scion, p.nurseries, p.lots, p.read, p.share, p.take, p.low, p.high, strict=True
        )
    ]
    parts = [(name, math.sqrt(variance), None, None) for name, variance in found.parts.items()]
    return (
        takes,
        pairs,
        [("nursery", found.spread, found.spread_low, found.spread_high), *parts, ("rho of lots", found.rho, None, None)],
    )


def _levels(of: dict[str, list[Any]]) -> list[tuple[Any, ...]]:
    keys = list(zip(of["by_what"], of["level"], strict=True))
    names, level = _numbered(keys)
    _, who = _numbered(of["nursery"])
    lots, buds, read, taken = (_whole(of[c]) for c in ("lots", "buds_set", "read", "taken"))
    found = pooled_shares(level, who, taken, read, len(names))
    sums = [np.bincount(level, v, len(names)).astype(np.int64) for v in (lots, buds)]
    columns = (found.nurseries, *sums, found.looked_at, found.counted, found.share, found.low, found.high)
    return [(by, name, *row) for (by, name), *row in zip(names, *columns, strict=True)]


def _losses(engine: Engine) -> list[tuple[Any, ...]]:
    """Nurseries compared by what they lost; what was opened in a month is one line, as plants of one age share their fate."""
    of = _rows(engine.sums("loss_cells"))
    names, who = _numbered(of["nursery"])
    lines = _numbered(of["cohort"])[1]
    cells = _numbered(zip(of["kind"], of["stage"], of["rootstock"], strict=True))[1]
    exposure, lost = _whole(of["exposure"]), _whole(of["lost"])
    kind = np.asarray(of["kind"], dtype=str)
    found, _ = compare_losses(who, lines, cells, exposure, lost)
    days, unseen = (
        np.bincount(who, np.where(kind == k, v, 0), len(names)).astype(np.int64)
        for k, v in (("recorded", exposure), ("not_recorded", lost))
    )
    rows = []
    for n, one in found.items():
        rate = one.lost * THOUSAND * MONTH / days[n] if days[n] else math.nan
        fair = one.expected, one.ratio, one.low, one.high, one.q_value, one.flag
        rows.append((names[n], one.groups, one.lost, unseen[n], days[n], rate, *fair))
    return rows


def _survival(engine: Engine) -> list[tuple[Any, ...]]:
    """Steps in the order in which each nursery's books have them: stages, and days by their number."""
    of = _rows(engine.sums("survival_steps"))
    columns = ("by_what", "level", "clock", "step", "nursery", "at_risk", "lost")
    curves: dict[tuple[str, str, str], list[tuple[Any, ...]]] = {}
    for by, level, clock, *row in zip(*(of[c] for c in columns), strict=True):
        curves.setdefault((by, level, clock), []).append(tuple(row))
    rows: list[tuple[Any, ...]] = []
    for key, own in curves.items():
        steps = sorted({row[0] for row in own}, key=_place_of)
        number = {step: i for i, step in enumerate(steps)}
        step = _whole(number[row[0]] for row in own)
        at_risk, lost = (_whole(row[i] for row in own) for i in (2, 3))
        found = pooled_survival(_numbered(row[1] for row in own)[1], step, at_risk, lost, len(steps))
        told = zip(steps, found.nurseries, found.at_risk, found.lost, found.survival, found.low, found.high, strict=True)
        rows += [(*key, *row) for row in told]
    return rows


def _place_of(step: str) -> tuple[int, str]:
    return (STAGES.index(step) if step in STAGES else int(step) if step.isdecimal() else 10**9, step)


def _causes(engine: Engine) -> list[tuple[Any, ...]]:
    """The share of all losses of a stage that each cause has."""
    of = _rows(engine.sums("causes_of_loss"))
    keys, level = _numbered(zip(of["stage"], of["cause"], strict=True))
    nurseries, who = _numbered(of["nursery"])
    stages, stage = _numbered(of["stage"])
    lost = _whole(of["lost"])
    # every nursery that lost anything in a stage counts for each of its causes, with none lost to it too
    total = np.zeros((len(stages), len(nurseries)), dtype=np.int64)
    np.add.at(total, (stage, who), lost)
    stage_of = _whole(stages.index(s) for s, _ in keys)
    count = np.zeros((len(keys), len(nurseries)), dtype=np.int64)
    np.add.at(count, (level, who), lost)
    whole = total[stage_of]
    of_key, of_who = np.nonzero(whole)
    found = pooled_shares(of_key, of_who, count[of_key, of_who], whole[of_key, of_who], len(keys))
    columns = (found.nurseries, found.counted, found.share, found.low, found.high)
    rows = [(s, cause, *row) for (s, cause), *row in zip(keys, *columns, strict=True)]
    return sorted(rows, key=lambda row: (_place_of(row[0]), -row[3], row[1]))


def _off_types(engine: Engine) -> list[tuple[Any, ...]]:
    of = _rows(engine.sums("off_types_of_nurseries"))
    names, level = _numbered(of["rootstock"])
    _, who = _numbered(of["nursery"])
    groups, lifted, off = (_whole(of[c]) for c in ("groups", "lifted", "off_type"))
    found = pooled_shares(level, who, off, lifted, len(names))
    summed = np.bincount(level, groups, len(names)).astype(np.int64)
    return list(
        zip(names, found.nurseries, summed, found.looked_at, found.counted, found.share, found.low, found.high, strict=True)
    )
