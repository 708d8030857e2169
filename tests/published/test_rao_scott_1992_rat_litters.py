"""J. N. K. Rao & A. J. Scott, "A simple method for the analysis of clustered binary data", Biometrics 48 (1992) 577-585,
Table 1, on C. S. Weil's rat litters (1970): design effects 1.232495 and 3.952861. The beta-binomial estimates were recomputed
with R VGAM; D. A. Williams, Biometrics 31 (1975) 949-952, prints rho / (1 - rho) as 0.021 and 0.465 (printed source from
memory). The intervals on the effective sizes are Wilson's, recomputed.
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.formulas.overdispersion import beta_binomial, design_effect, pooled_interval, ratio_effect, rho_within
from pipeline.formulas.proportions import wilson

CONTROL = "13/13 12/12 9/9 9/9 8/8 8/8 12/13 11/12 9/10 9/10 8/9 11/13 4/5 5/7 7/10 7/10"
TREATED = "12/12 11/11 10/10 9/9 10/11 9/10 9/10 8/9 8/9 4/5 7/9 4/7 5/10 3/6 3/10 0/7"


def litters(text: str) -> tuple[list[int], list[int]]:
    pairs = [litter.split("/") for litter in text.split()]
    return [int(y) for y, _ in pairs], [int(n) for _, n in pairs]


@pytest.mark.parametrize(
    ("text", "effect", "rho", "ml_mean", "ml_rho", "loglik"),
    [
        (CONTROL, 1.2324952, 0.029091, 0.8979760, 0.0201965, -21.2535280),
        (TREATED, 3.9528610, 0.372135, 0.7400068, 0.3174358, -31.5316890),
    ],
)
def test_table_1(text: str, effect: float, rho: float, ml_mean: float, ml_rho: float, loglik: float) -> None:
    y, n = litters(text)
    assert ratio_effect(y, n) == pytest.approx(effect, abs=5e-7)
    assert rho_within(y, n, [0] * 16).rho == pytest.approx(rho, abs=5e-7)
    found = beta_binomial(y, n, np.ones((16, 1)))
    assert 1 / (1 + np.exp(-found.coefficients[0])) == pytest.approx(ml_mean, abs=1e-5)
    assert (found.rho, found.log_likelihood) == pytest.approx((ml_rho, loglik), abs=1e-5)


@pytest.mark.parametrize(("text", "low", "high"), [(CONTROL, 0.834385, 0.939882), (TREATED, 0.614943, 0.878237)])
def test_intervals_on_the_effective_size(text: str, low: float, high: float) -> None:
    y, n = litters(text)
    effect = ratio_effect(y, n)
    # with many lots behind rho the t quantile is the normal one
    assert pooled_interval(sum(y), sum(n), effect, 10**9) == pytest.approx((low, high), abs=5e-7)
    assert pooled_interval(sum(y), sum(n), effect, 15)[0] < low
    assert wilson(sum(y), sum(n))[0] > low


def test_williams_1975() -> None:
    for text, theta in ((CONTROL, 0.021), (TREATED, 0.465)):
        rho = beta_binomial(*litters(text), np.ones((16, 1))).rho
        assert rho / (1 - rho) == pytest.approx(theta, abs=5e-4)


def test_cells_are_not_noise() -> None:
    """Two levels of unlike take, alike within: no correlation is found, though pooled there would be much."""
    y, n, cell = [90, 90, 91, 50, 50, 51], [100] * 6, [0, 0, 0, 1, 1, 1]
    assert rho_within(y, n, cell).rho == 0.0 and rho_within(y, n, cell).freedom == 4
    assert rho_within(y, n, [0] * 6).rho > 0.2
    assert rho_within([5], [9], [0]) == (0.0, 0) and rho_within([], [], []) == (0.0, 0)
    assert design_effect([100, 100], 0.1) == pytest.approx(10.9)
