"""The demo nursery, invented: Larkwater Citrus, its lists and two years of submissions as phones would send them.

    python sample_submissions/generate.py            writes sample_submissions/demo/ anew
    python sample_submissions/generate.py --as csv DIR     the same submissions as one CSV table a form
    python sample_submissions/generate.py --as ndjson DIR  the same as one NDJSON file a form

Everything is drawn with one seed. The truth (how many plants really stand) is never written; only what people
counted, recorded, mistyped, sent twice or forgot. Scouting and treatments (of_places.py) are tables already, and in the
first alone.
"""

from __future__ import annotations

import csv
import datetime as dt
import heapq
import json
import math
import random
import shutil
import sys
import uuid
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import ClassVar
from xml.sax.saxutils import escape, quoteattr

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import seed_of_demo

from formpack import group_code
from formpack.catalog import Form, load_forms
from sample_submissions import generate_climate, of_places
from sample_submissions.hygiene_records import hygiene_records

SEED = 20261102
TODAY = dt.date(2026, 11, 2)
HERE = Path(__file__).resolve().parent
NAME = "Larkwater Citrus (an invented nursery)"
HANDOVER = """
[handover]           # how a body of many nurseries knows this one; the key hides names, and is secret
nursery = "LARK"
key = "7d1f0c9ae2b84c5d9f36a07e51b8c2d4"
"""
TEAMS = {f"T{n:02d}": (f"S{2 * n - 1:02d}", f"S{2 * n:02d}") for n in range(1, 9)}
NAMES = [
    "Abel",
    "Iris",
    "Joel",
    "Nadia",
    "Omar",
    "Petra",
    "Rui",
    "Salma",
    "Tiago",
    "Uma",
    "Vera",
    "Wanda",
    "Xavi",
    "Yara",
    "Zeno",
    "Alma",
    "Bruno",
    "Celia",
    "Dario",
    "Elena",
]
STAFF = {f"S{n:02d}": name for n, name in enumerate(NAMES, start=1)}
ROOTSTOCKS = ("CARRIZO", "SWINGLE", "C35", "ROUGH", "VOLKA", "CLEO", "TRIFOL", "US812")
SCIONS = ("VALENCIA", "NAVEL", "EUREKA", "LISBON", "CLEMENT", "SATSUMA", "PERA", "TAHITI", "STARRUBY", "MURCOTT")
PLACES = {f"H{n}": f"House {n}" for n in range(1, 7)} | {f"Y{n}": f"Yard {n}" for n in range(1, 5)}
LOOKED_AFTER = dict(zip(PLACES, ("S17", "S17", "S17", "S18", "S18", "S18", "S19", "S19", "S20", ""), strict=True))
OFF_TYPE = dict(zip(ROOTSTOCKS, (0.03, 0.07, 0.03, 0.04, 0.14, 0.02, 0.12, 0.03), strict=True))
ROOTSTOCK_TAKE = dict(zip(ROOTSTOCKS, (0.3, 0.0, 0.1, 0.4, 0.3, -0.2, -0.8, 0.1), strict=True))
SCION_TAKE = dict(zip(SCIONS, (0.2, 0.0, 0.3, 0.3, -0.2, -0.4, 0.1, 0.2, 0.0, -0.3), strict=True))
TEAM_TAKE = dict(zip(TEAMS, (0.1, 0.0, 0.35, 0.05, 0.0, -0.6, 0.1, -0.05), strict=True))
GROUPS = 88

Answers = dict[str, object]
Rates = dict[str, float]
"""Share of the plants that is lost, by the question that takes it."""


@dataclass
class Group:
    code: str
    rootstock: str
    seed_lot: str
    sown: dt.date
    opened: dt.date
    place: str
    stands: int = 0
    listed: int = 0
    stage: str = "tray"
    scion: str = ""
    batch: str = ""
    is_aside: bool = False


@dataclass
class Sent:
    form_id: str
    answers: Answers
    instance_id: str
    deprecated_id: str
    day: dt.date
    again: bool = False
    extra: str = ""


def _swapped(number: int, place: int) -> int:
    """A number with its digits at `place` and below, counted from the right, exchanged."""
    high, low = number // 10**place % 10, number // 10 ** (place - 1) % 10
    return number + (low - high) * (10**place - 10 ** (place - 1))


def _with_digit(number: int, place: int, by: int) -> int:
    """A number with the digit at a place raised by so many, 9 being followed by 0."""
    digit = number // 10**place % 10
    return number + ((digit + by) % 10 - digit) * 10**place


