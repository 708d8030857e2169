"""What stands now, in batches, against the same worked out group by group over all numbers from nothing up."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.formulas.count_chain import STAGES, Rates, exposures, kernels, narrowest, quantile
from pipeline.formulas.standing_now import stand_now
from pipeline.formulas.sums import DRAWS, SHARES

Group = tuple[np.ndarray, int, int, int, int]
"""(last, low, final_book, rank, days)"""


def one(
    last: np.ndarray, low: int, final_book: int, rank: int, days: int, rates: Rates
) -> tuple[int, int, int, float, float, float]:
    top = final_book + low + len(last) - 1
    if top <= 0 or not len(last):
        return 0, 0, 0, 0.0, 0.0, 0.0
    chances = np.zeros(top + 1)
    np.add.at(chances, np.maximum(final_book + low + np.arange(len(last)), 0), last)
    chances_before = chances
    plants = max(1, int(chances @ np.arange(top + 1)))
    exposure = exposures(np.array([float(max(0, days))]), np.array([float(plants)]))
    if exposure[0] > 0:
        whole, _, _ = kernels(rates, np.array([rank]), exposure, top + 1)
        chances = np.convolve(chances[::-1], whole[0, : top + 1])[top::-1]
    chances, before = chances / chances.sum(), float(chances_before @ np.arange(top + 1) / chances_before.sum())
    mean = float(chances @ np.arange(top + 1))
    variance = float(chances @ (np.arange(top + 1) - mean) ** 2)
    first, end = narrowest(chances, 0.95)
    middle = int(chances.argmax() if final_book < 0 else quantile(chances, 0.5))
    return middle, min(first, middle), max(end, middle), mean, variance, max(before - mean, 0)


def held_against_each(groups: list[Group], rates: Rates) -> None:
    last, *numbers = zip(*groups, strict=True)
    low, final_book, rank, days = (np.array(column) for column in numbers)
    found = stand_now(last, low, final_book, rank, days, rates)
    for i, group in enumerate(groups):
        estimate, lowest, highest, *moments = one(*group, rates)
        assert (found.estimate[i], found.low[i], found.high[i]) == (estimate, lowest, highest), group
        assert [v[i] for v in found[3:6]] == pytest.approx(moments, rel=1e-6, abs=1e-6), group
        assert found.spread[i] @ SHARES / DRAWS == pytest.approx(moments[0], rel=1e-6, abs=1e-6), group


def made(dice: np.random.Generator, width: int) -> np.ndarray:
    """A distribution of such a width: a hump with a thin floor, not quite summing to one."""
    place, spread = dice.uniform(0, width), dice.uniform(0.3, 12)
    chances = np.exp(-0.5 * ((np.arange(width) - place) / spread) ** 2) + 1e-4 * dice.random(width)
    return chances / chances.sum() * (1 - 1e-9)


@pytest.mark.parametrize(
    "rates",
    [
        Rates(),
        Rates(loss=(0.3,) * STAGES, clump=1.5, large=5e-3, gain=1e-3),
        replace(Rates(), loss=tuple(0.01 * (1 + i) for i in range(STAGES)), large=0.0),
    ],
)
def test_as_group_by_group(rates: Rates) -> None:
    dice = np.random.default_rng(20261102)
    groups: list[Group] = []
    for _ in range(300):
        size, width = int(dice.choice([0, 3, 40, 300, 1000, 1000, 3000])), int(dice.choice([1, 2, 10, 60, 150]))
        days = int(dice.choice([-3, 0, 1, 7, 30, 30, 90, 400]))
        groups.append((made(dice, width), int(dice.integers(-width, 3)), size, int(dice.integers(1, STAGES)), days))
    held_against_each(groups, rates)


def test_at_the_edges() -> None:
    dice = np.random.default_rng(3)
    groups: list[Group] = [
        (np.array([]), 0, 100, 1, 30),
        (np.array([1.0]), 0, 0, 1, 30),
        (np.array([1.0]), 0, 1000, 1, 0),
        (np.array([1.0]), 0, 1000, 1, 30),
        (np.array([1.0]), 0, 1, 2, 30),
        (np.array([0.5, 0.5]), -1, 500, 1, 0),
        (np.array([0.0, 0.9, 0.1]), -11, 10, 1, 30),
        (made(dice, 40), -39, 0, 1, 30),
        *((made(dice, 60), int(dice.integers(0, 30)), -int(dice.integers(1, 50)), 3, 20) for _ in range(30)),
    ]
    held_against_each(groups, Rates())
    assert [len(v) for v in stand_now([], *(np.zeros(0, dtype=np.int64) for _ in range(4)), Rates())] == [0] * 7


def test_long_ago_with_many_large_losses() -> None:
    """The narrowest run may begin far below what is likely, and then the window is widened."""
    dice = np.random.default_rng(5)
    groups: list[Group] = [
        (made(dice, 30), -20, int(dice.integers(500, 4000)), 1, int(dice.integers(1, 3000))) for _ in range(60)
    ]
    held_against_each(groups, Rates(large=2e-3))
