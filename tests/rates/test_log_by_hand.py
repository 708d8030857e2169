"""Small random nurseries of what is recorded beside the inspections: every table worked out anew by plain counting.

Records come as tables in several imports, in any order and some of them twice; some are edited, withdrawn, corrected, kept out
or sent twice under another identity. What is counted here knows only what was meant by each. Limits of shares are those of
`scipy.stats.beta`, how many plants to examine of `scipy.stats.hypergeom`, limits of a number of `scipy.stats.chi2`.
"""

from __future__ import annotations

import csv
import datetime as dt
import os
import random
import statistics
from collections import defaultdict
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import pytest
from scipy import stats

from formpack.group_code import issue
from pipeline import run
from pipeline.intake.corrections import Correction, add
from pipeline.store import Store
from pipeline.workspace import Workspace
from tests.conftest import new_workspace, table

Row = dict[str, Any]
SEEDS = (2, 3) if os.environ.get("CI") else (2,)
CODES = issue(2026, 900, 8)
PLACES = {"H1": "", "H1B1": "H1", "H1B1T": "H1B1", "H1B2": "H1", "Y1": ""}
LOTS = {"L-C": ("CARRIZO", 3000), "L-T": ("TRIFOL", None)}
SCIONS = ("TAHITI", "VALENCIA", "EUREKA")
PRODUCTS = {"P01": "Product P01", "P02": "Product P02"}
INGREDIENTS = {"P01": "Ingredient A", "P02": "Ingredient B"}
STEAM = (30, 60.0)
BUDWOOD_DAYS = 20
WANTED_LEVEL = 0.02
WHEN = dt.datetime(2026, 11, 2, 9, 0)


def house(place: str) -> str:
    while PLACES[place]:
        place = PLACES[place]
    return place


