"""What is usual of a share, month by month."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.formulas.overdispersion import ratio_effect
from pipeline.formulas.usual import (
    LEAST,
    OUT_OF_LINE,
    UNUSUAL,
    Real,
    between_units,
    chance_of_change,
    drawn_in,
    pooled_effect,
    usual,
)
from tests.published.test_rao_scott_1992_rat_litters import CONTROL, TREATED, litters

SICK = np.array([9, 5, 12, 4, 6, 4, 12, 12, 2, 4, 9, 3, 3, 11, 3])
HERD = np.array([40, 61, 74, 35, 71, 72, 40, 34, 29, 84, 96, 29, 87, 26, 64])


def test_how_much_units_differ_beyond_chance() -> None:
    """D. J. Spiegelhalter's steps (Quality and Safety in Health Care 14 (2005) 347-351) on the herds of R's lme4 `cbpp`: values
    recomputed with an independent library, the paper's own tables not seen. Quantiles are R's type 7."""
    share = SICK.sum() / HERD.sum()
    errors = np.sqrt(share * (1 - share) / HERD)
    z = (SICK / HERD - share) / errors
    assert (z**2).mean() == pytest.approx(5.2321559436, abs=1e-9)
    kept = drawn_in(z)
    assert (kept.min(), kept.max()) == pytest.approx((-1.8967411507, 3.9891576668), abs=1e-9)
    assert (kept**2).mean() == pytest.approx(4.4140410218, abs=1e-9)
    found = [between_units(phi, errors) for phi in ((z**2).mean(), (kept**2).mean(), 0.5)]
    assert found == pytest.approx([0.0086178078, 0.0069777408, 0.0], abs=1e-9)


def test_one_month_has_the_published_design_effect_and_months_share_theirs() -> None:
    """J. N. K. Rao & A. J. Scott, Biometrics 48 (1992) 577-585, Table 1: 1.232495 and 3.952861."""
    sums = np.array([[len(y), *(np.array(v).sum() for v in (y, n, y * y, y * n, n * n))] for y, n in _rats()]).T
    assert [pooled_effect(*sums[:, [k]]) for k in (0, 1)] == pytest.approx([1.2324952, 3.9528610], abs=5e-7)
    weight = [n.sum() * (p := y.sum() / n.sum()) * (1 - p) for y, n in _rats()]
    both = np.average([ratio_effect(y, n) for y, n in _rats()], weights=weight)
    assert pooled_effect(*sums) == pytest.approx(both)
    assert pooled_effect([1, 0, 5], [3, 0, 0], [9, 0, 50], [9, 0, 0], [27, 0, 0], [81, 0, 500]) == 1


def _rats() -> list[tuple[Real, Real]]:
    return [(np.array(y), np.array(n)) for y, n in map(litters, (CONTROL, TREATED))]


def test_nothing_is_usual_of_a_few_months_or_of_none() -> None:
    assert usual([], [], []) == []
    months = usual([5] * 7 + [0], [100] * 7 + [0], [1] * 8)
    assert [m is None for m in months] == [True] * LEAST + [False, True]
    gaps = usual([5, 0, 5, 0, 5, 5, 5, 5, 5], [100, 0, 100, 0, 100, 100, 100, 100, 100], [1] * 9)
    assert gaps[7] is None and gaps[8] is not None, "a month of nothing is no month before"


def test_alike_months_keep_within_what_chance_does() -> None:
    """Where months and lots do not differ the limits are nearly those of the binomial, a little wider as few months tell."""
    months = usual([20] * 25, [1000] * 25, [1] * 25)
    last = months[-1]
    assert last is not None
    assert (last.middle, last.between, last.chance) == (pytest.approx(0.02, abs=2e-4), 0, pytest.approx(1))
    chance = 1.959964 * np.sqrt(0.02 * 0.98 / 1000)
    assert 2 * chance < last.high - last.low < 2.4 * chance
    (wider,) = (m for m in usual([20] * 25, [1000] * 25, [4] * 25)[-1:] if m)
    assert wider.high - wider.low == pytest.approx(2 * (last.high - last.low), rel=0.05)


def _months(dice: np.random.Generator, apart: float, of: int = 30) -> tuple[list[float], list[float], Real]:
    """Losses of a nursery that grows: months differ and have a season, groups are frail or strong; the limits know none."""
    lost, plants, sums, turn = [], [], [], dice.uniform(0, 12)
    for month in range(of):
        odds = 0.018 * np.exp(apart * dice.standard_normal() + 0.2 * np.sin(2 * np.pi * (month + turn) / 12))
        n = dice.integers(200, 1000, int(dice.integers(10, 20)) + 4 * min(month, 20))
        y = np.minimum(dice.poisson(n * odds * dice.gamma(0.5, 2, len(n))), n)
        lost.append(float(y.sum()))
        plants.append(float(n.sum()))
        sums.append((len(n), y.sum(), n.sum(), (y * y).sum(), (y * n).sum(), (n * n).sum()))
    return lost, plants, np.full(of, pooled_effect(*np.array(sums, dtype=float).T))


@pytest.mark.parametrize("apart", [0.0, 0.2])
def test_false_alarms_where_the_limits_do_not_know_the_truth(apart: float) -> None:
    """300 nurseries a case had 0.03 to 0.06 beyond the inner limits, at most 0.007 beyond the outer ones."""
    dice, chances, changes = np.random.default_rng(11), [], []
    for _ in range(40):
        y, n, deff = _months(dice, apart)
        held = usual(y, n, deff)
        chances += [m.chance for m in held if m]
        changes += [
            chance_of_change((y[i], n[i], deff[i]), (y[i - 1], n[i - 1], deff[i - 1]), m) for i, m in enumerate(held) if m
        ]
    assert len(chances) == 960
    assert np.mean(np.array(chances) < UNUSUAL) < 0.07
    assert np.mean(np.array(chances) < OUT_OF_LINE) < 0.01
    assert np.mean(np.array(changes) < UNUSUAL) < 0.07


def test_a_month_far_out_is_found_and_does_not_hide_the_next() -> None:
    dice, first, second = np.random.default_rng(12), [], []
    for _ in range(20):
        y, n, deff = _months(dice, 0.1)
        y[27], y[28] = 3 * y[27], 3 * y[28]
        held = [m for m in usual(y, n, deff)[27:29] if m]
        first.append(held[0].chance < OUT_OF_LINE)
        second.append(held[1].chance < OUT_OF_LINE)
    assert np.mean(first) >= 0.8 and np.mean(second) >= 0.7
