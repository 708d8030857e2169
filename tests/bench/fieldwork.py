"""What people do in an invented nursery to send anything at all: they count, miscount, inspect and note; and what of the plants
goes without a note. All groups of a step at once."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tests.bench.crop import Columns, Crop, Ints
from tests.bench.trade import COUNT, CULLS, END, OFF_TYPE, Ways, day


@dataclass
class Fieldwork:
    dice: np.random.Generator
    crop: Crop
    ways: Ways = field(default_factory=Ways)
    until: int = day(END)
    sent: dict[str, list[Columns]] = field(default_factory=dict)

    # --- sending ----------------------------------------------------------------------------------------------------
    def send(self, form_id: str, g: Ints, on: Ints, staff: Ints, **answers: Any) -> None:
        crop, many = self.crop, len(g)
        told = crop.opened[g] < on - on % 7
        self.sent.setdefault(form_id, []).append(
            {
                "group": g,
                "family": crop.family[g],
                "day": on,
                "second": 25_200 + self.dice.integers(0, 32_400, many),
                "took": self.dice.integers(35_000, 400_000, many),
                "staff": staff,
                "typed": self.dice.random(many) < 0.12,
                "list_day": np.where(told, on - on % 7 - 9 * (self.dice.random(many) < 0.015), -1),
                "shown_stage": np.where(told, crop.stage[g], -1),
                "shown_count": np.where(told, crop.listed[g], -1),
                **{name: np.broadcast_to(np.asarray(a), (many,)) for name, a in answers.items()},
            }
        )

    def person(self, many: int) -> Ints:
        return self.dice.integers(0, self.ways.staff, many)

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
        wrong = np.stack(
            [
                true - 10 * tens - ones + 10 * ones + tens,
                true + 10 * ((tens + dice.integers(1, 10, many)) % 10 - tens),
                true - 20 * dice.integers(1, 4, many),
                true + 20,
                self.crop.listed[g],
            ]
        )
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
