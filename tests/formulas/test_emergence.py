"""Seedlings for each seed: against another library, a published table, and nurseries whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from pipeline.formulas.emergence import emergence, spread
from tests.published.test_mead_2002_germination import GERMINATED

_50 = [50] * 4


@pytest.mark.parametrize("treatment", GERMINATED)
def test_the_rate_and_its_dispersion_are_those_of_a_quasi_poisson_model(treatment: tuple[str, int]) -> None:
    """Germinated seeds of R. Mead and others (2002), four replicates of 50: statsmodels' scale by X^2, floored at 1."""
    y = [int(n) for n in GERMINATED[treatment].split()]
    found = emergence(y, _50)
    fit = sm.GLM(y, np.ones((4, 1)), sm.families.Poisson(), offset=np.log(_50)).fit(scale="X2")
    assert found.rate == pytest.approx(sum(y) / 200) and found.rate == pytest.approx(float(np.exp(fit.params[0])))
    assert found.dispersion == pytest.approx(max(1.0, fit.scale))


def test_one_sowing_has_the_exact_limits_of_a_poisson_number() -> None:
    """F. Garwood (1936): 10 seen, 4.80 to 18.39; and more seedlings than seeds are no error."""
    assert emergence([10], [10])[1:] == pytest.approx((0.480, 1.839, 1.0), abs=1e-3)
    low, high = emergence([150], [100])[1:3]
    assert stats.poisson.sf(149, 100 * low) == pytest.approx(0.025) and stats.poisson.cdf(150, 100 * high) == pytest.approx(
        0.025
    )
    assert emergence([0], [40])[:2] == (0.0, 0.0) and emergence([0, 0], [40, 40]).high == pytest.approx(3.689 / 80, abs=1e-4)


@pytest.mark.parametrize(("sowings", "least"), [(5, 0.9), (12, 0.93), (40, 0.93)])
def test_the_interval_holds_the_truth_where_sowings_differ(sowings: int, least: float) -> None:
    """Sowings with a ratio of their own (a coefficient of variation of 0.1), seeds that give one, two or none."""
    dice, held, rounds = np.random.default_rng(16), 0, 600
    for _ in range(rounds):
        seeds = dice.integers(400, 2500, sowings)
        own = 0.9 * dice.gamma(100, 1 / 100, sowings)
        twice = 0.2
        several = dice.binomial(seeds, twice * own / (1 + twice))
        once = dice.binomial(seeds - several, np.clip((own - 2 * several / seeds) * seeds / (seeds - several), 0, 1))
        found = emergence(once + 2 * several, seeds)
        held += found.low <= 0.9 <= found.high
    assert least <= held / rounds <= 0.985


@pytest.mark.parametrize("sowings", [2, 3, 8])
def test_few_sowings_borrow_how_much_sowings_usually_differ(sowings: int) -> None:
    dice, held, rounds = np.random.default_rng(17), 0, 400
    for _ in range(rounds):
        seeds = np.round(800 * np.exp(dice.normal(0, 0.7, sowings + 25))).astype(int) + 20
        came = dice.poisson(seeds * dice.gamma(40, 0.8 / 40, len(seeds)))
        found = emergence(came[:sowings], seeds[:sowings], spread(came, seeds))
        held += found.low <= 0.8 <= found.high
    assert 0.93 <= held / rounds <= 0.99