@dataclass
class Nursery:
    forms: dict[str, Form]
    dice: random.Random = field(default_factory=lambda: random.Random(SEED))
    sent: list[Sent] = field(default_factory=list)
    groups: list[Group] = field(default_factory=list)
    queue: list[tuple[dt.date, int, Callable[[dt.date], object]]] = field(default_factory=list)
    batches: list[dict[str, str]] = field(default_factory=list)
    trees: dict[tuple[str, int], str] = field(default_factory=dict)
    seed_lots: list[dict[str, str]] = field(default_factory=list)
    orders: list[dict[str, str]] = field(default_factory=list)
    serial: dict[int, int] = field(default_factory=dict)
    minute: int = 0

    # --- chance -------------------------------------------------------------------------------------------------
    def many(self, n: int, p: float) -> int:
        """A binomial number."""
        return sum(self.dice.random() < p for _ in range(max(0, n)))

    def spread(self, n: int, p: float, rho: float = 0.02) -> int:
        """A beta-binomial number with intraclass correlation rho."""
        size = 1 / rho - 1
        return self.many(n, self.dice.betavariate(p * size, (1 - p) * size))

    def later(self, day: dt.date, days: float, act: Callable[[dt.date], object]) -> None:
        when = day + dt.timedelta(days=max(0, round(days)))
        while when.weekday() == 6:
            when += dt.timedelta(days=1)
        if when < TODAY:
            heapq.heappush(self.queue, (when, len(self.queue) + 100_000 * len(self.sent), act))

    def days_to_age(self, day: dt.date, group: Group, least: int, most: int) -> int:
        """Days until the group is as old, in days from sowing, as a throw between least and most says."""
        return (group.sown + dt.timedelta(days=self.dice.randint(least, most)) - day).days

    def code(self, year: int) -> str:
        self.serial[year] = self.serial.get(year, 0) + 1
        return group_code.issue(year, self.serial[year], 1)[0]

    # --- sending ------------------------------------------------------------------------------------------------
    def send(self, form_id: str, group: Group, day: dt.date, staff: str, **answers: object) -> Sent:
        self.minute = (self.minute + self.dice.randint(3, 19)) % 540
        start = dt.datetime.combine(day, dt.time(7, 0)) + dt.timedelta(minutes=self.minute)
        end = start + dt.timedelta(seconds=self.dice.randint(35, 400))
        offset = "+02:00" if 3 < day.month < 11 else "+01:00"
        list_day = day - dt.timedelta(days=day.weekday() if self.dice.random() > 0.015 else 9 + day.weekday())
        told = group.opened < list_day
        whole: Answers = {
            "start": f"{start.isoformat(timespec='milliseconds')}{offset}",
            "end": f"{end.isoformat(timespec='milliseconds')}{offset}",
            "deviceid": f"phone-{int(staff[1:]) % 9 + 1}",
            "visit_date": day.isoformat(),
            "staff_code": staff,
        }
        if self.dice.random() < 0.88:
            whole["code_scanned"] = group.code
        else:
            whole["code_typed"] = group_code.shown(group.code)
        whole["group_code"] = group.code
        whole["known"] = "yes" if told else "no"
        if told:
            whole |= {"list_date": list_day.isoformat(), "shown_stage": group.stage, "shown_count": group.listed}
        sent = Sent(form_id, whole | answers, self.identity(), "", day)
        self.sent.append(sent)
        return sent

    def identity(self) -> str:
        return f"uuid:{uuid.UUID(int=self.dice.getrandbits(128), version=4)}"

    def person(self) -> str:
        return self.dice.choice(list(STAFF))

    # --- counting -----------------------------------------------------------------------------------------------
    def count(self, group: Group, staff: str) -> int:
        """How many a person says stand there; `slip` is what the hand did to the digits, where it slipped."""
        self.slip: Callable[[int], int] = lambda typed: typed
        true, chance = group.stands, self.dice.random()
        if chance < 0.035 and true > 120:
            kind = self.dice.choice(["swap", "digit", "crate", "twice", "copied"])
            digits = list(str(true))
            if kind == "swap":
                at = len(digits) - 1 - self.dice.randrange(len(digits) - 1)
                self.slip = lambda typed: _swapped(typed, at) or typed
                return self.slip(true)
            if kind == "digit":
                at = len(digits) - 1 - self.dice.randrange(max(0, len(digits) - 3), len(digits) - 1)
                by = self.dice.randint(1, 9)
                self.slip = lambda typed: _with_digit(typed, at, by) or typed
                return self.slip(true)
            return {"crate": true - 20 * self.dice.randint(1, 3), "twice": true + 20, "copied": group.listed}[kind]
        exact = 0.8 if int(staff[1:]) % 5 else 0.45
        return true if chance < 0.035 + exact * 0.96 else max(0, true + round(self.dice.gauss(0, 0.004 * true + 0.6)))

    def fade(self, group: Group) -> None:
        """Plants that die or go without anybody writing it down."""
        if group.stands and self.dice.random() < 0.3:
            group.stands -= min(group.stands, 1 + int(self.dice.expovariate(0.35)))
        if group.stands > 200 and self.dice.random() < 0.012:
            group.stands -= self.dice.randint(15, 70)

    def inspect(
        self, form_id: str, group: Group, day: dt.date, kept: str, rates: Rates, stage: str, held: float = 0.0, **more: object
    ) -> None:
        """An inspection of the whole group, or in two parts on following days."""
        self.fade(group)
        staff = self.person()
        parts = 2 if self.dice.random() < 0.22 and group.stands > 300 else 1
        bases = [group.stands] if parts == 1 else [group.stands // 2, group.stands - group.stands // 2]
        wrong = self.count(group, staff) - group.stands
        said_total, slip = 0, self.slip
        is_slip = slip(group.stands) != group.stands
        for number, base in enumerate(bases):
            losses = {name: self.spread(base, p) for name, p in rates.items()}
            out = sum(losses.values())
            found = base + (wrong if number == len(bases) - 1 else 0)
            coverage = "whole" if parts == 1 else ("part", "last_part")[number]
            answers: Answers = {"coverage": coverage, **losses}
            not_ready = self.many(max(0, found - out), held) if held and kept != "counted" else 0
            if is_slip and number == len(bases) - 1:
                found = base  # the hand slips at a number that is typed, not at the sum
            least = out if kept == "counted" else 0
            typed = max(found - (0 if kept == "counted" else out + not_ready), least)
            if is_slip and number == len(bases) - 1:
                typed = max(slip(typed), least)
            answers[kept] = typed
            if held and kept != "counted":
                answers["not_ready"] = not_ready
            said_total += typed + (0 if kept == "counted" else out + not_ready)
            self.send(form_id, group, day + dt.timedelta(days=number), staff, **answers, **more)
            group.stands -= out
        group.listed = max(0, said_total - (sum(bases) - group.stands))
        if stage:
            group.stage = stage

    # --- the life of a group ------------------------------------------------------------------------------------
    def open(self, day: dt.date, group: Group) -> None:
        group.opened = day
        lifted = self.dice.randint(1060, 1240)
        culls = {
            "cull_off_type": self.spread(lifted, OFF_TYPE[group.rootstock]),
            "cull_bent_root": self.spread(lifted, 0.02),
            "cull_etiolated": self.spread(lifted, 0.008),
            "cull_weak": self.spread(lifted, 0.03),
            "cull_other": self.many(lifted, 0.002),
        }
        planted = lifted - sum(culls.values())
        about: Answers = {"seed_lot": group.seed_lot, "rootstock": group.rootstock, "sow_date": group.sown.isoformat()}
        plants: Answers = {"lifted": lifted, **culls, "planted": planted}
        self.send("open_group", group, day, self.person(), **about, **plants, location=group.place)
        group.stands = group.listed = planted
        self.groups.append(group)
        self.later(day, self.dice.gauss(44, 5), lambda d: self.cull(d, group))
        self.later(day, self.dice.gauss(80, 8), lambda d: self.bag(d, group))
        self.later(day, 25, lambda d: self.odd_loss(d, group))
        self.later(day, self.dice.gauss(110, 12), lambda d: self.stock(d, group))

    def cull(self, day: dt.date, group: Group) -> None:
        rates = {
            "cull_off_type": OFF_TYPE[group.rootstock] / 4,
            "cull_bent_root": 0.004,
            "cull_etiolated": 0.003,
            "cull_weak": 0.015,
            "cull_disease": 0.003,
            "cull_other": 0.001,
            "dead": 0.006,
        }
        self.inspect("cull_round", group, day, "counted", rates, "")

    def bag(self, day: dt.date, group: Group) -> None:
        group.place = self.dice.choice([p for p in PLACES if p.startswith("Y")])
        rates = {
            "cull_off_type": 0.004,
            "cull_bent_root": 0.012,
            "cull_weak": 0.014,
            "cull_disease": 0.002,
            "cull_other": 0.001,
            "dead": 0.007,
        }
        height = {"height_cm": f"{self.dice.gauss(21, 2):.0f}"} if self.dice.random() < 0.6 else {}
        self.inspect("bag_up", group, day, "bagged", rates, "bag", **height, location=group.place)
        self.later(day, self.dice.gauss(50, 10), lambda d: self.odd_loss(d, group))
        self.later(day, self.dice.gauss(62, 6), lambda d: self.cull(d, group))
        self.later(day, self.dice.gauss(105, 9), lambda d: self.bud(d, group, 1))
        if self.dice.random() < 0.3:
            self.later(day, 40, lambda d: self.move_place(d, group))

    def stock(self, day: dt.date, group: Group) -> None:
        if group.stands < 5:
            return
        self.fade(group)
        staff = self.person()
        found = self.count(group, staff)
        where = {"location": group.place} if self.dice.random() < 0.3 else {}
        self.send("stock_count", group, day, staff, coverage="whole", counted=found, **where)
        group.listed = found
        self.later(day, self.dice.gauss(88, 10), lambda d: self.stock(d, group))

    def odd_loss(self, day: dt.date, group: Group) -> None:
        if group.stands < 20:
            return
        lost = self.dice.choice([1, 1, 2, 2, 3, 4, 6, 11])
        cause = self.dice.choice(["pest", "disease", "mechanical", "heat", "water", "dead", "dead", "missing", "chemical"])
        if day.month in (12, 1, 2) and self.dice.random() < 0.6:
            cause, lost = "frost", lost * 4
        self.send("loss", group, day, self.person(), lost=lost, loss_cause=cause)
        group.stands -= lost
        group.listed -= lost
        self.later(day, self.dice.gauss(75, 22), lambda d: self.odd_loss(d, group))

    def move_place(self, day: dt.date, group: Group) -> None:
        group.place = self.dice.choice(list(PLACES))
        self.send("relocate", group, day, self.person(), location=group.place)

    def team(self, group: Group) -> str:
        hard = ROOTSTOCK_TAKE[group.rootstock] < 0
        weights = [3 if hard and t == "T05" else 0.4 if hard or t == "T05" else 1.0 for t in TEAMS]
        return self.dice.choices(list(TEAMS), weights)[0]

    def budwood(self, scion: str, day: dt.date) -> str:
        recent = [b for b in self.batches if b["scion"] == scion and (day - dt.date.fromisoformat(b["cut_on"])).days < 40]
        if recent:
            return recent[-1]["code"]
        cut = day - dt.timedelta(days=self.dice.randint(1, 6))
        code = f"B{cut:%y%m%d}-{scion[:3]}"
        block, tree = self.dice.choice("ABC"), self.dice.randint(1, 60)
        while self.trees.setdefault((block, tree), scion) != scion:  # a tree has one scion: else it is the next one
            tree = tree % 60 + 1
        self.batches.append(
            {
                "code": code,
                "label": f"{scion.title()} cut {cut}",
                "scion": scion,
                "source_block": f"Block {block}",
                "source_tree": f"M{tree:03d}",
                "cut_on": cut.isoformat(),
                "authorisation": f"LW-{len(self.batches) + 1:04d}",
                "buds": "4000",
            }
        )
        return code

    def bud(self, day: dt.date, group: Group, attempt: int) -> None:
        if group.stands < 15:
            return
        group.scion = group.scion or self.dice.choice(SCIONS)
        group.batch = self.budwood(group.scion, day)
        first = self.team(group)
        teams = [first] if attempt > 1 or self.dice.random() < 0.45 else [first, self.team(group)]
        left = group.stands
        for number, team in enumerate(dict.fromkeys(teams)):
            share = left if number == len(dict.fromkeys(teams)) - 1 else left // 2
            thin = self.many(share, 0.02)
            stem = round(self.dice.gauss(8.1, 0.8), 1)
            who: Answers = {"team_code": team, "attempt": attempt, "scion": group.scion, "budwood_batch": group.batch}
            did: Answers = {"buds_set": share - thin, "passed_over": thin, "stem_mm": f"{max(5.2, stem):.1f}"}
            self.send("budding", group, day + dt.timedelta(days=number), TEAMS[team][0], **who, **did)
            read_after = number + self.dice.choice([20, 21, 21, 21, 22, 23, 24, 27, 37])
            self.later(day, read_after, lambda d, t=team, n=share - thin: self.take(d, group, t, attempt, n))
            left -= share
        group.stage = "budded"

    def take(self, day: dt.date, group: Group, team: str, attempt: int, buds_set: int) -> None:
        logit = 2.5 + ROOTSTOCK_TAKE[group.rootstock] + SCION_TAKE[group.scion] + TEAM_TAKE[team]
        logit += -0.3 if attempt > 1 else 0.0
        logit += 0.15 * math.cos((day.month - 5) / 6 * math.pi)
        missing = self.many(buds_set, 0.006)
        green = self.spread(buds_set - missing, 1 / (1 + math.exp(-logit)), 0.02)
        brown = buds_set - missing - green
        unsure = self.many(brown, 0.2) if self.dice.random() < 0.3 else 0
        more: Answers = {}
        aside: Group | None = None
        if attempt == 1 and brown - unsure >= 25 and self.dice.random() < 0.8:
            aside = replace(
                group, code=self.code(day.year), opened=day, stands=0, listed=0, stage="read", batch="", is_aside=True
            )
            more = {"brown_moved": "yes", "aside_scanned": aside.code, "set_aside_to": aside.code}
        staff = self.person()
        who: Answers = {"team_code": team, "attempt": attempt}
        counted: Answers = {"green": green, "brown": brown - unsure, "unsure": unsure, "missing": missing}
        self.send("bud_take", group, day, staff, **who, **counted, **more)
        group.stands -= min(group.stands, missing)
        group.listed -= missing
        if aside:
            aside.stands = aside.listed = brown - unsure
            group.stands -= brown - unsure
            group.listed -= brown - unsure
            self.groups.append(aside)
            self.later(day, self.dice.randint(6, 20), lambda d: self.bud(d, aside, 2))
        if unsure:
            g = self.many(unsure, 0.5)
            again: Answers = {"green": g, "brown": unsure - g, "unsure": 0, "missing": 0}
            self.later(day, 8, lambda d: self.send("bud_take", group, d, staff, **who, **again))
        if group.stage == "budded":
            self.later(day, self.dice.choice([7, 7, 8, 9, 12, 19]), lambda d: self.cut(d, group))
        group.stage = "read"

    _late: ClassVar = {
        "cull_off_type": 0.002,
        "cull_weak": 0.006,
        "cull_disease": 0.003,
        "cull_bud_failed": 0.012,
        "cull_other": 0.001,
        "dead": 0.005,
    }

    def cut(self, day: dt.date, group: Group) -> None:
        if group.stands < 5:
            return
        self.inspect("cut_back", group, day, "cut", self._late, "cut_back", 0.03, stub_cm=f"{self.dice.uniform(3, 5):.1f}")
        self.later(day, self.dice.gauss(43, 4), lambda d: self.stake(d, group))

    def stake(self, day: dt.date, group: Group) -> None:
        more: Answers = {"shoots_removed": "yes", "stakes_treated": self.dice.choice(["yes", "no"])}
        self.inspect("stake", group, day, "staked", self._late, "staked", 0.02, **more)
        wait = self.days_to_age(day, group, 370, 420)
        self.later(day, max(10, wait), lambda d: self.top(d, group))
        if self.dice.random() < 0.25:
            self.later(day, 20, lambda d: self.regrade(d, group))

    def top(self, day: dt.date, group: Group) -> None:
        stem = f"{self.dice.gauss(7.4, 0.6):.1f}"
        rates = self._late | {"cull_bud_failed": 0.002}
        self.inspect("top", group, day, "topped", rates, "topped", 0.02, stem_mm=stem)
        wait = self.days_to_age(day, group, 530, 580)
        self.later(day, max(20, wait), lambda d: self.ship(d, group))

    def regrade(self, day: dt.date, group: Group) -> None:
        alike = [g for g in self.groups if (g.rootstock, g.scion, g.stage) == (group.rootstock, group.scion, group.stage)]
        others = [g for g in alike if g is not group and g.stands > 30]
        if not others or group.stands < 60:
            return
        other, moved = self.dice.choice(others), self.dice.randint(10, 40)
        to: Answers = {"to_scanned": other.code, "to_group": other.code}
        self.send("transfer", group, day, self.person(), **to, moved=moved, transfer_reason="regrade")
        for g, sign in ((group, -1), (other, 1)):
            g.stands += sign * moved
            g.listed += sign * moved

    def ship(self, day: dt.date, group: Group) -> None:
        if group.stands < 10:
            return
        order = f"O{len(self.orders) + 1:03d}"
        buyer = self.dice.choice(
            ["Alder Grove Farm", "Casa Bonvento", "Fazenda Tr\u00eas Sinos", "Hill & Hollow", "Finca La Garza"]
        )
        leaving = group.stands if self.dice.random() < 0.4 else round(group.stands * self.dice.uniform(0.3, 0.8))
        self.orders.append(
            {
                "code": order,
                "label": f"{order} {buyer}",
                "consignee": buyer,
                "scion": group.scion,
                "rootstock": group.rootstock,
                "quantity": str(max(leaving, 100)),
                "wanted_on": (day + dt.timedelta(days=self.dice.randint(-6, 12))).isoformat(),
            }
        )
        self.send("despatch", group, day, self.person(), despatched=leaving, order_ref=order, consignee=buyer)
        group.stands -= leaving
        group.listed -= leaving
        if group.stands:
            self.later(day, 25, lambda d: self.ship(d, group))

    # --- real life ----------------------------------------------------------------------------------------------
    def run(self) -> None:
        first = dt.date(2025, 1, 6)
        for number in range(GROUPS):
            sown = first + dt.timedelta(days=round(number * 565 / GROUPS))
            rootstock = self.dice.choice(ROOTSTOCKS)
            lot = f"L{sown:%y%m}-{rootstock[:4]}"
            if lot not in [x["code"] for x in self.seed_lots]:
                self.seed_lots.append(
                    {
                        "code": lot,
                        "label": f"{rootstock.title()} {sown:%Y-%m}",
                        "rootstock": rootstock,
                        "supplier": self.dice.choice(["Ridge Seeds", "Semillas del Faro"]),
                        "received": (sown - dt.timedelta(days=20)).isoformat(),
                        "treated": "yes",
                    }
                )
            day = sown + dt.timedelta(days=self.dice.randint(78, 96))
            group = Group(
                self.code(sown.year), rootstock, lot, sown, day, self.dice.choice(["H1", "H2", "H3", "H4", "H5", "H6"])
            )
            self.later(day, 0, lambda d, g=group: self.open(d, g))
        self.later(dt.date(2026, 7, 14), 0, self.unrecorded_move)
        self.later(dt.date(2026, 9, 8), 0, self.unrecorded_move)
        while self.queue:
            day, _, act = heapq.heappop(self.queue)
            act(day)
        self.sent = [s for s in self.sent if s.day < TODAY]
        self.spoil()

    def unrecorded_move(self, day: dt.date) -> None:
        pairs = [
            (a, b)
            for a in self.groups
            for b in self.groups
            if a is not b and a.rootstock == b.rootstock and a.stage == b.stage and min(a.stands, b.stands) > 400
        ]
        giver, taker = self.dice.choice(pairs)
        giver.stands -= 64
        taker.stands += 64
        for g in (giver, taker):
            self.later(day, self.dice.randint(4, 9), lambda d, x=g: self.stock(d, x))

    def pick(self, form_id: str) -> Sent:
        return self.dice.choice([s for s in self.sent if s.form_id == form_id and not s.again and not s.deprecated_id])

    def spoil(self) -> None:
        """The faults of real life."""
        for s in self.dice.sample(self.sent, 26):  # sent twice by a phone that got no answer
            self.sent.append(Sent(s.form_id, dict(s.answers), s.instance_id, "", s.day, True))
        for name, step in (("stock_count", 10), ("cut_back", -2), ("budding", 5), ("stock_count", -7), ("cull_round", 1)):
            for _ in range(3):  # corrected on the phone: a new identity that names the old one
                s = self.pick(name)
                key = {"cut_back": "not_ready", "budding": "passed_over"}.get(name, "counted")
                old = Sent(s.form_id, s.answers | {key: max(0, int(str(s.answers[key])) + step)}, self.identity(), "", s.day)
                s.deprecated_id = old.instance_id
                self.sent.append(old)
        for name in ("stock_count", "loss", "cull_round"):  # entered again by hand
            s = self.pick(name)
            self.sent.append(Sent(s.form_id, dict(s.answers) | {"start": "", "end": ""}, self.identity(), "", s.day))
        for name in ("stock_count", "loss", "relocate", "stock_count"):  # a digit of the code is wrong
            s = self.pick(name)
            code = str(s.answers["group_code"])
            wrong = code[:4] + str((int(code[4]) + 3) % 10) + code[5:]
            s.answers |= {"code_typed": group_code.shown(wrong), "group_code": wrong}
            s.answers.pop("code_scanned", None)
        for _ in range(2):  # more taken out than there were
            self.pick("cull_round").answers["counted"] = 9
        twice = {s.instance_id for s in self.sent if s.again}
        s = next(s for s in self.sent if s.form_id == "open_group" and s.day.year == 2026 and s.instance_id not in twice)
        s.answers["planted"] = int(str(s.answers["planted"])) - 20  # lifted is not planted and culls together
        for _ in range(2):
            self.pick("budding").answers["stem_mm"] = "5.4"
        s = self.pick("stock_count")
        s.answers.pop("counted")
        s = self.pick("bud_take")
        s.answers["green"] = "8O4"
        s = self.pick("loss")
        s.answers["visit_date"] = "2027-10-12"
        s = self.pick("budding")
        s.answers["team_code"] = "T88"
        s = self.pick("bud_take")
        s.answers["green"] = int(str(s.answers["green"])) + 31
        for _ in range(3):  # inspected, but its opening is still on a phone
            s = self.pick("stock_count")
            code = group_code.issue(2026, 800 + _, 1)[0]
            answers = s.answers | {"code_scanned": code, "group_code": code, "visit_date": "2026-10-28"}
            self.sent.append(Sent(s.form_id, answers, self.identity(), "", dt.date(2026, 10, 28)))


def as_asked(form: Form, sent: Sent) -> dict[str, object]:
    """The answers as the form asks for them: where nothing was taken out, that is said once and no zeros are typed."""
    gone = [q.name for q in form.questions if "any_out" in q.asked_when]
    if not gone or any(name not in sent.answers for name in gone):
        return dict(sent.answers)
    said = "yes" if any(sent.answers[name] not in (0, "0") for name in gone) else "no"
    kept = {k: v for k, v in sent.answers.items() if said == "yes" or k not in gone}
    return kept | {"taken_out": said, "any_out": said}


def instance_xml(form: Form, sent: Sent, version: str | None = None) -> str:
    """One submission as an XForm instance, nested as the form's groups are."""
    lines = [f"<data id={quoteattr(form.form_id)} version={quoteattr(version or form.version)}>"]
    opened: list[str] = []
    answers = as_asked(form, sent)
    for row in form.rows:
        base = row["type"].split()[0]
        if base == "begin_group":
            lines.append(f"<{row['name']}>")
            opened.append(row["name"])
        elif base == "end_group":
            lines.append(f"</{opened.pop()}>")
        elif answers.get(row["name"]) not in ("", None):
            lines.append(f"<{row['name']}>{escape(str(answers[row['name']]))}</{row['name']}>")
    lines.append(f"<meta><instanceID>{sent.instance_id}</instanceID>")
    if sent.deprecated_id:
        lines.append(f"<deprecatedID>{sent.deprecated_id}</deprecatedID>")
    lines.append("</meta></data>")
    return "\n".join(lines) + "\n"


def flat_row(form: Form, sent: Sent) -> dict[str, str]:
    """One submission as a flat row, columns named by path, as exports commonly have them."""
    row: dict[str, str] = {
        "meta/instanceID": sent.instance_id,
        "meta/deprecatedID": sent.deprecated_id,
        "form_version": form.version,
    }
    path: list[str] = []
    answers = as_asked(form, sent)
    for cells in form.rows:
        base = cells["type"].split()[0]
        if base == "begin_group":
            path.append(cells["name"])
        elif base == "end_group":
            path.pop()
        elif base not in ("note", "csv-external"):
            value = answers.get(cells["name"])
            row["/".join([*path, cells["name"]])] = "" if value is None else str(value)
    return row


def write_xml(nursery: Nursery, folder: Path) -> None:
    for number, sent in enumerate(s for s in nursery.sent if nursery.forms[s.form_id].has_group):
        text = instance_xml(nursery.forms[sent.form_id], sent)
        month = folder / f"{sent.day:%Y-%m}"
        month.mkdir(parents=True, exist_ok=True)
        name = sent.instance_id.removeprefix("uuid:")[:13] + ("-again" if sent.again else "")
        text = "<?xml version='1.0' ?>\n" + text if sent.again else text
        assert not (month / f"{name}.xml").exists(), number
        (month / f"{name}.xml").write_text(text, encoding="utf-8")


def write_tables(nursery: Nursery, folder: Path, kind: str, forms: Iterable[Form]) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for form in forms:
        rows = [flat_row(form, s) for s in nursery.sent if s.form_id == form.form_id]
        if kind == "csv" and rows:
            with (folder / f"{form.form_id}.csv").open("w", encoding="utf-8", newline="") as file:
                table = csv.DictWriter(file, list(rows[0]))
                table.writeheader()
                table.writerows(rows)
        elif rows:
            lines = [json.dumps({**{k: v for k, v in r.items() if v}, "form_id": form.form_id}) for r in rows]
            (folder / f"{form.form_id}.ndjson").write_text("\n".join(lines) + "\n", encoding="utf-8")


def write_list(path: Path, rows: list[dict[str, str]]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        table.writeheader()
        table.writerows(rows)


def write_lists(nursery: Nursery, folder: Path) -> None:
    write_list(folder / "staff.csv", [{"code": c, "label": n, "active": "yes"} for c, n in STAFF.items()])
    teams = [
        {"code": t, "label": f"Team {int(t[1:])}: {STAFF[b]} and {STAFF[w]}", "budder": b, "wrapper": w, "active": "yes"}
        for t, (b, w) in TEAMS.items()
    ]
    write_list(folder / "teams.csv", teams)
    places = [{"code": c, "label": n, "part_of": "", "looked_after_by": LOOKED_AFTER[c]} for c, n in PLACES.items()]
    write_list(folder / "locations.csv", places)
    write_list(folder / "seed_lots.csv", nursery.seed_lots)
    write_list(folder / "budwood_batches.csv", nursery.batches)
    write_list(folder / "orders.csv", nursery.orders)
    write_list(folder / "products.csv", of_places.PRODUCTS)
    for name in ("rootstocks", "scions", "compatibility", "pests"):
        shutil.copy(HERE.parent / "forms" / "lists" / f"{name}.csv", folder / f"{name}.csv")


def make_nursery() -> Nursery:
    nursery = Nursery(load_forms())
    nursery.run()
    buddings = [s.answers for s in nursery.sent if s.form_id == "budding"]
    nursery.sent += [Sent(f, said, name, "", day) for f, said, name, day in hygiene_records(nursery.batches, buddings, TODAY)]
    add_seed(nursery)
    return nursery


def add_seed(nursery: Nursery) -> None:
    """Records of seed, after all others are drawn: sowings, what came up, the code on the openings, seeds in a litre."""
    opened: dict[str, list[Answers]] = {}
    for sent in nursery.sent:
        if sent.form_id == "open_group":
            opened.setdefault(str(sent.answers["sow_date"]), []).append(sent.answers)
    for form_id, day, answers in seed_of_demo.records([opened[day] for day in sorted(opened)], TODAY):
        identity = f"uuid:{uuid.uuid5(uuid.NAMESPACE_OID, f'{form_id} {sorted(answers.items())}')}"
        nursery.sent.append(Sent(form_id, answers, identity, "", day))
    for lot in nursery.seed_lots:
        lot["seeds_per_litre"] = str(seed_of_demo.PER_LITRE.get(lot["rootstock"], ""))


def main(arguments: list[str]) -> None:
    nursery = make_nursery()
    if arguments[:1] == ["--as"]:
        write_tables(nursery, Path(arguments[2]), arguments[1], nursery.forms.values())
        return
    demo = HERE / "demo"
    shutil.rmtree(demo, ignore_errors=True)
    write_xml(nursery, demo / "inbox")
    write_tables(nursery, demo / "inbox", "csv", (form for form in nursery.forms.values() if not form.has_group))
    of_places.write_tables(demo / "inbox", TODAY)
    write_lists(nursery, demo / "lists")
    (demo / "nursery.toml").write_text(
        f'name = "{NAME}"\ntoday = {TODAY}   # the demo has one fixed day, so that it always tells the same\n{HANDOVER}',
        encoding="utf-8",
    )
    print(f"{generate_climate.write(nursery.forms, TODAY, demo)} readings of places")
    print(f"{len(nursery.sent)} submissions of {len(nursery.groups)} groups")


if __name__ == "__main__":
    main(sys.argv[1:])
