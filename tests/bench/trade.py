"""What is usual in the invented nursery: its lists, its rates, its days, and the steps of a group's life.

Days are whole numbers counted from FIRST.
"""

from __future__ import annotations

import datetime as dt

import numpy as np

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


SUNDAY = (6 - FIRST.weekday()) % 7

COUNTED = (("open", 0), *(("stock", 30),) * 60)
"""The life of a group of which nothing is told but counts."""