class Nursery:
    """Rows as they are sent, corrections, and `true`: what counts of each form, by what its people meant."""

    def __init__(self, seed: int) -> None:
        self.dice = random.Random(seed)
        self.sent: dict[str, list[Row]] = defaultdict(list)
        self.true: dict[str, list[Row]] = defaultdict(list)
        self.corrections: list[Correction] = []
        self.number = 0
        for kind in (self.seed, self.climate, self.scouting, self.treatments, self.budwood, self.hygiene):
            kind()

    def key(self) -> str:
        """Keys in no order of time."""
        self.number += 1
        return f"uuid:{self.dice.getrandbits(40):010x}-{self.number}"

    def decide(self, instance: str, kind: str, field: str = "", old: object = "", new: object = "") -> None:
        number = len(self.corrections) + 1
        about = (instance, kind, field, str(old), str(new), "", "asked")
        self.corrections.append(Correction(number, WHEN + dt.timedelta(minutes=number), "S01", *about))

    def say(self, form: str, day: dt.date, at: str = "", wrong: Row | None = None, sure: bool = False, **answers: Any) -> Row:
        """A record as it is meant, sent in one of the ways in which records are sent; `wrong` are answers that somebody may
        have given in place of these, with which it is kept out or says another thing."""
        meant = {"visit_date": day, "staff_code": self.dice.choice(("S01", "S02", "S03")), **answers}
        row = {
            "KEY": self.key(),
            "deprecatedID": "",
            "end": f"{day}T{at}:07.000+02:00" if at else "",
            **meant,
            "note": f"n{self.number}",
        }
        way = 1.0 if sure else self.dice.random()
        if way < 0.06:  # withdrawn
            self.decide(row["KEY"], "withdraw")
            self.sent[form].append(row)
            return {}
        if way < 0.12 and wrong:  # kept out for good, or until it is corrected
            self.sent[form].append(row | wrong)
            if way < 0.09:
                return {}
            for field, value in wrong.items():
                self.decide(row["KEY"], "correct", field, value, "" if row.get(field) is None else row[field])
        elif way < 0.2:  # edited: twice, or once
            for _ in range(self.dice.randint(1, 2)):
                self.sent[form].append(row | {"note": f"as it was at first {self.number}"} | (wrong or {}))
                row = row | {"KEY": self.key(), "deprecatedID": row["KEY"]}
            self.sent[form].append(row)
        elif way < 0.26:  # the same work under another identity, saved later in that minute
            self.sent[form] += [row, row | {"KEY": self.key(), "end": row["end"].replace(":07.", ":19.")}]
            if not row["end"]:  # which of two without a time counts is by their names alone
                row = min(self.sent[form][-2:], key=lambda r: str(r["KEY"]))
        else:
            self.sent[form].append(row)
        self.true[form].append(row)
        return row

    def day(self, first: dt.date = dt.date(2026, 1, 5), days: int = 300) -> dt.date:
        return first + dt.timedelta(days=self.dice.randrange(days))

    def at(self) -> str:
        return f"{self.dice.randrange(5, 20):02}:{self.dice.randrange(60):02}"

    def seed(self) -> None:
        dice = self.dice
        for n in range(14):
            lot = dice.choice(list(LOTS))
            code = dice.choice((f"26-{n:02}", f"26-{n:02}", f"26-0{n // 2}"))
            amount: Row = {"sown_by": "counted", "seeds": dice.randint(100, 900)}
            if dice.random() < 0.4:
                amount = {"sown_by": "litres", "litres": dice.choice((0.1, 0.25, 0.3))}
            where = {"trays": dice.randint(6, 12), "medium": "peat", "location": dice.choice(list(PLACES))}
            said = {
                "sowing_code": dice.choice((code, code.lower())),
                "seed_lot": lot,
                "rootstock": LOTS[lot][0],
                **amount,
                **where,
            }
            self.say("sowing", self.day(days=40), self.at(), {"trays": 0}, **said)
            for _ in range(dice.randint(0, 3)):
                up = dice.randint(0, 700)
                several = dice.choice((None, None, dice.randint(0, up // 4)))
                counted = {"trays_read": dice.randint(1, 8), "emerged": up, "multiple": several}
                self.say("emergence", self.day(days=55), self.at(), {"emerged": 500001}, sowing_code=code, **counted)
        for n, group in enumerate(CODES, start=1):
            lot = dice.choice(list(LOTS))
            lifted, culls = dice.randint(400, 900), dict.fromkeys(("bent_root", "etiolated", "weak", "other"), 0)
            out = {"cull_off_type": n, **{f"cull_{c}": k for c, k in culls.items()}}
            self.say(
                "open_group",
                dt.date(2026, 4, 1),
                self.at(),
                sure=True,
                group_code=group,
                **{"seed_lot": lot, "rootstock": LOTS[lot][0], "sow_date": self.day(days=40), "lifted": lifted, **out},
                sowing_code=dice.choice(("", f"26-{dice.randrange(15):02}")),
                any_out="yes",
                planted=lifted - n,
                location=dice.choice(list(PLACES)),
            )

    def climate(self) -> None:
        dice = self.dice
        self.limits = {
            f"L{n:02}": (
                place,
                what,
                *dice.choice(((low, high), (low, high), (low, None), (None, high), (high, low), (None, None))),
                active,
            )
            for n, (place, what, active) in enumerate(
                (dice.choice(["", *PLACES]), dice.choice(("temperature", "humidity", "ec")), dice.choice(("yes", "yes", "no")))
                for _ in range(24)
            )
            for low, high in [(dice.randint(1, 20), dice.randint(21, 80))]
        }
        bounds = [end for _, _, *ends, _ in self.limits.values() for end in ends if end is not None]
        for _ in range(90):
            day, place, at = self.day(days=100), dice.choice(list(PLACES)), dice.choice(("", self.at()))
            typed = dice.choice((None, None, None, f"{dice.randrange(24):02}:00"))
            read: Row = {
                "location": place,
                "read_at": typed,
                "temperature_c": dice.choice((None, dice.randint(-30, 70), min(70, dice.choice(bounds)))),
            }
            read |= {"humidity_pct": dice.choice((None, dice.randint(0, 100), dice.choice(bounds)))}
            silent = read["temperature_c"] is None and read["humidity_pct"] is None
            read["nothing_read"] = "No instrument" if silent else None
            self.say("germination_room", day, at, {"location": "H9"}, **read)
        for _ in range(15):
            given = {"location": dice.choice(list(PLACES)), "recipe": "Starter", "ec": dice.choice((0, 0.5, 19.5)), "ph": None}
            self.say("feeding", self.day(days=100), self.at(), {"ec": 21}, **given)

    def scouting(self) -> None:
        dice = self.dice
        for _ in range(40):
            examined = dice.choice((1, 10, 60, 149, 200, 300))
            affected = dice.choice((0, 0, 0, dice.randint(0, examined)))
            pest = dice.choice(("APHID", "SCALE")) if affected else dice.choice(("APHID", "SCALE", "none"))
            traps = dice.choice((None, 3))
            seen: Row = {"location": dice.choice(list(PLACES)), "found_what": pest, "examined": examined, "affected": affected}
            seen |= {"shown_plants": dice.choice((None, 30, 400, 20000)), "traps": traps, "trap_count": traps and 7}
            self.say("scouting", self.day(), self.at(), {"affected": examined + 1}, **seen)

    def treatments(self) -> None:
        dice = self.dice
        for _ in range(30):
            day, start, end = self.day(), dice.randrange(1440), dice.randrange(1440)
            listed = dice.random() < 0.7
            done: Row = {
                "product": dice.choice(list(PRODUCTS)) if listed else None,
                "product_name": None if listed else "Our own",
            }
            over = "yes" if end < start else None
            done |= {
                "started_at": clock(start),
                "ended_at": clock(end),
                "over_midnight": over,
                "dose": 1.5,
                "dose_unit": "ml_per_l",
            }
            ended_on = day + dt.timedelta(days=end < start)
            done |= {
                "reentry_on": ended_on,
                "reentry_at": clock(end),
                "applicator": "S02",
                "area_m2": dice.choice((None, 0.1, 300)),
            }
            wrong = {"over_midnight": None} if over else {"reentry_on": day - dt.timedelta(days=1)}
            self.say("treatment", day, self.at(), wrong, location=dice.choice(list(PLACES)), **done)

    def budwood(self) -> None:
        dice = self.dice
        for n in range(8):
            for _ in range(dice.choice((1, 1, 2))):
                cut: Row = {"budwood_batch": f"B{n}", "scion": dice.choice((SCIONS[n % 3], SCIONS[n % 3], SCIONS[0]))}
                cut |= {"source_block": "Block A", "source_tree": dice.choice(("M1", "M1", "M2")), "stored": "room"}
                cut |= {"authorisation": dice.choice((None, "LW-1", "LW-1", "LW-2")), "buds": dice.randint(40, 200)}
                on = dt.date(2026, 6, 1) + dt.timedelta(days=dice.choice((0, 0, 0, 5)))
                self.say("budwood_cut", on, self.at(), {"buds": 0}, **cut)
        known = sorted({row["budwood_batch"] for row in self.true["budwood_cut"]} | {"B-LIST"})
        for n in range(36):
            group, team, batch = CODES[n % 8], dice.choice(("T02", "T04")), dice.choice(known)
            set_here: Row = {
                "group_code": group,
                "team_code": team,
                "attempt": n // 8 % 3 + 1,
                "recount": "yes",
                "passed_over": 0,
            }
            set_here |= {"scion": dice.choice(SCIONS), "budwood_batch": batch, "buds_set": dice.randint(0, 60)}
            on = dt.date(2026, 5, 28) + dt.timedelta(days=dice.choice((0, 2, 9, 9, 24, 33)))
            self.say("budding", on, f"{8 + n // 6:02}:{10 + n % 6:02}", {"buds_set": -1}, **set_here)

    def hygiene(self) -> None:
        dice = self.dice
        days = sorted({row["visit_date"] for row in self.true["budding"]})
        for _ in range(25):
            start, minutes = dice.randrange(1440), dice.choice((0, 29, 30, 31, 700))
            method = dice.choice(("steam", "heat", "solution"))
            end = (start + minutes) % 1440
            cycle: Row = {
                "item": dice.choice(("medium", "trays")),
                "method": method,
                "started_at": clock(start),
                "ended_at": clock(end),
            }
            cycle["over_midnight"] = "yes" if end < start else None
            cycle |= (
                {"product": "As on the label"} if method == "solution" else {"temperature_c": dice.choice((None, 59.9, 60, 99))}
            )
            wrong = {"over_midnight": "no"} if end < start else {"ended_at": "24:10"}
            self.say("sterilise", self.day(), self.at(), wrong, **cycle)
        for _ in range(20):
            at = f"{dice.randrange(8, 14):02}:{dice.randrange(60):02}"
            tool: Row = {"item": "knives", "method": "solution", "product": "As on the label", "done_at": at}
            tool |= {"team_code": dice.choice((None, "T02", "T04")), "between_cultivars": dice.choice(("yes", "no"))}
            self.say("sterilise", dice.choice(days[1:]), at, {"team_code": "T99"}, **tool)

    def files(self) -> list[tuple[str, list[Row]]]:
        """What is sent as tables, cut anywhere, some rows sent again, in any order."""
        made = []
        for form, rows in self.sent.items():
            some = [*rows, *self.dice.sample(rows, len(rows) // 5)]
            self.dice.shuffle(some)
            half = self.dice.randrange(len(some))
            made += [(f"{form}-{n}.csv", part) for n, part in enumerate((some[:half], some[half:])) if part]
        self.dice.shuffle(made)
        return [(name, part) for name, part in made]


def clock(minutes: int) -> str:
    return f"{minutes // 60:02}:{minutes % 60:02}"


def write(path: Path, rows: Iterable[Row]) -> None:
    """A table with a column for each answer of any row."""
    rows = list(rows)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(dict.fromkeys(c for row in rows for c in row)), restval="")
        writer.writeheader()
        writer.writerows(rows)


def take_in(folder: Path, seed: int, batches: int) -> tuple[Workspace, Nursery]:
    """The nursery of a seed, imported in so many batches with the corrections after the last."""
    nursery = Nursery(seed)
    workspace = new_workspace(folder)
    settings = f"\n[hygiene]\nbudwood_days = {BUDWOOD_DAYS}\nknives_groups = 2\n[scouting]\nlevel = {WANTED_LEVEL}\n"
    with (folder / "nursery.toml").open("a", encoding="utf-8") as file:
        file.write(settings)
    workspace = Workspace(folder)
    write(workspace.lists / "locations.csv", ({"code": c, "label": c, "part_of": of} for c, of in PLACES.items()))
    limit_columns = ("code", "place", "what", "low", "high", "active")
    write(workspace.lists / "limits.csv", (dict(zip(limit_columns, (c, *v), strict=True)) for c, v in nursery.limits.items()))
    lots = ({"code": c, "label": c, "rootstock": s, "seeds_per_litre": n} for c, (s, n) in LOTS.items())
    write(workspace.lists / "seed_lots.csv", lots)
    listed = {"code": "B-LIST", "scion": "TAHITI", "source_block": "Block A", "source_tree": "M9", "cut_on": "2026-06-01"}
    write(workspace.lists / "budwood_batches.csv", [listed | {"authorisation": "LW-9", "buds": 150}])
    files = nursery.files()
    for turn in range(batches):
        for name, rows in files[turn::batches]:
            write(workspace.inbox / name, rows)
        run.import_files(workspace, [workspace.inbox])
    with Store.open(workspace.store_file) as store, store.transaction():
        add(store, nursery.corrections)
    run.import_files(workspace, [])
    return workspace, nursery


def exact(found: int, of: int) -> tuple[float, float]:
    """Clopper and Pearson's limits by the beta distribution."""
    low = 0.0 if found == 0 else float(stats.beta.ppf(0.025, found, of - found + 1))
    return low, 1.0 if found == of else float(stats.beta.ppf(0.975, found + 1, of - found))


def close(found: Any, wanted: Any) -> bool:
    return (found is None) == (wanted is None) and (wanted is None or found == pytest.approx(wanted, rel=1e-6, abs=1e-9))


def rounded(value: float) -> int:
    return int(value + 0.5)


def total(values: Iterable[Any]) -> Any:
    known = [v for v in values if v is not None]
    return sum(known) if known else None


def sowings_of(nursery: Nursery) -> list[Row]:
    """Each code that was sown with what came up and was lifted of it."""
    by_code: dict[str, list[Row]] = defaultdict(list)
    for row in nursery.true["sowing"]:
        by_code[row["sowing_code"].upper()].append(row)
    found = []
    for code, rows in sorted(by_code.items()):
        first = min(rows, key=lambda r: (r["visit_date"], r["end"], r["KEY"]))
        a_litre = LOTS[first["seed_lot"]][1]
        seeds = first.get("seeds") or (rounded(first["litres"] * a_litre) if a_litre else None)
        own = {"code": code, "times": len(rows), "seeds": seeds, "read": None, "up": None, "several": None, "days": None} | {
            c: first.get(c) for c in ("seed_lot", "rootstock", "location", "trays", "litres", "visit_date", "KEY")
        }
        fits = [
            e
            for e in nursery.true["emergence"]
            if e["sowing_code"].upper() == code and e["visit_date"] >= own["visit_date"] and e["trays_read"] <= own["trays"]
        ]
        if fits and len(rows) == 1:
            last = max(fits, key=lambda e: (e["visit_date"], e["end"], e["KEY"]))
            own |= {"up": last["emerged"], "several": last["multiple"], "days": (last["visit_date"] - own["visit_date"]).days}
            own["read"] = seeds and rounded(seeds * last["trays_read"] / own["trays"])
        drawn = [o for o in nursery.true["open_group"] if o["sowing_code"].upper() == code] if len(rows) == 1 else []
        own |= {"lifted": total(o["lifted"] for o in drawn), "planted": total(o["planted"] for o in drawn)}
        found.append(own)
    return found


def differ(rows: list[Row]) -> float:
    """How many times the variance of a Poisson number sowings have, by the ratio estimator."""
    up, seeds = sum(r["up"] for r in rows), sum(r["read"] for r in rows)
    apart = sum((r["up"] - up / seeds * r["read"]) ** 2 for r in rows) if seeds else 0.0
    return apart * len(rows) / (len(rows) - 1) / up if len(rows) > 1 and up else 1.0


def ratio(rows: list[Row], every: list[Row]) -> tuple[float | None, ...]:
    """Seedlings for each seed with limits: Garwood's for a Poisson number by chi-squared, whose variance is so many times as
    large as sowings differ, with Student's quantile as there are few; few sowings differ at least as all do, for the part
    that they lack of ten beyond the first."""
    if not rows:
        return None, None, None
    up, seeds = sum(r["up"] for r in rows), sum(r["read"] for r in rows)
    rate, times = up / seeds, 1.0
    if len(rows) > 1 and up:
        beyond = seeds**2 / sum(r["read"] ** 2 for r in rows) - 1
        of_all, squares = sum(r["up"] for r in every), sum(r["up"] ** 2 for r in every)
        usual = max(0.0, differ(every) - 1) * of_all / squares
        least = 1 + usual * sum(r["up"] ** 2 for r in rows) / up * max(0.0, 1 - beyond / 10)
        spread, freedom = max((max(1.0, differ(rows)), max(3.0, beyond)), (least, 10.0))
        times = spread * float(stats.t.ppf(0.975, freedom) / stats.norm.ppf(0.975)) ** 2 if spread > 1 else 1.0
    low = float(stats.chi2.ppf(0.025, 2 * up / times)) / 2 if up else 0.0
    return rate, low * times / seeds, float(stats.chi2.ppf(0.975, 2 * up / times + 2)) / 2 * times / seeds


def check_emergence(workspace: Workspace, nursery: Nursery) -> None:
    sowings = sowings_of(nursery)
    columns = (
        '"by", level, sowings, seeds, seeds_read, emerged, emergence_rate, low, high, multiple, multiple_of, multiple_low,'
        " multiple_high, days_to_count, lifted, planted, lifted_per_seed, planted_per_litre"
    )
    made = {(r[0], r[1]): r[2:] for r in table(workspace, "emergence", columns)}
    parts = {"all": "", "seed_lot": "seed_lot", "rootstock": "rootstock", "room": "location", "sowing": "code"}
    levels = {(by, s[part] if part else "all") for s in sowings for by, part in parts.items()}
    assert set(made) == levels
    every = [s for s in sowings if s["times"] == 1 and s["read"]]
    for (by, level), found in made.items():
        mine = [s for s in sowings if by == "all" or s[parts[by]] == level]
        once = [s for s in mine if s["times"] == 1]
        read = [s for s in once if s["read"]]
        looked = [s for s in read if s["several"] is not None and s["several"] <= s["read"]]
        several, of = total(s["several"] for s in looked), total(s["read"] for s in looked)
        drawn, by_litre = ([s for s in mine if s["lifted"] is not None and s[of_what]] for of_what in ("seeds", "litres"))
        wanted = (
            *(len(mine), total(s["seeds"] for s in once), total(s["read"] for s in read), total(s["up"] for s in read)),
            *(*ratio(read, every), several, of, *(exact(several, of) if of else (None, None))),
            statistics.median(days) if (days := [s["days"] for s in once if s["days"] is not None]) else None,
            *(total(s["lifted"] for s in once), total(s["planted"] for s in once)),
            sum(s["lifted"] for s in drawn) / sum(s["seeds"] for s in drawn) if drawn else None,
            sum(s["planted"] for s in by_litre) / sum(s["litres"] for s in by_litre) if by_litre else None,
        )
        assert all(map(close, found, wanted)), (by, level, found, wanted)


def limits_at(nursery: Nursery, place: str, what: str) -> tuple[float | None, float | None] | None:
    """Those of the nearest place that it is part of, then those of no place; of two for one the first by its code."""
    way = [place]
    while PLACES[way[-1]]:
        way.append(PLACES[way[-1]])
    for holder in (*way, ""):
        for _, (at, of_what, low, high, active) in sorted(nursery.limits.items()):
            fits = (at, of_what, active) == (holder, what, "yes") and (low, high) != (None, None)
            if fits and not (low is not None and high is not None and low > high):
                return low, high
    return None


def readings_of(nursery: Nursery) -> list[tuple[Any, ...]]:
    found = []
    for row in nursery.true["germination_room"] + nursery.true["feeding"]:
        for question, what in {"temperature_c": "temperature", "humidity_pct": "humidity", "ec": "ec"}.items():
            if (value := row.get(question)) is not None:
                low, high = limits_at(nursery, row["location"], what) or (None, None)
                state = "no limits" if low is None and high is None else "within"
                state = "below" if low is not None and value < low else "above" if high is not None and value > high else state
                at = row.get("read_at") or (row["end"][11:16] or None)
                place = row["location"]
                found.append((place, house(place), what, row["visit_date"], at, value, low, high, state, row["KEY"]))
    return found


def hours_outside(some: list[tuple[Any, ...]]) -> dict[dt.date, float] | None:
    """Hours to each reading from the one before it where both are outside on the same side, by month; all pairs are tried."""
    untimed = {r[3] for r in some if r[4] is None}
    moments: dict[dt.datetime, set[str]] = defaultdict(set)
    for r in some:
        if r[4] is not None:
            moments[dt.datetime.combine(r[3], dt.time.fromisoformat(r[4]))].add(r[8])
    found: dict[dt.date, float] = {}
    for a in moments:
        for b in moments:
            days = {a.date() + dt.timedelta(days=n) for n in range((b.date() - a.date()).days + 1)}
            if a < b and b - a <= dt.timedelta(hours=24) and not any(a < c < b for c in moments) and not days & untimed:
                is_out = moments[a] == moments[b] and moments[a] in ({"below"}, {"above"})
                month = b.date().replace(day=1)
                found[month] = found.get(month, 0.0) + is_out * (b - a).total_seconds() / 3600
    return found


def check_readings(workspace: Workspace, nursery: Nursery) -> None:
    columns = "location, house, what, read_on, read_at, value, limit_low, limit_high, state, instance_id"
    mine = readings_of(nursery)
    assert sorted(map(repr, table(workspace, "readings", columns))) == sorted(
        repr((*r[:5], float(r[5]), *map(_float, r[6:8]), *r[8:])) for r in mine
    )
    columns = (
        "location, what, month, readings, limited, outside, outside_share, outside_low, outside_high, lowest, highest,"
        " days_without, longest_gap, hours_outside"
    )
    made = {r[:3]: r[3:] for r in table(workspace, "reading_months", columns)}
    assert set(made) == {(r[0], r[2], r[3].replace(day=1)) for r in mine}
    for (place, what, month), found in made.items():
        same = [r for r in mine if (r[0], r[2]) == (place, what)]
        own = [r for r in same if r[3].replace(day=1) == month]
        limited = [r for r in own if r[8] != "no limits"]
        outside = sum(r[8] != "within" for r in limited)
        days = {r[3] for r in own}
        before = max((r[3] for r in same if r[3] < month), default=min(days))
        span = [before + dt.timedelta(days=n) for n in range((max(days) - before).days + 1)]
        gap = longest = 0
        for day in span[1:]:
            gap += 1
            if day in days:
                longest, gap = max(longest, gap), 0
        share = (outside / len(limited), *exact(outside, len(limited))) if limited else (None, None, None)
        values = [r[5] for r in own]
        hours = hours_outside(same).get(month) if limited else None
        empty = sum(day not in days | {before} for day in span)
        wanted = (len(own), len(limited), outside, *share, min(values), max(values), empty, longest, hours)
        assert all(map(close, found, wanted)), (place, what, month, found, wanted)
    told = table(workspace, "problems", "count(*)", "rule = 'outside_limits'")[0][0]
    assert told == len({(r[0], r[2], r[3]) for r in mine if r[8] in ("below", "above")})


def _float(value: Any) -> float | None:
    return None if value is None else float(value)


def finds(examined: int, plants: int, affected: int) -> bool:
    return float(stats.hypergeom.pmf(0, plants, affected, examined)) <= 0.05 + 1e-12


def check_scouting(workspace: Workspace, nursery: Nursery) -> None:
    walks = nursery.true["scouting"]
    parts: dict[str, Callable[[Row], str]] = {
        "all": lambda w: "all",
        "pest": lambda w: w["found_what"],
        "place": lambda w: w["location"],
        "house": lambda w: house(w["location"]),
        "month": lambda w: f"{w['visit_date']:%Y-%m}",
        "pest+place": lambda w: f"{w['found_what']}+{w['location']}",
        "pest+month": lambda w: f"{w['found_what']}+{w['visit_date']:%Y-%m}",
    }
    made = {
        r[:2]: r[2:]
        for r in table(workspace, "incidence", '"by", level, walks, examined, affected, rate, low, high, deff, would_find')
    }
    assert set(made) == {(by, part(w)) for w in walks for by, part in parts.items()}
    for (by, level), (many, examined, affected, rate, low, high, deff, would_find) in made.items():
        mine = [w for w in walks if parts[by](w) == level]
        assert (many, examined, affected) == (len(mine), *(sum(w[c] for w in mine) for c in ("examined", "affected")))
        assert close(rate, affected / examined if affected else None) and deff >= 1
        lowest, highest = exact(affected, examined) if affected else (None, 1 - 0.05 ** (1 / examined))
        if len(mine) == 1:
            assert close(low, lowest) and close(high, highest), (level, low, high)
            plants = mine[0]["shown_plants"]
            if plants and plants >= examined:
                least = next(d for d in range(1, plants + 1) if finds(examined, plants, d)) / plants
                assert close(would_find, least), (level, would_find, least)
        else:
            assert high >= highest - 1e-12 and (low is None or low <= lowest + 1e-12)
    few = defaultdict(list)
    for w in walks:
        plants = w["shown_plants"] if w["shown_plants"] and w["shown_plants"] >= w["examined"] else None
        wanted = next(n for n in range(1, 1000) if (1 - WANTED_LEVEL) ** n <= 0.05)
        if plants:
            hit = max(1, int(plants * WANTED_LEVEL + 1e-9))
            wanted = next(n for n in range(1, plants + 1) if finds(n, plants, hit))
        if w["affected"] == 0 and w["examined"] < wanted:
            few[f"scouting:{w['location']}:{w['visit_date']:%Y-%m}"].append(w["examined"])
    assert dict(table(workspace, "problems", "instance_id, value", "rule = 'few_examined'")).keys() == few.keys()


def check_treatments(workspace: Workspace, nursery: Nursery) -> None:
    columns = (
        "instance_id, on_date, location, house, product, label, active_ingredient, started_at, ended_on, ended_at, reentry_on,"
        " reentry_at, area_m2"
    )
    wanted = []
    for t in nursery.true["treatment"]:
        minutes = [int(t[c][:2]) * 60 + int(t[c][3:]) for c in ("started_at", "ended_at")]
        ended_on = t["visit_date"] + dt.timedelta(days=minutes[1] < minutes[0])
        name = PRODUCTS.get(t["product"], t["product_name"])
        where = (t["KEY"], t["visit_date"], t["location"], house(t["location"]), t["product"], name)
        times = (INGREDIENTS.get(t["product"]), t["started_at"], ended_on, t["ended_at"], t["reentry_on"], t["reentry_at"])
        wanted.append((*where, *times, _float(t["area_m2"])))
    assert sorted(table(workspace, "treatments", columns, "state = 'accepted'"), key=repr) == sorted(wanted, key=repr)
    said = {i for (i,) in table(workspace, "problems", "instance_id", "rule = 'product_not_listed'")}
    assert said == {t["KEY"] for t in nursery.true["treatment"] if t["product"] is None}


def one(values: Iterable[Any]) -> Any:
    """The one value that is said; None where none is, or several are."""
    known = {v for v in values if v is not None}
    return known.pop() if len(known) == 1 else None


def check_budwood(workspace: Workspace, nursery: Nursery) -> None:
    batches: dict[str, Row] = {}
    for code in {c["budwood_batch"] for c in nursery.true["budwood_cut"]}:
        cuts = [c for c in nursery.true["budwood_cut"] if c["budwood_batch"] == code]
        alike = {(c["scion"], c["source_block"], c["source_tree"], c["visit_date"]) for c in cuts}
        batches[code] = {c: one(r[c] for r in cuts) for c in ("scion", "source_tree", "authorisation")}
        batches[code] |= {
            "cut_on": one(r["visit_date"] for r in cuts),
            "buds": sum(r["buds"] for r in cuts) if len(alike) == 1 else None,
        }
    listed = {"scion": "TAHITI", "source_tree": "M9", "authorisation": "LW-9", "cut_on": dt.date(2026, 6, 1), "buds": 150}
    batches["B-LIST"] = listed
    wanted, notes = {}, set()
    for code, b in batches.items():
        used = [u for u in nursery.true["budding"] if u["budwood_batch"] == code and u["buds_set"] > 0]
        used.sort(key=lambda u: (u["visit_date"], u["end"], u["KEY"]))
        many, first, last = (
            (sum(u["buds_set"] for u in used), used[0]["visit_date"], used[-1]["visit_date"]) if used else (0, None, None)
        )
        age = (last - b["cut_on"]).days if used and b["cut_on"] else None
        so_far, is_over = 0, False
        for u in used:
            so_far += u["buds_set"]
            if b["buds"] is not None and so_far > b["buds"] and not is_over:
                is_over = True
                notes.add(("more_set_than_cut", u["KEY"]))
            if b["cut_on"] and (u["visit_date"] - b["cut_on"]).days > BUDWOOD_DAYS:
                notes.add(("old_budwood", u["KEY"]))
            if b["cut_on"] and u["visit_date"] < b["cut_on"]:
                notes.add(("set_before_cut", u["KEY"]))
        if used and b["authorisation"] is None:
            notes.add(("no_authorisation", used[0]["KEY"]))
        state = "in order"
        if b["buds"] is None or b["cut_on"] is None:
            state = "not told"
        if b["authorisation"] is None:
            state = "no authorisation"
        if age is not None and age > BUDWOOD_DAYS:
            state = "used late"
        if is_over:
            state = "more set than cut"
        if used and b["cut_on"] and first < b["cut_on"]:
            state = "set before it was cut"
        left = None if b["buds"] is None else max(0, b["buds"] - many)
        facts = (b["scion"], b["source_tree"], b["cut_on"], b["authorisation"], b["buds"])
        wanted[code] = (*facts, many, left, first, last, age, state if used else "not used")
    columns = (
        "scion, source_tree, cut_on, authorisation, buds_cut, buds_set, left_over, first_used, last_used, oldest_days, state"
    )
    assert {r[0]: r[1:] for r in table(workspace, "budwood", f"budwood_batch, {columns}")} == wanted
    rules = "('more_set_than_cut', 'old_budwood', 'set_before_cut', 'no_authorisation')"
    assert set(table(workspace, "problems", "rule, instance_id", f"rule IN {rules}")) == notes


def check_hygiene(workspace: Workspace, nursery: Nursery) -> None:
    cycles = {}
    for z in nursery.true["sterilise"]:
        if z["item"] not in ("knives", "shears"):
            start, end = (int(z[c][:2]) * 60 + int(z[c][3:]) for c in ("started_at", "ended_at"))
            minutes, celsius = (end - start) % 1440, z.get("temperature_c")
            state = "held" if celsius is not None else "not told"
            state = "too cool" if celsius is not None and celsius < STEAM[1] else state
            state = "too short" if minutes < STEAM[0] else state
            cycles[z["KEY"]] = (minutes, _float(celsius), "recorded" if z["method"] == "solution" else state)
    found = table(workspace, "hygiene", "instance_id, minutes, temperature_c, state", "kind = 'cycle'")
    assert {r[0]: r[1:] for r in found} == cycles
    done: dict[tuple[Any, ...], list[str]] = defaultdict(list)
    for z in nursery.true["sterilise"]:
        if z["item"] == "knives":
            done[z["visit_date"], z["team_code"], None if z["team_code"] else z["staff_code"]].append(z["end"][11:16])
    since = min((d[0] for d in done), default=dt.date.max)
    work: dict[tuple[Any, ...], list[Row]] = defaultdict(list)
    for b in nursery.true["budding"]:
        if b["visit_date"] >= since:
            work[b["visit_date"], b["team_code"], None].append(b)
    wanted = {}
    for key, some in work.items():
        some.sort(key=lambda b: b["end"])
        times, between, run_of, runs = done.get(key, []), 0, set(), []
        changes = 0
        for before, now in zip([None, *some], some, strict=False):
            low = before["end"][11:16] if before else ""
            is_between = any(low <= t <= now["end"][11:16] for t in times) if before else False
            if before and before["scion"] != now["scion"]:
                changes += 1
                between += not is_between
            if any(low < t <= now["end"][11:16] for t in times):
                runs.append(run_of)
                run_of = set()
            run_of.add(now["group_code"])
        most = max(map(len, [*runs, run_of]))
        state = "held" if most <= 2 else "too many groups"
        state = "not between cultivars" if between else state
        if not any(k[1:] == key[1:] for k in done):
            state = "none recorded"
        wanted[key] = (len({b["group_code"] for b in some}), most, len(times), changes, between, state)
    columns = "on_date, team_code, staff_code, groups, most_groups, disinfections, changes, not_between, state"
    assert {r[:3]: r[3:] for r in table(workspace, "hygiene", columns, "kind = 'blades'")} == wanted


def check_states(workspace: Workspace, nursery: Nursery) -> None:
    accepted = {i for (i,) in table(workspace, "submissions", "instance_id", "state = 'accepted'")}
    assert accepted == {row["KEY"] for rows in nursery.true.values() for row in rows}


CHECKS = (check_states, check_emergence, check_readings, check_scouting, check_treatments, check_budwood, check_hygiene)


@pytest.mark.parametrize("seed", SEEDS)
def test_every_table_is_what_plain_counting_says(tmp_path: Path, seed: int) -> None:
    workspace, nursery = take_in(tmp_path, seed, batches=3)
    for check in CHECKS:
        check(workspace, nursery)
