"""Walks of scouting -> how many plants have a pest or symptom, by level, with exact intervals; and how many should have been
examined."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import special

from pipeline.formulas.detection import sample_size, share_found, wanted
from pipeline.formulas.overdispersion import Moments, cautious, design_effect, rho_within
from pipeline.formulas.proportions import Z95, exact
from pipeline.settings import Scouting
from pipeline.stages import Work

_LEVELS = {
    "all": ("",),
    "pest": ("pest",),
    "place": ("location",),
    "house": ("house",),
    "month": ("month",),
    "pest+place": ("pest", "location"),
    "pest+month": ("pest", "month"),
}
_WALKS = """
SELECT instance_id, pest, location, house, strftime(on_date, '%Y-%m') AS month, examined, affected, plants
FROM work.walks ORDER BY instance_id
"""
_INCIDENCE = (
    {"by": "VARCHAR", "level": "VARCHAR"}
    | dict.fromkeys(("walks", "examined", "affected"), "BIGINT")
    | dict.fromkeys(("rate", "low", "high", "deff", "would_find"), "DOUBLE")
)


@dataclass(frozen=True)
class Seen:
    """Of a level: walks, plants examined and affected, the share (None where none was affected) with its limits (`low` None
    likewise, `high` then the one upper limit), the design effect and the smallest share that would have been found."""

    walks: int
    examined: int
    affected: int
    rate: float | None
    low: float | None
    high: float
    deff: float
    would_find: float


def seen(walks: list[tuple[int, int, int | None]], moments: Moments, settings: Scouting) -> Seen:
    """What walks (examined, affected, plants that stood there) say together.

    One walk says what stood there then: the exact interval on its own numbers. Several share a source of variation, so theirs
    is exact on effective numbers, after E. L. Korn & B. I. Graubard, Survey Methodology 24 (1998) 193-201. Where none was
    affected there is one limit, of 95 % on one side. The smallest share that would have been found is by the hypergeometric for
    one walk where the number of plants is known, else by the binomial, of several walks on the effective number.
    """
    examined, affected = sum(w[0] for w in walks), sum(w[1] for w in walks)
    deff, size = 1.0, float(examined)
    if len(walks) > 1:
        deff = design_effect([w[0] for w in walks], moments.rho)
        if deff > 1:
            quantile = float(special.stdtrit(max(4, moments.freedom), 0.975))
            size = max(1.0, examined / deff * (Z95 / quantile) ** 2)
    plants = walks[0][2] if len(walks) == 1 else None
    least = share_found(round(size), plants, settings.confidence, settings.efficacy)
    if not affected:
        return Seen(len(walks), examined, 0, None, None, 1 - 0.05 ** (1 / size), deff, least)
    rate = affected / examined
    return Seen(len(walks), examined, affected, rate, *exact(rate * size, size), deff, least)


def estimate_incidence(work: Work) -> None:
    """work.incidence, and work.wanted: how many plants each walk should have examined, by the settings."""
    settings: Scouting = work.context.workspace.settings.scouting
    columns = ("instance_id", "pest", "location", "house", "month", "examined", "affected", "plants")
    rows: list[dict[str, Any]] = [dict(zip(columns, row, strict=True)) for row in work.rows(_WALKS)]
    y, n, cell = (np.array([r[c] for r in rows]) for c in ("affected", "examined", "pest"))
    moments = cautious(rho_within(y, n, cell)) if rows else Moments(0.0, 0)
    levels: dict[tuple[str, str], list[tuple[int, int, int | None]]] = defaultdict(list)
    for r in rows:
        for by, parts in _LEVELS.items():
            names = ["all"] if by == "all" else [r[p] for p in parts]
            if None not in names:
                levels[by, "+".join(names)].append((r["examined"], r["affected"], r["plants"]))
    order = list(_LEVELS)
    found = [
        (*key, s.walks, s.examined, s.affected, s.rate, s.low, s.high, s.deff, s.would_find)
        for key in sorted(levels, key=lambda k: (order.index(k[0]), k[1]))
        for s in [seen(levels[key], moments, settings)]
    ]
    work.put("incidence", _INCIDENCE, found)
    work.put(
        "wanted",
        {"instance_id": "VARCHAR", "wanted": "BIGINT"},
        [(r["instance_id"], most) for r in rows if (most := _wanted(r["plants"], settings)) is not None],
    )


def _wanted(plants: int | None, settings: Scouting) -> int | None:
    if plants is None:
        return sample_size(None, settings.level, settings.confidence, settings.efficacy)
    found = wanted(plants, settings.level, settings.confidence, settings.efficacy)
    return found and found[0]
