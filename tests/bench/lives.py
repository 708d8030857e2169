"""The lives of all groups of an invented nursery, from the seed tray to the lorry, worked out for all groups at once. The
truth (plants that vanish unnoticed) is never written; only what people counted, miscounted and recorded.

A column of a form is an array over its submissions; -1 or "" is no answer.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.bench.trade import (
    ASIDE, BATCH_DAYS, CAUSES, COUNT, CULLS, END, MAIN, OFF_TYPE, PLACES, ROOTSTOCK_TAKE, ROOTSTOCKS, SCION_TAKE, SCIONS,
    STAFF, SUNDAY, TEAMS, day,
)  # fmt: skip

Ints = NDArray[np.int64]
Columns = dict[str, NDArray[Any]]


@dataclass
class Crop:
    """All groups, an array for each thing that is so of a group."""

    family: Ints
    rootstock: Ints
    sown: Ints
    opened: Ints
    place: Ints
    scion: Ints
    stands: Ints
    listed: Ints
    clock: Ints
    stage: Ints
    attempt: Ints
    team: Ints
    second: Ints
    buds: Ints
    buds_second: Ints
    brown: Ints

    def __len__(self) -> int:
        return len(self.family)

    @classmethod
    def blank(cls, groups: int) -> Crop:
        return cls(*(np.zeros(groups, np.int64) for _ in cls.__dataclass_fields__))

    def joined(self, other: Crop) -> Crop:
        return Crop(*(np.concatenate([getattr(self, n), getattr(other, n)]) for n in self.__dataclass_fields__))


@dataclass
class Nursery:
    dice: np.random.Generator
    crop: Crop
    until: int = day(END)
    sent: dict[str, list[Columns]] = field(default_factory=dict)
    asides: list[tuple[Ints, Ints, Ints]] = field(default_factory=list)
    """(giving groups, plants moved, day) of each transfer, whose takers are appended to the crop in this order."""

    # --- sending ----------------------------------------------------------------------------------------------------
    def send(self, form_id: str, g: Ints, on: Ints, staff: Ints, **answers: Any) -> None:
        crop, many = self.crop, len(g)
        told = crop.opened[g] < on - on % 7
        self.sent.setdefault(form_id, []).append({
            "group": g, "family": crop.family[g], "day": on, "second": 25_200 + self.dice.integers(0, 32_400, many),
            "took": self.dice.integers(35_000, 400_000, many), "staff": staff, "typed": self.dice.random(many) < 0.12,
            "list_day": np.where(told, on - on % 7 - 9 * (self.dice.random(many) < 0.015), -1),
            "shown_stage": np.where(told, crop.stage[g], -1), "shown_count": np.where(told, crop.listed[g], -1),
            **{name: np.broadcast_to(np.asarray(a), (many,)) for name, a in answers.items()},
        })  # fmt: skip

    def person(self, many: int) -> Ints:
        return self.dice.integers(0, len(STAFF), many)

    def spread(self, n: Ints, p: Any, rho: float = 0.02) -> Ints:
        """Beta-binomial numbers with intraclass correlation rho."""
        size = 1 / rho - 1
        return self.dice.binomial(np.maximum(n, 0), self.dice.beta(p * size, (1 - p) * size, len(n)))

    # --- counting ---------------------------------------------------------------------------------------------------
    def count(self, g: Ints, staff: Ints) -> Ints:
        """How many people say stand there."""
        true, many, dice = self.crop.stands[g], len(g), self.dice
        near = true + np.rint(dice.normal(0, 1, many) * (0.004 * true + 0.6)).astype(np.int64)
        said = np.where(dice.random(many) < np.where(staff % 5 == 0, 0.45, 0.8), true, np.maximum(near, 0))
        ones, tens = true % 10, true // 10 % 10
        wrong = np.stack([
            true - 10 * tens - ones + 10 * ones + tens, true + 10 * ((tens + dice.integers(1, 10, many)) % 10 - tens),
            true - 20 * dice.integers(1, 4, many), true + 20, self.crop.listed[g],
        ])  # fmt: skip
        wrong = np.maximum(wrong[dice.integers(0, len(wrong), many), np.arange(many)], 0)
        return np.where((dice.random(many) < 0.035) & (true > 120), wrong, said)

    def fade(self, g: Ints, days: float) -> None:
        """Plants that die or go without anybody writing it down."""
        stands, dice = self.crop.stands[g], self.dice
        lost = dice.poisson(dice.gamma(1.5, 0.00004 * days * stands / 1.5))
        lost += np.where((stands > 200) & (dice.random(len(g)) < 0.006), dice.integers(15, 70, len(g)), 0)
        self.crop.stands[g] -= np.minimum(lost, stands)

    def leave(self, g: Ints, plants: Ints) -> None:
        self.crop.stands[g] -= plants
        self.crop.listed[g] = np.maximum(self.crop.listed[g] - plants, 0)

    # --- what is done to groups -------------------------------------------------------------------------------------
    def inspect(self, form_id: str, g: Ints, stage: int = -1) -> None:
        """An inspection: of the whole group, or of about a fifth of the groups in two parts on following days."""
        staff, on = self.person(len(g)), self.crop.clock[g]
        said, true = self.count(g, staff), self.crop.stands[g]
        in_parts = (self.dice.random(len(g)) < 0.22) & (true > 300)
        out = np.zeros(len(g), np.int64)
        for base, wrong, coverage, later, some in (
            (true, said - true, "whole", 0, ~in_parts),
            (true // 2, np.zeros(len(g), np.int64), "part", 0, in_parts),
            (true - true // 2, said - true, "last_part", 1, in_parts),
        ):
            out[some] += self._walk(form_id, g[some], on[some] + later, staff[some], base[some], wrong[some], coverage)
        self.crop.stands[g] = true - out
        self.crop.listed[g] = np.maximum(said - out, 0)
        self.crop.clock[g] = on + in_parts
        if stage >= 0:
            self.crop.stage[g] = stage

    def _walk(self, form_id: str, g: Ints, on: Ints, staff: Ints, base: Ints, wrong: Ints, coverage: str) -> Ints:
        taken = {cause: self.spread(base, rate) for cause, rate in CULLS[form_id].items()}
        if form_id == "cull_round":
            taken["off_type"] = self.spread(base, OFF_TYPE[self.crop.rootstock[g]] / 4)
        out: Ints = np.sum(list(taken.values()), axis=0)
        over = out - np.minimum(out, base)
        for cause in taken:  # never more than stand there
            fewer = np.minimum(over, taken[cause])
            taken[cause] = taken[cause] - fewer
            over = over - fewer
        out = np.minimum(out, base)
        found = np.maximum(base + wrong, out)
        answers: dict[str, Any] = {c if c == "dead" else f"cull_{c}": n for c, n in taken.items()}
        answers |= {"coverage": coverage, COUNT[form_id]: found if form_id == "cull_round" else found - out}
        if form_id in ("cut_back", "stake", "top"):
            held = self.dice.binomial(found - out, 0.03)
            answers |= {"not_ready": held, COUNT[form_id]: found - out - held}
        if form_id == "bag_up":
            some = self.dice.random(len(g)) < 0.6
            answers |= {"height_tenths": np.where(some, self.dice.integers(170, 260, len(g)), -1), "place": self.crop.place[g]}
        if form_id == "cut_back":
            answers["stub_tenths"] = self.dice.integers(30, 51, len(g))
        if form_id == "stake":
            answers |= {"shoots_removed": "yes", "stakes_treated": np.where(self.dice.random(len(g)) < 0.5, "yes", "no")}
        if form_id == "top":
            answers["stem_tenths"] = self.dice.integers(60, 90, len(g))
        self.send(form_id, g, on, staff, **answers)
        return out

    def open(self, g: Ints) -> None:
        crop, lifted = self.crop, self.dice.integers(1060, 1241, len(g))
        rates = {"off_type": OFF_TYPE[crop.rootstock[g]], "bent_root": 0.02, "etiolated": 0.008, "weak": 0.03, "other": 0.002}
        culls = {f"cull_{cause}": self.spread(lifted, rate) for cause, rate in rates.items()}
        planted = np.maximum(lifted - np.sum(list(culls.values()), axis=0), 0)
        lifted = planted + np.sum(list(culls.values()), axis=0)
        self.send("open_group", g, crop.clock[g], self.person(len(g)), lifted=lifted, planted=planted, **culls,
                  rootstock=crop.rootstock[g], sown=crop.sown[g], place=crop.place[g])  # fmt: skip
        crop.stands[g] = crop.listed[g] = planted

    def cull(self, g: Ints) -> None:
        self.inspect("cull_round", g)

    def bag(self, g: Ints) -> None:
        self.crop.place[g] = self.dice.integers(12, len(PLACES), len(g))
        self.inspect("bag_up", g, 1)

    def stock(self, g: Ints) -> None:
        staff = self.person(len(g))
        said = self.count(g, staff)
        where = np.where(self.dice.random(len(g)) < 0.3, self.crop.place[g], -1)
        self.send("stock_count", g, self.crop.clock[g], staff, coverage="whole", counted=said, place=where)
        self.crop.listed[g] = said

    def loss(self, g: Ints) -> None:
        g = g[(self.crop.stands[g] > 20) & (self.dice.random(len(g)) < 0.9)]
        winter = (self.crop.clock[g] % 365 < 60) & (self.dice.random(len(g)) < 0.6)
        lost = self.dice.choice([1, 1, 2, 2, 3, 4, 6, 11], len(g)) * np.where(winter, 3, 1)
        lost = np.minimum(lost, self.crop.stands[g])
        cause = np.where(winter, len(CAUSES) - 1, self.dice.integers(0, len(CAUSES) - 1, len(g)))
        self.send("loss", g, self.crop.clock[g], self.person(len(g)), lost=lost, loss_cause=CAUSES[cause])
        self.leave(g, lost)

    def relocate(self, g: Ints) -> None:
        g = g[self.dice.random(len(g)) < 0.6]
        self.crop.place[g] = self.dice.integers(0, len(PLACES), len(g))
        self.send("relocate", g, self.crop.clock[g], self.person(len(g)), place=self.crop.place[g])

    def bud(self, g: Ints) -> None:
        crop = self.crop
        crop.attempt[g] += 1
        crop.team[g] = self.dice.integers(0, len(TEAMS), len(g))
        other = (crop.team[g] + self.dice.integers(1, len(TEAMS), len(g))) % len(TEAMS)
        crop.second[g] = np.where((self.dice.random(len(g)) < 0.55) & (crop.stands[g] > 200), other, -1)
        share = np.where(crop.second[g] >= 0, crop.stands[g] // 2, crop.stands[g])
        crop.buds[g] = self._set(g, crop.team[g], share, 0)
        two = g[crop.second[g] >= 0]
        crop.buds_second[g] = 0
        crop.buds_second[two] = self._set(two, crop.second[two], crop.stands[two] - crop.stands[two] // 2, 1)
        crop.stage[g] = 2

    def _set(self, g: Ints, team: Ints, share: Ints, later: int) -> Ints:
        crop, thin = self.crop, self.dice.binomial(share, 0.02)
        on = crop.clock[g] + later
        stem = np.maximum(np.rint(self.dice.normal(81, 8, len(g))), 52).astype(np.int64)
        self.send("budding", g, on, 2 * team, team=team, attempt=crop.attempt[g], scion=crop.scion[g], batch=on // BATCH_DAYS,
                  buds_set=share - thin, passed_over=thin, stem_tenths=stem)  # fmt: skip
        return share - thin

    def take(self, g: Ints) -> None:
        crop = self.crop
        crop.brown[g] = 0
        late = np.where((self.dice.random(len(g)) < 0.03) & (crop.clock[g] + 17 <= self.until), 15, 0)
        self._read(g, crop.team[g], crop.buds[g], crop.clock[g] + late)
        two = g[crop.second[g] >= 0]
        self._read(two, crop.second[two], crop.buds_second[two], (crop.clock[g] + late)[crop.second[g] >= 0] + 1)
        crop.clock[g] += late + 1
        crop.stage[g] = 3

    def _read(self, g: Ints, team: Ints, buds: Ints, on: Ints) -> None:
        crop, staff = self.crop, self.person(len(g))
        logit = 2.5 + ROOTSTOCK_TAKE[crop.rootstock[g]] + SCION_TAKE[crop.scion[g]] + (team % 7 - 3) * 0.12
        logit += 0.15 * np.cos(on / 58) - 0.3 * (crop.attempt[g] > 1)
        missing = self.dice.binomial(buds, 0.006)
        green = self.spread(buds - missing, 1 / (1 + np.exp(-logit)))
        brown = buds - missing - green
        unsure = np.where(self.dice.random(len(g)) < 0.25, self.dice.binomial(brown, 0.2), 0)
        self.send("bud_take", g, on, staff, team=team, attempt=crop.attempt[g], green=green, brown=brown - unsure,
                  unsure=unsure, missing=missing, brown_moved=np.where(brown > unsure, "no", ""))  # fmt: skip
        again = (unsure > 0) & (on + 4 <= self.until)
        later = self.dice.binomial(unsure, 0.5)[again]
        self.send("bud_take", g[again], on[again] + 4, staff[again], team=team[again], attempt=crop.attempt[g][again],
                  green=later, brown=unsure[again] - later, unsure=0, missing=0,
                  brown_moved=np.where(unsure[again] > later, "no", ""))  # fmt: skip
        self.leave(g, np.minimum(missing, crop.stands[g]))
        crop.brown[g] += brown - unsure

    def aside(self, g: Ints) -> None:
        """Failed buds of about a third of the groups go to a group of their own, to be budded again."""
        g = g[(self.dice.random(len(g)) < 0.35) & (self.crop.brown[g] >= 25) & (self.crop.clock[g] <= self.until)]
        moved = np.minimum(self.crop.brown[g], self.crop.stands[g] - 1)
        self.send("transfer", g, self.crop.clock[g], self.person(len(g)), to_group=len(self.crop) + np.arange(len(g)), moved=moved,
                  transfer_reason="set_aside")  # fmt: skip
        self.leave(g, moved)
        self.asides.append((g, moved, self.crop.clock[g]))

    def cut(self, g: Ints) -> None:
        self.inspect("cut_back", g, 4)

    def stake(self, g: Ints) -> None:
        self.inspect("stake", g, 5)

    def top(self, g: Ints) -> None:
        self.inspect("top", g, 6)

    def ship(self, g: Ints) -> None:
        stands = self.crop.stands[g]
        leaving = np.where(self.dice.random(len(g)) < 0.4, stands, np.rint(stands * self.dice.uniform(0.3, 0.8, len(g))))
        self._send_off(g, leaving.astype(np.int64))

    def ship_rest(self, g: Ints) -> None:
        self._send_off(g, self.crop.stands[g])

    def _send_off(self, g: Ints, leaving: Ints) -> None:
        self.send("despatch", g, self.crop.clock[g], self.person(len(g)), despatched=leaving,
                  order=self.crop.rootstock[g] * len(SCIONS) + self.crop.scion[g])  # fmt: skip
        self.leave(g, leaving)

    def clear(self, g: Ints) -> None:
        """The empty bench is counted too, so that the book of the group can be closed."""
        g = g[self.crop.stands[g] == 0]
        self.send("stock_count", g, self.crop.clock[g], self.person(len(g)), coverage="whole", counted=0, place=-1)
        self.crop.listed[g] = 0

    # --- all lives --------------------------------------------------------------------------------------------------
    def live(self, g: Ints, steps: tuple[tuple[str, int], ...]) -> None:
        """Step by step for all groups; who would come to a step after the last day stops before it."""
        for name, gap in steps:
            passed = np.maximum(np.rint(self.dice.normal(gap, gap / 6, len(g))), min(gap, 1)).astype(np.int64)
            if name == "take":
                passed = np.maximum(passed, 11 if steps is MAIN else 21)
            clock = self.crop.clock[g] + passed
            clock += clock % 7 == SUNDAY
            g, clock = g[clock + 2 <= self.until], clock[clock + 2 <= self.until]
            self.crop.clock[g] = clock
            now = g if name in ("open", "clear") else g[self.crop.stands[g] > 5]
            self.fade(now, gap)
            getattr(self, name)(now)


def planted(groups: int, years: int, seed: int) -> Nursery:
    """A nursery with so many groups sown over so many years, in which nothing was done yet."""
    dice = np.random.default_rng([seed, groups, years])
    crop = Crop.blank(groups)
    crop.family = np.arange(groups)
    share = crop.family * 0.6180339887498949 % 1  # evenly over the years however few of the groups are kept
    crop.sown = day(END) - np.rint(years * 365 - share * (years * 365 - 95)).astype(np.int64)
    crop.opened = crop.sown + dice.integers(78, 97, groups)
    crop.opened += crop.opened % 7 == SUNDAY
    crop.clock = crop.opened.copy()
    crop.rootstock = dice.integers(0, len(ROOTSTOCKS), groups)
    crop.scion = _scions(dice, crop.rootstock)
    crop.place = dice.integers(0, 12, groups)
    return Nursery(dice, crop)


def raised(groups: int, years: int, seed: int) -> Nursery:
    """The same, with all that was done in the groups until END."""
    nursery = planted(groups, years, seed)
    nursery.live(np.arange(groups), MAIN)
    for givers, moved, on in nursery.asides:
        taken = Crop(*(getattr(nursery.crop, n)[givers] for n in Crop.__dataclass_fields__))
        taken.stands, taken.listed, taken.opened, taken.clock = moved.copy(), moved.copy(), on.copy(), on.copy()
        taken.stage[:], taken.attempt[:] = 3, 1
        first = len(nursery.crop)
        nursery.crop = nursery.crop.joined(taken)
        nursery.live(np.arange(first, len(nursery.crop)), ASIDE)
    return nursery


def _scions(dice: np.random.Generator, rootstock: Ints) -> Ints:
    """Scions, few of them on a rootstock that the list of compatibility warns of."""
    warned = np.zeros((len(ROOTSTOCKS), len(SCIONS)), bool)
    warned[:, 2], warned[4, 2] = True, False
    warned[[0, 2, 3, 6], 5] = True
    warned[1, 6] = True
    scion = dice.integers(0, len(SCIONS), len(rootstock))
    for _ in range(6):
        bad = warned[rootstock, scion]
        scion[bad] = dice.integers(0, len(SCIONS), int(bad.sum()))
    return scion
