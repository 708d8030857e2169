"""How true the flags of houses are; `measure` and `took_in` are called by hand. Nurseries with a truth that the comparison does
not know: groups frail or strong for life and again in each stage, losses in clumps, rootstocks unlike, houses that hold mostly
young or mostly old plants, groups moved from house to house within a stage, one group in six split into two of one fate."""

from __future__ import annotations

import numpy as np

from pipeline.formulas.comparison import Compared
from pipeline.formulas.standardised import Excess, compare_losses
from pipeline.rates.takes import compare_houses

DAYS = np.array([150, 150, 25, 12, 60, 60, 120])
RATE = np.array([7, 5, 4, 6, 2, 3, 2]) * 1e-4
CULLED = np.array([0.04, 0.0, 0.0, 0.024, 0.023, 0.016, 0.0])


def lost_in(
    seed: int, groups: int, houses: int, times: float, frail: float = 0.4, in_stage: float = 0.4, clump: float = 8.0
) -> dict[int, Excess]:
    """The houses of one nursery compared; house 0 loses so many times what it should."""
    dice = np.random.default_rng([seed, groups, houses])
    young = dice.permutation(houses) < houses / 2
    rows: list[tuple[int, int, int, float, int]] = []

    def lose(house: int, expected: float, of: float) -> int:
        """A number in clumps, not more than there are."""
        times_now = times if house == 0 else 1.0
        many = dice.poisson(expected * times_now / clump)
        return int(min(of, dice.geometric(1 / clump, many).sum()))

    for line in range(groups):
        stock, own = int(dice.choice(8, p=np.arange(8, 0, -1) / 36)), np.exp(dice.normal(-(frail**2) / 2, frail))
        unlike = np.exp(0.3 * np.sin(stock))
        for _ in range(1 + (dice.random() < 1 / 6)):
            stands, done, house = 900.0 if _ == 0 else 300.0, dice.integers(1, 8), -1
            for stage in range(done):
                if house < 0 or stage == 1 or dice.random() < 0.25:
                    usual = np.flatnonzero(young if stage < 2 else ~young)
                    house = int(dice.choice(usual)) if dice.random() < 0.8 else int(dice.integers(houses))
                now = own * unlike * np.exp(dice.normal(-(in_stage**2) / 2, in_stage))
                days = DAYS[stage] * (dice.random() if stage == done - 1 else 1.0)
                for part in range(2):
                    if part and dice.random() < 0.3:
                        house = int(dice.integers(houses))
                    share = 0.75 if dice.random() < 0.5 else 1.0
                    for kind, of in (("recorded", 1.0), ("not_recorded", 0.15)):
                        exposure = stands * days / 2 * (share if kind == "not_recorded" else 1.0)
                        lost = lose(house, exposure * RATE[stage] * of * now, stands)
                        rows.append((house, line, 100 * stage + 10 * stock + (kind == "recorded"), exposure, lost))
                        stands -= lost
                if stage < done - 1 and CULLED[stage]:
                    chance = CULLED[stage] * unlike * (times if house == 0 else 1.0)
                    lost = int(dice.binomial(int(stands), dice.beta(chance * 80, (1 - chance) * 80)))
                    rows.append((house, line, 100 * stage + 10 * stock + 2, stands, lost))
                    stands -= lost
    return compare_losses(*map(np.array, zip(*rows, strict=True)))[0]


def measure(
    nurseries: int, groups: int, houses: int, times: float, first: int = 0, **truth: float
) -> tuple[float, float, float]:
    """Of so many nurseries: with any flag on a house that is like the others; with house 0 flagged as worse; and the share of
    intervals of other houses that hold 1."""
    false = right = held = many = 0
    for seed in range(first, first + nurseries):
        found = lost_in(seed, groups, houses, times, **truth)
        false += any(e.flag for h, e in found.items() if h or times == 1)
        right += found[0].flag == "worse" if 0 in found else 0
        others = [e for h, e in found.items() if h]
        held += sum(e.low <= 1 <= e.high for e in others)
        many += len(others)
    return false / nurseries, right / nurseries, held / many


def took_in(seed: int, groups: int, houses: int, apart: float, of_group: float, per_house: float) -> dict[str, Compared]:
    """The houses of one nursery compared by take; house 0 is so far off on the logit. Groups have a take of their own (sd
    `of_group`), teams and batches differ, a house is budded by a few teams in a few months, a third of the groups again."""
    dice = np.random.default_rng([seed, groups, houses, 7])
    team_effect, batch_effect = dice.normal(0, 0.3, 8), dice.normal(0, 0.2, 40)
    stock_effect, scion_effect = dice.normal(0, 0.4, 8), dice.normal(0, 0.4, 10)
    weights = dice.dirichlet(np.full(houses, per_house))
    likes, when = dice.dirichlet(np.full(8, 1.0), houses), dice.dirichlet(np.full(12, 1.0), houses)
    columns: dict[str, list[str]] = {k: [] for k in ("rootstock", "scion", "pair", "season", "attempt", "team")}
    house, group, batch, read, taken = [], [], [], [], []
    for g in range(groups):
        h, stock, scion, own = dice.choice(houses, p=weights), dice.integers(8), dice.integers(10), dice.normal(0, of_group)
        month, source = dice.choice(12, p=when[h]), 4 * scion + dice.integers(4)
        first = [(1, t, int(dice.integers(200, 900))) for t in dice.choice(8, 1 + (dice.random() < 0.5), p=likes[h])]
        again = [(2, int(dice.choice(8, p=likes[h])), int(dice.integers(20, 90)))] if dice.random() < 0.35 else []
        for attempt, team, n in (*first, *again):
            logit = 2.4 + team_effect[team] + batch_effect[source] + stock_effect[stock] + scion_effect[scion] + own
            p = 1 / (1 + np.exp(-(logit - 0.3 * (attempt == 2) + apart * (h == 0))))
            names = (f"R{stock}", f"S{scion}", f"R{stock}+S{scion}", f"{month:02}", str(attempt), f"T{team}")
            for into, name in zip(columns.values(), names, strict=True):
                into.append(name)
            for into, value in ((house, f"H{h}"), (group, str(g)), (batch, f"B{source}"), (read, n)):
                into.append(value)
            taken.append(int(dice.binomial(n, dice.beta(p * 49, (1 - p) * 49))))
    return compare_houses(np.array(taken), np.array(read), columns, house, batch, group)
