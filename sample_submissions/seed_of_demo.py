"""What the demo nursery recorded of its seed: sowings since September 2025, and what came up of them.

Seeds in a litre are those of a published field guide for rootstocks (Brazil); all else is invented, drawn with a seed of its
own, so that the other records of the demo stay as they are.
"""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Iterable, Iterator

SINCE = dt.date(2025, 9, 1)
"""The nursery recorded no sowing before, but for one on which it tried the form, of a group that has been despatched since."""
TRIED = dt.date(2025, 5, 14)
PER_LITRE = {"SWINGLE": 2800, "CLEO": 6000, "VOLKA": 7000, "TRIFOL": 3000}
"""Of the other rootstocks the list says nothing, so their seed is counted."""
FOR_EACH = {
    "CARRIZO": 1.12,
    "SWINGLE": 0.92,
    "C35": 0.86,
    "ROUGH": 1.05,
    "VOLKA": 0.95,
    "CLEO": 1.18,
    "TRIFOL": 0.74,
    "US812": 0.9,
}
"""Seedlings for each seed."""
SEVERAL = {"CARRIZO": 0.24, "CLEO": 0.3, "ROUGH": 0.2}
"""Share of the seeds that give more than one; of the others 0.1."""
Answers = dict[str, object]


def records(opened: Iterable[list[Answers]], today: dt.date) -> Iterator[tuple[str, dt.date, Answers]]:
    """(form, day, answers) of each sowing and each count. `opened` has for each day of sowing, in order, the answers of the
    openings from it, which are given the code; some sowings of this autumn are not lifted yet."""
    dice = random.Random(20261127)
    opened = list(opened)
    sown = [some for some in opened if str(some[0]["sow_date"]) >= SINCE.isoformat()]
    for days, (about, *_) in enumerate(sown[-len(FOR_EACH) :]):
        later = dt.date(2026, 8, 24) + dt.timedelta(days=7 * days)
        sown.append([{**about, "sow_date": later.isoformat(), "lifted": dice.randint(1060, 1240)}])
    for serial, some in enumerate(sown, start=1):
        yield from _of_sowing(some, serial, dice, today)
    (tried,) = [some for some in opened if str(some[0]["sow_date"]) == TRIED.isoformat()]
    yield from _of_sowing(tried, 0, random.Random(TRIED.toordinal()), today)
    wrong: Answers = {"visit_date": "2026-09-30", "staff_code": "S04", "sowing_code": "26-CLEO-99", "trays_read": 6}
    yield "emergence", dt.date(2026, 9, 30), wrong | {"emerged": 480}


def _of_sowing(some: list[Answers], serial: int, dice: random.Random, today: dt.date) -> Iterator[tuple[str, dt.date, Answers]]:
    """The sowing that these openings are from, which are given its code, and two counts of what came up."""
    about = some[0]
    rootstock, day = str(about["rootstock"]), dt.date.fromisoformat(str(about["sow_date"]))
    code = f"{day:%y}-{rootstock[:4]}-{serial}"
    for answers in some:
        answers["sowing_code"] = code
    each = FOR_EACH[rootstock] * dice.lognormvariate(0, 0.07)
    seeds = round(int(str(about["lifted"])) * dice.uniform(1.06, 1.2) / each)
    trays, who = -(-seeds // 100), f"S{dice.randint(1, 20):02d}"
    first: Answers = {"visit_date": day.isoformat(), "staff_code": who, "sowing_code": code, "seed_lot": about["seed_lot"]}
    first |= {"rootstock": rootstock, "soak_min": dice.choice([0, 480, 720]), "trays": trays}
    if rootstock in PER_LITRE:
        first |= {"sown_by": "litres", "litres": round(seeds / PER_LITRE[rootstock], 2)}
    else:
        first |= {"sown_by": "counted", "seeds": seeds}
    yield "sowing", day, first | {"medium": dice.choice(["peat", "peat", "coir"]), "location": dice.choice(["H1", "H2"])}
    for after, share in ((dice.randint(26, 32), 0.7), (dice.randint(45, 56), 1.0)):
        on = day + dt.timedelta(days=after)
        if on >= today:
            break
        read = trays if share == 1 or dice.random() < 0.5 else max(1, trays // 4)
        in_them = seeds * share * read / trays
        counted: Answers = {"visit_date": on.isoformat(), "staff_code": who, "sowing_code": code, "trays_read": read}
        counted["emerged"] = round(in_them * each * dice.uniform(0.98, 1.02))
        if rootstock in SEVERAL or dice.random() < 0.7:
            counted["multiple"] = round(in_them * SEVERAL.get(rootstock, 0.1) * dice.uniform(0.9, 1.1))
        yield "emergence", on, counted
