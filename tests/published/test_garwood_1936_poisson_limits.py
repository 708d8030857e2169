"""F. Garwood, Biometrika 28 (1936) 437-442: 95 % limits of a Poisson number; the same as multipliers of a standardised ratio in
W. Haenszel, D. B. Loveland & M. G. Sirken, JNCI 28 (1962) 947-1001."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pipeline.formulas.standardised import ratio_limits


@pytest.mark.parametrize(("seen", "low", "high"), [(1, 0.0253, 5.57), (10, 4.80, 18.39), (20, 12.22, 30.89)])
def test_the_limits_of_a_number(seen: int, low: float, high: float) -> None:
    assert np.allclose(ratio_limits(seen, 1.0), (low, high), rtol=1e-3)


def test_limits_of_ratios_are_multiples_of_them() -> None:
    assert np.allclose(ratio_limits(100, 100.0), (0.814, 1.216), atol=5e-4)
    assert np.allclose(ratio_limits(100, 50.0), (1.628, 2.432), atol=1e-3)


def test_they_are_those_of_scipy_s_poisson() -> None:
    low, high = ratio_limits(37, 1.0)
    assert stats.poisson.sf(36, low) == pytest.approx(0.025) and stats.poisson.cdf(37, high) == pytest.approx(0.025)


def test_none_lost_has_a_limit_above() -> None:
    low, high = ratio_limits(0, 4.0)
    assert low == 0 and high == pytest.approx(3.689 / 4, abs=1e-3)
