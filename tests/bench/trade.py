"""What is usual in the invented nursery: its lists, its rates, its days, and the steps of a group's life.

Days are whole numbers counted from FIRST.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

FIRST = dt.date(2015, 1, 1)
END = dt.date(2026, 10, 31)
"""The last day of everything but what comes later; a Saturday."""
TODAY = dt.date(2026, 11, 2)
STAGES = np.array(["tray", "bag", "budded", "read", "cut_back", "staked", "topped"], dtype=object)
STAFF = np.array([f"S{n:02d}" for n in range(1, 41)], dtype=object)
TEAMS = np.array([f"T{n:02d}" for n in range(1, 21)], dtype=object)
PLACES = np.array([f"H{n}" for n in range(1, 13)] + [f"Y{n:02d}" for n in range(1, 25)], dtype=object)
ROOTSTOCKS = np.array(["CARRIZO", "SWINGLE", "C35", "ROUGH", "VOLKA", "CLEO", "TRIFOL", "US812"], dtype=object)
SCIONS = np.array(
    ["VALENCIA", "NAVEL", "EUREKA", "LISBON", "CLEMENT", "SATSUMA", "PERA", "TAHITI", "STARRUBY", "MURCOTT"], dtype=object
)
OFF_TYPE = np.array([0.03, 0.07, 0.03, 0.04, 0.14, 0.02, 0.12, 0.03])
ROOTSTOCK_TAKE = np.array([0.3, 0.0, 0.1, 0.4, 0.3, -0.2, -0.8, 0.1])
SCION_TAKE = np.array([0.2, 0.0, 0.3, 0.3, -0.2, -0.4, 0.1, 0.2, 0.0, -0.3])
CAUSES = np.array(["pest", "disease", "mechanical", "heat", "water", "dead", "missing", "chemical", "frost"], dtype=object)
BATCH_DAYS = 14
"""Budwood of a scion is cut once in so many days."""
COUNT = {"cull_round": "counted", "bag_up": "bagged", "cut_back": "cut", "stake": "staked", "top": "topped"}
LATE = {"off_type": 0.002, "weak": 0.006, "disease": 0.003, "bud_failed": 0.012, "other": 0.001, "dead": 0.005}
CULLS = {
    "cull_round": {"bent_root": 0.004, "etiolated": 0.003, "weak": 0.015, "disease": 0.003, "other": 0.001, "dead": 0.006},
    "bag_up": {"off_type": 0.004, "bent_root": 0.012, "weak": 0.014, "disease": 0.002, "other": 0.001, "dead": 0.007},
    "cut_back": LATE,
    "stake": LATE,
    "top": LATE | {"bud_failed": 0.002},
}
MAIN = (
    ("open", 0),
    ("cull", 44),
    ("loss", 18),
    ("bag", 18),
    ("stock", 30),
    ("loss", 20),
    ("relocate", 8),
    ("cull", 7),
    ("loss", 20),
    ("bud", 20),
    ("stock", 10),
    ("take", 11),
    ("aside", 3),
    ("cut", 6),
    ("loss", 14),
    ("stake", 29),
    ("stock", 20),
    ("loss", 10),
    ("relocate", 8),
    ("top", 14),
    ("stock", 30),
    ("loss", 25),
    ("loss", 30),
    ("stock", 25),
    ("loss", 14),
    ("ship", 24),
    ("ship_rest", 25),
    ("clear", 3),
)
"""The life of a group: what happens, and how many days after what was before it, give or take a sixth."""
ASIDE = (
    ("bud", 12),
    ("take", 21),
    ("cut", 8),
    ("stock", 20),
    ("stake", 23),
    ("loss", 20),
    ("top", 60),
    ("stock", 30),
    ("ship_rest", 80),
    ("clear", 3),
)
"""The life of plants that were set aside because their buds had failed."""


def day(of: dt.date) -> int:
    return (of - FIRST).days


MONTHS = (np.datetime64(FIRST) + np.arange(day(TODAY) + 40)).astype("datetime64[M]").astype(np.int64)
MONTHS -= MONTHS[0]
"""The month of a day, counted from that of FIRST."""
SUNDAY = (6 - FIRST.weekday()) % 7

COUNTED = (("open", 0), *(("stock", 30),) * 60)
"""The life of a group of which nothing is told but counts."""


@dataclass(frozen=True)
class Ways:
    """What is a nursery's own; where nothing is said, that of the nursery that benches measure by."""

    pairs: NDArray[np.int64] | None = None
    """Pairs of rootstock and scion in the order in which groups take them, over and over; None: any that suit each other. A
    pair is the place of its rootstock in ROOTSTOCKS times the number of SCIONS, and the place of its scion."""
    take: float = 0.0
    """What the nursery adds to the logit of take, as the two that follow."""
    team_take: NDArray[Any] = field(default_factory=lambda: (np.arange(len(TEAMS)) % 7 - 3) * 0.12)
    """Of each team; so many teams there are, at least two."""
    month_take: NDArray[Any] = field(default_factory=lambda: np.zeros(MONTHS[-1] + 1))
    """Of buds set in each of MONTHS."""
    loss: float = 1.0
    """Plants noted as lost, for one that is usual."""
    staff: int = len(STAFF)
    """How many people there are; two a team at least."""
    ordered: int = 800
    """Trees of an order."""

    def grown(self) -> list[int]:
        """The pairs that it grows at all."""
        return list(range(len(ROOTSTOCKS) * len(SCIONS))) if self.pairs is None else sorted(set(self.pairs.tolist()))
