"""The months of a nursery, and what was usual for each by the months before it."""

from __future__ import annotations

from typing import Any

import numpy as np

from pipeline.formulas.usual import Usual, chance_of_change, pooled_effect, usual
from pipeline.stages import Work

_BEGUN = "month until_on is_over opened culled_at_opening budded read taken take_rate take_low take_high".split()
_LOST = "lost not_recorded at_risk".split()
_LEFT = "delivered stands stands_low stands_high".split()
_USUAL = "usual usual_low usual_high chance chance_last chance_year".split()
_COLUMNS = (
    {name: "DOUBLE" if name.startswith("take_") else "BIGINT" for name in _BEGUN}
    | {"month": "DATE", "until_on": "DATE", "is_over": "BOOLEAN"}
    | {f"take_{name}": "DOUBLE" for name in _USUAL}
    | dict.fromkeys(_LOST, "BIGINT")
    | {f"lost_{name}": "DOUBLE" for name in ("rate", *_USUAL)}
    | dict.fromkeys(_LEFT, "BIGINT")
)
_SUMS = "is_over read taken take_deff units y at_risk yy yn nn".split()


def hold_against(work: Work) -> None:
    """work.months: each month as it was, and (once it is over) what was usual for its take and its losses."""
    begun, lost, left, sums = (
        work.rows(f"SELECT {', '.join(names)} FROM work.month_sums ORDER BY month") for names in (_BEGUN, _LOST, _LEFT, _SUMS)
    )
    is_over, read, taken, deff, units, y, n, yy, yn, nn = np.array(sums, dtype=float).reshape(-1, len(_SUMS)).T
    takes = _held(taken * is_over, read * is_over, deff)
    losses = _held(y, n, np.full(len(n), pooled_effect(units, y, n, yy, yn, nn)))
    rates = [(a / b if b else None,) for a, b in zip(y, n, strict=True)]
    rows = zip(begun, takes, lost, rates, losses, left, strict=True)
    work.put("months", _COLUMNS, [tuple(v for part in row for v in part) for row in rows])


def _held(y: Any, n: Any, deff: Any) -> list[tuple[float | None, ...]]:
    """What was usual for each month, the chance that one like these is as far off, and that it differs as much from the month
    before and from that of a year before; nothing where too little is known."""

    def change(month: int, since: int, by: Usual) -> float | None:
        if since < 0 or not n[since]:
            return None
        return chance_of_change((y[since], n[since], deff[since]), (y[month], n[month], deff[month]), by)

    return [
        (None,) * 6
        if u is None
        else (u.middle, u.low, u.high, u.chance, change(month, month - 1, u), change(month, month - 12, u))
        for month, u in enumerate(usual(y, n, deff))
    ]
