"""What the invented nursery recorded of hygiene in its last year: budwood that was cut, steam cycles, knives."""

from __future__ import annotations

import datetime as dt
import random
import uuid
from collections import defaultdict
from collections.abc import Sequence
from typing import Any

SEED = 20261127
_SINCE = dt.date(2026, 1, 5)
_SINCE_KNIVES = dt.date(2026, 6, 1)
_NEVER = "T08"
"""A team that never says that it disinfects."""

Answers = dict[str, object]


def hygiene_records(
    batches: Sequence[dict[str, str]], buddings: Sequence[Answers], today: dt.date
) -> list[tuple[str, Answers, str, dt.date]]:
    """(form, answers, identity, day) of what was recorded until today. `buddings` are the answers of all buddings."""
    dice = random.Random(SEED)
    found: list[tuple[str, Answers, str, dt.date]] = []

    def record(form_id: str, day: dt.date, at: dt.datetime, staff: str, **answers: object) -> None:
        offset = "+02:00" if 3 < day.month < 11 else "+01:00"
        whole: Answers = {
            "start": f"{(at - dt.timedelta(seconds=dice.randint(30, 200))).isoformat(timespec='milliseconds')}{offset}",
            "end": f"{at.isoformat(timespec='milliseconds')}{offset}",
            "deviceid": f"phone-{int(staff[1:]) % 9 + 1}",
            "visit_date": day.isoformat(),
            "staff_code": staff,
        }
        found.append((form_id, whole | answers, f"uuid:{uuid.UUID(int=dice.getrandbits(128), version=4)}", day))

    for batch in batches:
        day = dt.date.fromisoformat(batch["cut_on"])
        if day >= _SINCE:
            stored = dice.choices(("cool_store", "room", "shade"), (8, 2, 1))[0]
            facts: Answers = {k: batch[k] for k in ("scion", "source_block", "source_tree", "authorisation", "buds")}
            if batch is batches[-2]:
                facts["source_tree"] = "M099"  # as somebody read the label, and not as the list has it
            if stored == "cool_store":
                facts["stored_c"] = f"{dice.uniform(4, 9):.1f}"
            at = dt.datetime.combine(day, dt.time(6, 10)) + dt.timedelta(minutes=dice.randint(0, 60))
            record("budwood_cut", day, at, "S20", budwood_batch=batch["code"], stored=stored, **facts)
    day = _SINCE
    while day <= today:
        minutes = dice.choices((31, 35, 40, 22), (4, 6, 4, 1))[0]
        start = dt.datetime.combine(day, dt.time(6, 20)) + dt.timedelta(minutes=dice.randint(0, 90))
        end = start + dt.timedelta(minutes=minutes)
        celsius = {} if dice.random() < 0.06 else {"temperature_c": f"{dice.gauss(68, 4):.1f}"}
        item = dice.choice(("medium", "medium", "trays"))
        times = {"started_at": f"{start:%H:%M}", "ended_at": f"{end:%H:%M}"}
        steamed: dict[str, Any] = {"pieces": dice.randint(10, 60) * 10} if item == "trays" else {}
        record("sterilise", day, end + dt.timedelta(minutes=4), "S16", item=item, method="steam", **times, **celsius, **steamed)
        day += dt.timedelta(days=7)
    by_day: dict[tuple[str, str], list[Answers]] = defaultdict(list)
    for said in buddings:
        if str(said["visit_date"]) >= _SINCE_KNIVES.isoformat() and said.get("end") and said["team_code"] != _NEVER:
            by_day[str(said["visit_date"]), str(said["team_code"])].append(said)
    for (on, team), some in sorted(by_day.items()):
        works = sorted(some, key=lambda said: str(said["end"]))
        product = {"item": "knives", "method": "solution", "team_code": team, "product": "As on the label, fresh today"}
        for before, after in zip([None, *works], works, strict=False):
            is_change = before is not None and before["scion"] != after["scion"]
            if dice.random() < (0.92 if is_change else 0.5):
                at = dt.datetime.fromisoformat(str(after["start"])[:23]) - dt.timedelta(minutes=1)
                said_so = {"done_at": f"{at:%H:%M}", "between_cultivars": "yes" if is_change else "no"}
                record("sterilise", dt.date.fromisoformat(on), at, str(after["staff_code"]), **product, **said_so)
    return found
