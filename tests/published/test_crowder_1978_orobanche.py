"""M. J. Crowder, "Beta-binomial anova for proportions", Applied Statistics 27 (1978) 34-37, Table 3: 21 plates of Orobanche
seed. The estimates are those printed for the same model elsewhere (-0.44 (0.22), -0.10 (0.27), 0.52 (0.30), 0.80 (0.38) with
O73 on bean as base, agridat help) to more digits, recomputed with R glmmTMB and VGAM. The design effects of the four
treatments (ratio estimator) and their intraclass correlations were recomputed with R survey.
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.formulas.overdispersion import beta_binomial, ratio_effect, rho_within

O75_BEAN = [(10, 39), (23, 62), (23, 81), (26, 51), (17, 39)]
O75_CUCUMBER = [(5, 6), (53, 74), (55, 72), (32, 51), (46, 79), (10, 13)]
O73_BEAN = [(8, 16), (10, 30), (8, 28), (23, 45), (0, 4)]
O73_CUCUMBER = [(3, 12), (22, 41), (15, 30), (32, 51), (3, 7)]
PLATES = [
    (y, n, seed, root)
    for (seed, root), rows in {(0, 0): O75_BEAN, (0, 1): O75_CUCUMBER, (1, 0): O73_BEAN, (1, 1): O73_CUCUMBER}.items()
    for y, n in rows
]
Y, N, SEED, ROOT = (np.array(column) for column in zip(*PLATES, strict=True))


def test_with_interaction() -> None:
    design = np.column_stack([np.ones(21), SEED, ROOT, SEED * ROOT])
    found = beta_binomial(Y, N, design)
    assert found.converged
    assert found.coefficients == pytest.approx([-0.5419505, 0.0973908, 1.3200685, -0.7979251], abs=1e-5)
    assert found.errors == pytest.approx([0.1637845, 0.2736686, 0.2339768, 0.3779549], abs=1e-4)
    assert found.rho == pytest.approx(0.0123608965, abs=1e-6)
    assert found.log_likelihood == pytest.approx(-53.7667634, abs=1e-5)


def test_as_printed_with_the_other_base() -> None:
    other = 1 - SEED
    found = beta_binomial(Y, N, np.column_stack([np.ones(21), other, ROOT, other * ROOT]))
    assert found.coefficients == pytest.approx([-0.44, -0.10, 0.52, 0.80], abs=5e-3)
    assert found.errors == pytest.approx([0.22, 0.27, 0.30, 0.38], abs=5e-3)


def test_main_effects() -> None:
    found = beta_binomial(Y, N, np.column_stack([np.ones(21), SEED, ROOT]))
    assert found.coefficients == pytest.approx([-0.3854475, -0.3424842, 1.0110172], abs=1e-5)
    assert (found.rho, found.log_likelihood) == pytest.approx((0.0193697971, -55.8318313), abs=1e-5)


@pytest.mark.parametrize(
    ("rows", "effect", "rho"),
    [
        (O75_BEAN, 2.4413937058, 0.0271159382),
        (O75_CUCUMBER, 2.1157670716, 0.0133388505),
        (O73_BEAN, 1.8944479572, 0.0414620051),
        (O73_CUCUMBER, 1.3053513862, 0.0207293073),
    ],
)
def test_design_effects(rows: list[tuple[int, int]], effect: float, rho: float) -> None:
    y, n = zip(*rows, strict=True)
    assert ratio_effect(y, n) == pytest.approx(effect, rel=1e-9)
    assert rho_within(y, n, [0] * len(y)).rho == pytest.approx(rho, abs=1e-9)
