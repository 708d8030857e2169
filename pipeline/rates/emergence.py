"""Sowings -> how seed comes up, by seed lot, rootstock, room and sowing, and what was lifted and planted of it."""

from __future__ import annotations

import statistics
from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Any

from pipeline.formulas.emergence import emergence, spread
from pipeline.formulas.proportions import exact
from pipeline.stages import Work

_LEVELS = ("seed_lot", "rootstock", "room", "sowing")
_WHOLE = ("sowings", "seeds", "seeds_read", "emerged")
_KINDS = (
    {"by": "VARCHAR", "level": "VARCHAR"}
    | dict.fromkeys(_WHOLE, "BIGINT")
    | dict.fromkeys(("emergence_rate", "low", "high", "dispersion"), "DOUBLE")
    | dict.fromkeys(("multiple", "multiple_of"), "BIGINT")
    | dict.fromkeys(("multiple_share", "multiple_low", "multiple_high", "days_to_count"), "DOUBLE")
    | dict.fromkeys(("lifted", "planted"), "BIGINT")
    | dict.fromkeys(("lifted_per_seed", "planted_per_seed", "lifted_per_litre", "planted_per_litre"), "DOUBLE")
)
_SOWINGS = """
SELECT seed_lot, rootstock, location AS room, sowing_code AS sowing, times, seeds, litres, seeds_read, emerged, multiple,
    read_on - sown_on AS days, lifted, planted
FROM work.sowings WHERE sowing_code IS NOT NULL ORDER BY sowing_code
"""
Sowing = dict[str, Any]


def _sum(rows: Iterable[Sowing], column: str) -> int | None:
    """The sum of what is known; None where nothing is."""
    known = [r[column] for r in rows if r[column] is not None]
    return sum(known) if known else None


def _for_each(rows: Sequence[Sowing], what: str, of: str) -> float | None:
    """Plants for each seed or litre, of the sowings of which both are known."""
    known = [r for r in rows if r[what] is not None and r[of]]
    return sum(r[what] for r in known) / sum(r[of] for r in known) if known else None


def _read(rows: Iterable[Sowing]) -> list[Sowing]:
    """The sowings of which it is known how many of how many seeds came up."""
    return [r for r in rows if r["times"] == 1 and r["seeds_read"]]


def _counts(read: Sequence[Sowing]) -> tuple[list[int], list[int]]:
    return [r["emerged"] for r in read], [r["seeds_read"] for r in read]


def _row(rows: Sequence[Sowing], usual: float) -> tuple[Any, ...]:
    """The columns of `emergence` beside by and level. Seeds are those of codes sown once; the rate is that of the
    trays counted, the share of seeds with several shoots that of the trays in which somebody looked for them."""
    once = [r for r in rows if r["times"] == 1]
    read = _read(rows)
    looked = [r for r in read if r["multiple"] is not None and r["multiple"] <= r["seeds_read"]]
    rate = emergence(*_counts(read), usual) if read else (None,) * 4
    several, of = _sum(looked, "multiple"), _sum(looked, "seeds_read")
    share = (several / of, *exact(several, of)) if several is not None and of else (None,) * 3
    days = [r["days"] for r in once if r["days"] is not None]
    return (
        *(len(rows), _sum(once, "seeds"), _sum(read, "seeds_read"), _sum(read, "emerged"), *rate, several, of, *share),
        *(statistics.median(days) if days else None, _sum(once, "lifted"), _sum(once, "planted")),
        *(_for_each(once, what, of) for of in ("seeds", "litres") for what in ("lifted", "planted")),
    )


def estimate_emergence(work: Work) -> None:
    """work.emergence."""
    found = work.store.connection.execute(work.said(_SOWINGS))
    columns = [name for name, *_ in found.description or ()]
    sowings = [dict(zip(columns, row, strict=True)) for row in found.fetchall()]
    levels: dict[tuple[str, str], list[Sowing]] = defaultdict(list)
    for sowing in sowings:
        levels["all", "all"].append(sowing)
        for by in _LEVELS:
            if sowing[by]:
                levels[by, sowing[by]].append(sowing)
    order = ("all", *_LEVELS)
    keys = sorted(levels, key=lambda key: (order.index(key[0]), key[1]))
    usual = spread(*_counts(_read(sowings)))
    work.put("emergence", _KINDS, [(*key, *_row(levels[key], usual)) for key in keys])
