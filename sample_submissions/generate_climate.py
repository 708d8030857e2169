"""What instruments showed in the demo nursery in its last year, how it was fed and weeded: invented, with a seed of its own, as
one table of all four forms, so that nothing else of the demo depends on it."""

from __future__ import annotations

import csv
import datetime as dt
import math
import random
import uuid
from collections.abc import Iterator
from pathlib import Path

from formpack.catalog import Form

SEED = 20261103
LIMITS = (
    ("GERM-T", "H1", "temperature", "20", "30"),
    ("HOUSE-T", "", "temperature", "4", "40"),
    ("GERM-H", "H1", "humidity", "70", "95"),
    ("HOUSE-H", "", "humidity", "35", "90"),
    ("FEED-EC", "", "ec", "0.8", "1.8"),
    ("FEED-PH", "", "ph", "5.5", "6.5"),
    ("DRAIN-EC", "", "drain_ec", "", "2.6"),
    ("DRAIN-PH", "", "drain_ph", "5", "7"),
)
"""The invented nursery's own limits; they advise nobody."""
_READERS = {"H1": "S17", "H4": "S18", "H6": "S18", "Y1": "S19"}

Row = dict[str, str]


def _record(dice: random.Random, form: Form, day: dt.date, hour: int, place: str, **answers: object) -> Row:
    said = {"visit_date": day, "staff_code": _READERS[place], "location": place, **answers}
    moment = f"{day}T{hour:02d}:{dice.randint(0, 59):02d}:{dice.randint(0, 59):02d}.000+00:00"
    return {
        "form_id": form.form_id,
        "form_version": form.version,
        "instance_id": f"uuid:{uuid.UUID(int=dice.getrandbits(128), version=4)}",
        "end": moment,
        **{name: str(value) for name, value in said.items()},
    }


def _records(forms: dict[str, Form], today: dt.date) -> Iterator[Row]:
    dice = random.Random(SEED)
    for ago in range(360, 0, -1):
        day = today - dt.timedelta(days=ago)
        warm = 19 - 6 * math.cos(2 * math.pi * (day.timetuple().tm_yday - 15) / 365)
        if day.weekday() == 6:
            continue
        if day.weekday() in (0, 3) and not 170 <= ago <= 184:  # for two weeks nobody read the germination room
            air = {"temperature_c": f"{dice.gauss(25, 1.4):.1f}", "humidity_pct": f"{min(99, dice.gauss(84, 4)):.0f}"}
            yield _record(dice, forms["germination_room"], day, 7, "H1", **air)
        if 300 <= ago <= 305:  # its heating failed, and it was read more often until it was mended
            for hour in (10, 14, 18):
                level = dice.gauss(18.5 if ago > 302 else 24.5, 0.6)
                yield _record(dice, forms["germination_room"], day, hour, "H1", temperature_c=f"{level:.1f}")
        if day.weekday() == 1:
            for place in ("H4", "H6"):
                now = warm + dice.gauss(2, 2) + (6 if place == "H6" and warm > 23 else 0)
                least, most = now - abs(dice.gauss(8, 1.5)), now + abs(dice.gauss(6, 2))
                air = {"temperature_c": f"{now:.1f}", "temperature_min_c": f"{least:.1f}", "temperature_max_c": f"{most:.1f}"}
                if not (place == "H4" and ago < 90):  # its instrument for humidity broke and was not replaced
                    air["humidity_pct"] = f"{max(20, min(99, dice.gauss(66, 9))):.0f}"
                yield _record(dice, forms["structure_climate"], day, 14, place, **air)
        if day.weekday() == 4 and ago % 2:
            for place in ("H4", "Y1"):
                ec, ph = dice.gauss(1.4, 0.15), dice.gauss(6, 0.2)
                given = {"recipe": "Growth" if warm > 16 else "Winter", "ec": f"{ec:.2f}", "ph": f"{ph:.1f}", "minutes": 12}
                if place == "H4":
                    drain = ec + abs(dice.gauss(0.6, 0.25)) + (0.5 if ago < 60 else 0)  # salts rise towards the end
                    given |= {"drain_ec": f"{drain:.2f}", "drain_ph": f"{ph + dice.gauss(0.2, 0.2):.1f}"}
                yield _record(dice, forms["feeding"], day, 9, place, **given)
        if day.day == 12:
            for place in ("H6", "Y1"):
                people = dice.randint(2, 5)
                work = {"people": people, "minutes": 15 * dice.randint(4, 14)} if dice.random() < 0.9 else {"people": people}
                yield _record(dice, forms["weeding"], day, 11, place, **work)


def write(forms: dict[str, Form], today: dt.date, demo: Path) -> int:
    """inbox/climate.csv and lists/limits.csv; returns how many records."""
    rows = list(_records(forms, today))
    asked = [q.name for name in ("germination_room", "structure_climate", "feeding", "weeding") for q in forms[name].kept]
    columns = list(dict.fromkeys(["form_id", "form_version", "instance_id", *asked]))
    with (demo / "inbox" / "climate.csv").open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, columns, restval="", lineterminator="\n")
        table.writeheader()
        table.writerows(rows)
    with (demo / "lists" / "limits.csv").open("w", encoding="utf-8", newline="") as file:
        lines = csv.writer(file, lineterminator="\n")
        lines.writerow(("code", "place", "what", "low", "high", "active"))
        lines.writerows((*line, "yes") for line in LIMITS)
    return len(rows)
