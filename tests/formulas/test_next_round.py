"""What one more count is expected to leave, and the walk, against both worked out in every way there is."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import pytest

from pipeline.formulas.next_round import Costs, Counting, choose, numbers, variance_left
from pipeline.formulas.sums import DRAWS, SHARES

USUAL = Counting(exact=0.7, error=0.005, gross=0.03)


def _every_way(stood: list[int], chances: list[float], c: Counting) -> float:
    """E[Var(N | y)], number by number."""

    def normal(low: float, high: float, sd: float) -> float:
        return 0.5 * (math.erf(high / sd / math.sqrt(2)) - math.erf(low / sd / math.sqrt(2)))

    left = 0.0
    for y in range(2 * max(stood) + 1001):
        joint = []
        for x, p in zip(stood, chances, strict=True):
            sd = max(c.error * x, 0.5)
            near = normal(y - x - 0.5 if y else -1e9, y - x + 0.5, sd)
            anything = 1 / (2 * max(stood) + 1001)
            joint.append(p * ((1 - c.gross) * (c.exact * (y == x) + (1 - c.exact) * near) + c.gross * anything))
        total = sum(joint)
        if total > 0:
            mean = sum(j * x for j, x in zip(joint, stood, strict=True)) / total
            left += sum(j * (x - mean) ** 2 for j, x in zip(joint, stood, strict=True))
    return left


@pytest.mark.parametrize(
    ("stood", "chances", "counting"),
    [
        ([900, 940], [0.4, 0.6], USUAL),
        ([900, 901, 902, 903], [0.1, 0.4, 0.3, 0.2], USUAL),
        ([30, 300], [0.02, 0.98], USUAL),
        ([0, 1, 2], [0.2, 0.3, 0.5], USUAL),
        ([95, 100, 104, 110], [0.25] * 4, Counting(0.1, 0.05, 0.2)),
        (list(range(480, 520)), [1 / 40] * 40, Counting(0.5, 0.01, 0.05)),
    ],
)
def test_what_a_count_leaves_as_number_by_number(stood: list[int], chances: list[float], counting: Counting) -> None:
    now, left = variance_left(np.array(stood), np.array(chances), counting)
    mean = sum(p * x for p, x in zip(chances, stood, strict=True))
    assert now == pytest.approx(sum(p * (x - mean) ** 2 for p, x in zip(chances, stood, strict=True)))
    assert left == pytest.approx(_every_way(stood, chances, counting), rel=1e-3, abs=1e-6)
    assert 0 <= left < now


def test_at_the_edges() -> None:
    assert variance_left(np.array([940]), np.array([1.0]), USUAL) == (0.0, 0.0)
    now, left = variance_left(np.array([900, 940]), np.array([0.5, 0.5]), Counting(1.0, 0.005, 0.0))
    assert now == 400 and left == pytest.approx(0, abs=1e-9), "who never errs leaves nothing open"
    now, left = variance_left(np.array([900, 940]), np.array([0.5, 0.5]), Counting(0.7, 0.005, 0.99))
    assert left > 0.9 * now, "who is nearly always quite wrong leaves nearly all"
    worse = [variance_left(np.array([900, 903]), np.array([0.5, 0.5]), Counting(e, 0.01, 0.03))[1] for e in (0.9, 0.5, 0.1)]
    assert worse == sorted(worse)


def test_numbers_of_cells_keep_the_mean() -> None:
    dice = np.random.default_rng(1)
    for _ in range(30):
        cells = np.sort(dice.normal(900, dice.choice([0.1, 3, 40]), len(SHARES)))
        stood, chances = numbers(cells)
        assert chances.sum() == pytest.approx(1) and (np.diff(stood) > 0).all()
        assert chances @ stood == pytest.approx(cells @ SHARES / DRAWS, abs=1e-3)
    stood, chances = numbers(np.full(len(SHARES), 940.0))
    assert stood.tolist() == [940] and chances.tolist() == [1.0]


def _minutes(some: tuple[int, ...] | list[int], house: list[str], costs: Costs) -> float:
    return float(sum(costs.of_group[i] for i in some) + costs.of_house * len({house[i] for i in some}))


def test_the_walk_is_nearly_the_best_of_all_walks() -> None:
    dice, shares = np.random.default_rng(3), []
    for _ in range(150):
        many = int(dice.integers(1, 9))
        gain, house = dice.gamma(0.7, 100, many), [f"H{h}" for h in dice.integers(0, 3, many)]
        costs = Costs(dice.uniform(5, 40, many), float(dice.choice([0, 10, 30])))
        limit = float(dice.choice([20, 60, 120]))
        walk = choose(gain, house, costs, limit)
        assert len(set(walk)) == len(walk) and _minutes(walk, house, costs) <= limit + 1e-6
        ways = (s for n in range(many + 1) for s in combinations(range(many), n))
        best = max(sum(gain[i] for i in s) for s in ways if _minutes(s, house, costs) <= limit)
        shares.append(1.0 if best == 0 else gain[walk].sum() / best)
    assert np.mean(shares) > 0.96 and min(shares) > 0.5


def test_houses_are_walked_one_after_the_other_and_are_worth_their_way() -> None:
    costs = Costs(np.full(6, 10.0), 30.0)
    house = ["A", "B", "A", "B", "C", "A"]
    walk = choose(np.array([50.0, 49.0, 48.0, 5.0, 60.0, 47.0]), house, costs, 62)
    assert walk == [0, 2, 5], "three groups of one house, not the best group of another"
    walk = choose(np.array([50.0, 49.0, 48.0, 5.0, 60.0, 47.0]), house, costs, 200)
    assert [house[i] for i in walk] == sorted((house[i] for i in walk), key=[house[i] for i in walk].index)
    assert choose(np.zeros(6), house, costs, 200) == [] and choose(np.ones(6), house, costs, 39) == []
