"""The demo nursery's scouting and treatments, as tables that an office typed: a year of both, with a seed of their own."""

from __future__ import annotations

import csv
import datetime as dt
import random
import uuid
from pathlib import Path

PESTS = {"APHID": 0.03, "LEAFMINER": 0.05, "SCALE": 0.008, "SPIDER_MITE": 0.02}
"""What is looked for, with the share of plants that has it in its season."""
SEASON = {"APHID": (2, 5), "LEAFMINER": (6, 9), "SCALE": (1, 12), "SPIDER_MITE": (7, 10)}
PLACES = ("H1", "H2", "H3", "H4", "H5", "H6", "Y1", "Y2", "Y3", "Y4")
BAD = {"H5": 2.5, "Y2": 1.5}
"""Places that have more of it than others."""
SCOUTS = ("S17", "S18", "S19")
PRODUCTS = [
    {"code": "P01", "label": "Product A", "active_ingredient": "Ingredient A", "reentry_hours": "24", "active": "yes"},
    {"code": "P02", "label": "Product B", "active_ingredient": "Ingredient B", "reentry_hours": "12", "active": "yes"},
    {"code": "P03", "label": "Product C", "active_ingredient": "Ingredient C", "reentry_hours": "", "active": "yes"},
]
"""Invented: names of no product."""
AGAINST = {"APHID": "P01", "LEAFMINER": "P02", "SPIDER_MITE": "P03", "SCALE": "P02"}


def records(today: dt.date) -> dict[str, list[dict[str, object]]]:
    """Rows of the forms scouting and treatment."""
    dice = random.Random(20261103)
    walks: list[dict[str, object]] = []
    treatments: list[dict[str, object]] = []

    def said(rows: list[dict[str, object]], day: dt.date, who: str, place: str, **more: object) -> None:
        identity = f"uuid:{uuid.UUID(int=dice.getrandbits(128), version=4)}"
        rows.append({"meta/instanceID": identity, "visit_date": day, "staff_code": who, "location": place, **more})

    def treat(day: dt.date, place: str, pest: str, reentry_on: dt.date) -> None:
        begun = dice.randint(6 * 60, 7 * 60 + 30)
        ended = begun + dice.randint(40, 110)
        area = dice.choice((200, 320, 400, 480))
        dose = {"product": AGAINST[pest], "dose": dice.choice((0.5, 1.0, 1.5)), "dose_unit": "ml_per_l", "area_m2": area}
        times = {"started_at": _clock(begun), "ended_at": _clock(ended)}
        until = {"reentry_on": reentry_on, "reentry_at": _clock(ended)}
        who = dice.choice(("S05", "S11"))
        said(treatments, day, who, place, **dose, volume_l=area // 8, target=pest, applicator=who, **times, **until)

    day = today - dt.timedelta(days=364)
    while day < today:
        for place in dice.sample(PLACES, 3):
            stands = dice.randint(3000, 9000)
            who, examined = dice.choice(SCOUTS), dice.choice((300, 300, 300, 310, 320)) if dice.random() > 0.04 else 120
            in_season = [p for p, (first, last) in SEASON.items() if first <= day.month <= last]
            looked_for = dice.sample(in_season, min(2, len(in_season)))
            found = {}
            for pest in looked_for:
                share = PESTS[pest] * BAD.get(place, 1.0) * dice.choice((0.0, 0.3, 1.0, 1.6))
                found[pest] = sum(dice.random() < share for _ in range(examined))
            for pest, affected in (found if any(found.values()) else {"none": 0}).items():
                more: dict[str, object] = {"found_what": pest, "shown_plants": stands, "examined": examined}
                traps = (
                    {"traps": 4, "trap_count": dice.randint(0, 25)} if pest == "LEAFMINER" else {"traps": "", "trap_count": ""}
                )
                said(walks, day, who, place, **more, affected=affected, **traps)
                if affected > 0.05 * examined:
                    on = day + dt.timedelta(days=dice.randint(1, 3))
                    treat(on, place, pest, on + dt.timedelta(days=1))
        day += dt.timedelta(days=8)
    treatments = [row for row in treatments if row["visit_date"] < today]  # type: ignore[operator]
    treat(today, "H5", "SPIDER_MITE", today + dt.timedelta(days=1))
    return {"scouting": walks, "treatment": treatments}


def _clock(minutes: int) -> str:
    return f"{minutes // 60:02}:{minutes % 60:02}"


def write_tables(inbox: Path, today: dt.date) -> None:
    """inbox/scouting.csv and inbox/treatment.csv."""
    for name, rows in records(today).items():
        with (inbox / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            table = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
            table.writeheader()
            table.writerows(rows)
