"""The lives of all groups of an invented nursery, from the seed tray to the lorry, worked out for all groups at once. The
truth (plants that vanish unnoticed) is never written; only what people counted, miscounted and recorded.

A column of a form is an array over its submissions; -1 or "" is no answer.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tests.bench.crop import Crop, Ints, planted
from tests.bench.fieldwork import Fieldwork
from tests.bench.trade import (
    ASIDE,
    BATCH_DAYS,
    CAUSES,
    MAIN,
    MONTHS,
    OFF_TYPE,
    PLACES,
    ROOTSTOCK_TAKE,
    SCION_TAKE,
    SCIONS,
    SUNDAY,
    Ways,
)


@dataclass
class Nursery(Fieldwork):
    """An invented nursery: its groups, and what has been sent of them so far."""

    asides: list[tuple[Ints, Ints, Ints]] = field(default_factory=list)
    """(giving groups, plants moved, day) of each transfer, whose takers are appended to the crop in this order."""

    def open(self, g: Ints) -> None:
        crop, lifted = self.crop, self.dice.integers(1060, 1241, len(g))
        rates = {"off_type": OFF_TYPE[crop.rootstock[g]], "bent_root": 0.02, "etiolated": 0.008, "weak": 0.03, "other": 0.002}
        culls = {f"cull_{cause}": self.spread(lifted, rate) for cause, rate in rates.items()}
        planted = np.maximum(lifted - np.sum(list(culls.values()), axis=0), 0)
        lifted = planted + np.sum(list(culls.values()), axis=0)
        self.send(
            "open_group",
            g,
            crop.clock[g],
            self.person(len(g)),
            lifted=lifted,
            planted=planted,
            **culls,
            rootstock=crop.rootstock[g],
            sown=crop.sown[g],
            place=crop.place[g],
        )
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
        up_or_down = self.crop.clock[g] * 0.6180339887498949 % 1  # to whole plants, so that the share is right over many
        lost = np.minimum((lost * self.ways.loss + up_or_down).astype(np.int64), self.crop.stands[g])
        cause = np.where(winter, len(CAUSES) - 1, self.dice.integers(0, len(CAUSES) - 1, len(g)))
        g, lost, cause = g[lost > 0], lost[lost > 0], cause[lost > 0]
        self.send("loss", g, self.crop.clock[g], self.person(len(g)), lost=lost, loss_cause=CAUSES[cause])
        self.leave(g, lost)

    def relocate(self, g: Ints) -> None:
        g = g[self.dice.random(len(g)) < 0.6]
        self.crop.place[g] = self.dice.integers(0, len(PLACES), len(g))
        self.send("relocate", g, self.crop.clock[g], self.person(len(g)), place=self.crop.place[g])

    def bud(self, g: Ints) -> None:
        crop, teams = self.crop, len(self.ways.team_take)
        crop.attempt[g] += 1
        crop.budded[g] = crop.clock[g]
        crop.team[g] = self.dice.integers(0, teams, len(g))
        other = (crop.team[g] + self.dice.integers(1, teams, len(g))) % teams
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
        self.send(
            "budding",
            g,
            on,
            2 * team,
            team=team,
            attempt=crop.attempt[g],
            scion=crop.scion[g],
            batch=on // BATCH_DAYS,
            buds_set=share - thin,
            passed_over=thin,
            stem_tenths=stem,
        )
        return share - thin

    def take(self, g: Ints) -> None:
        crop = self.crop
        crop.brown[g] = 0
        late = np.where((self.dice.random(len(g)) < 0.03) & (crop.clock[g] + 17 <= self.until), 15, 0)
        self._read(g, crop.team[g], crop.buds[g], crop.budded[g], crop.clock[g] + late)
        two = g[crop.second[g] >= 0]
        self._read(
            two, crop.second[two], crop.buds_second[two], crop.budded[two] + 1, (crop.clock[g] + late)[crop.second[g] >= 0] + 1
        )
        crop.clock[g] += late + 1
        crop.stage[g] = 3

    def _read(self, g: Ints, team: Ints, buds: Ints, budded: Ints, on: Ints) -> None:
        crop, staff = self.crop, self.person(len(g))
        logit = 2.5 + ROOTSTOCK_TAKE[crop.rootstock[g]] + SCION_TAKE[crop.scion[g]] + self.ways.team_take[team]
        logit += self.ways.take + self.ways.month_take[MONTHS[budded]]
        logit += 0.15 * np.cos(on / 58) - 0.3 * (crop.attempt[g] > 1)
        missing = self.dice.binomial(buds, 0.006)
        green = self.spread(buds - missing, 1 / (1 + np.exp(-logit)))
        brown = buds - missing - green
        unsure = np.where(self.dice.random(len(g)) < 0.25, self.dice.binomial(brown, 0.2), 0)
        self.send(
            "bud_take",
            g,
            on,
            staff,
            team=team,
            attempt=crop.attempt[g],
            green=green,
            brown=brown - unsure,
            unsure=unsure,
            missing=missing,
            brown_moved=np.where(brown > unsure, "no", ""),
        )
        again = (unsure > 0) & (on + 4 <= self.until)
        later = self.dice.binomial(unsure, 0.5)[again]
        self.send(
            "bud_take",
            g[again],
            on[again] + 4,
            staff[again],
            team=team[again],
            attempt=crop.attempt[g][again],
            green=later,
            brown=unsure[again] - later,
            unsure=0,
            missing=0,
            brown_moved=np.where(unsure[again] > later, "no", ""),
        )
        self.leave(g, np.minimum(missing, crop.stands[g]))
        crop.brown[g] += brown - unsure

    def aside(self, g: Ints) -> None:
        """Failed buds of about a third of the groups go to a group of their own, to be budded again."""
        g = g[(self.dice.random(len(g)) < 0.35) & (self.crop.brown[g] >= 25) & (self.crop.clock[g] <= self.until)]
        moved = np.minimum(self.crop.brown[g], self.crop.stands[g] - 1)
        self.send(
            "transfer",
            g,
            self.crop.clock[g],
            self.person(len(g)),
            to_group=len(self.crop) + np.arange(len(g)),
            moved=moved,
            transfer_reason="set_aside",
        )
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
        self.send(
            "despatch",
            g,
            self.crop.clock[g],
            self.person(len(g)),
            despatched=leaving,
            order=self.crop.rootstock[g] * len(SCIONS) + self.crop.scion[g],
        )
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


def new_nursery(groups: int, years: int, seed: int, ways: Ways | None = None) -> Nursery:
    """A nursery in which everything is sown and nothing was done yet."""
    dice, ways = np.random.default_rng([seed, groups, years]), ways or Ways()
    return Nursery(dice, planted(groups, years, dice, ways), ways)


def raised(groups: int, years: int, seed: int, ways: Ways | None = None) -> Nursery:
    """A nursery with so many groups sown over so many years, and all that was done in them until END."""
    nursery = new_nursery(groups, years, seed, ways)
    nursery.live(np.arange(groups), MAIN)
    for givers, moved, on in nursery.asides:
        taken = Crop(*(getattr(nursery.crop, n)[givers] for n in Crop.__dataclass_fields__))
        taken.stands, taken.listed, taken.opened, taken.clock = moved.copy(), moved.copy(), on.copy(), on.copy()
        taken.stage[:], taken.attempt[:] = 3, 1
        first = len(nursery.crop)
        nursery.crop = nursery.crop.joined(taken)
        nursery.live(np.arange(first, len(nursery.crop)), ASIDE)
    return nursery
