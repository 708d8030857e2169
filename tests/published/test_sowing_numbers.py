"""How many to sow: the least n with P(at least N come through) >= 0.95. No handbook table of this exact question was found; the
independent check is that n is N plus a quantile of the negative binomial (scipy.stats.nbinom), and for a rate that is itself
uncertain the beta-binomial (scipy.stats.betabinom); both recomputed apart.
"""

from __future__ import annotations

import pytest
from scipy import stats

from pipeline.formulas.requirement import StepRate, enough, enough_at_rate, enough_through

TABLE = {
    1: (1, 2, 2, 3, 5),
    10: (12, 13, 16, 19, 28),
    50: (56, 60, 69, 81, 117),
    100: (109, 117, 135, 156, 224),
    500: (535, 569, 646, 744, 1053),
    1000: (1065, 1130, 1279, 1470, 2074),
    5000: (5291, 5597, 6315, 7234, 10165),
}
AT_99 = {1: 3, 10: 18, 50: 73, 100: 139, 500: 655, 1000: 1292, 5000: 6343}


@pytest.mark.parametrize("wanted", TABLE)
def test_binomial(wanted: int) -> None:
    for share, n in zip((0.95, 0.90, 0.80, 0.70, 0.50), TABLE[wanted], strict=True):
        assert enough_at_rate(wanted, share, 0.95) == n == wanted + stats.nbinom.ppf(0.95, wanted, share)
    assert enough_at_rate(wanted, 0.8, 0.99) == AT_99[wanted]


@pytest.mark.parametrize(
    ("good", "bad", "numbers"),
    [
        (800, 200, (70, 135, 1295)),
        (160.5, 40.5, (71, 138, 1339)),
        (80, 20, (72, 141, 1372)),
        (8, 2, (89, 177, 1753)),
    ],
)
def test_beta_binomial(good: float, bad: float, numbers: tuple[int, int, int]) -> None:
    assert tuple(enough(wanted, good, bad, 0.95) for wanted in (50, 100, 1000)) == numbers


def test_the_better_a_rate_is_known_the_nearer_to_the_binomial_and_never_below() -> None:
    found = [enough(100, 0.8 * size, 0.2 * size, 0.95) for size in (10, 100, 1000, 10**7)]
    assert found == sorted(found, reverse=True) and found[-1] == enough_at_rate(100, 0.8, 0.95) == 135
    assert enough(5, 1, 0, 0.95) == 5


def test_a_chain_of_steps() -> None:
    """0.9 x 0.8 x 0.95 = 0.684, 100 wanted: 160 with rates that are known and plants by themselves."""
    assert enough_at_rate(100, 0.9 * 0.8 * 0.95, 0.95) == 160
    steps = [StepRate(share, 0.0, 0.0) for share in (0.9, 0.8, 0.95)]
    assert enough_through(100, steps, 1000, 0.95) == pytest.approx(160, abs=2)
    unsure = [step._replace(logit_error=0.15, rho=0.02) for step in steps]
    assert enough_through(100, unsure, 1000, 0.95) > enough_through(100, steps, 1000, 0.95) + 10
    assert enough_through(100, unsure, 1000, 0.80) < enough_through(100, unsure, 1000, 0.95)


def test_one_step_is_the_beta_binomial() -> None:
    assert enough_through(100, [StepRate(0.8, 0.0, 0.0)], 1000, 0.95) == 135
    # beta(80, 20): rho 1 / 101 in one group
    assert enough_through(100, [StepRate(0.8, 0.0, 1 / 101)], 1000, 0.95) == 141


def test_what_can_never_be_enough() -> None:
    with pytest.raises(ValueError, match="no number of plants"):
        enough_at_rate(1000, 1e-6, 0.95)
