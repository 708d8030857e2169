"""R. G. Newcombe, "Interval estimation for the difference between independent proportions", Statistics in Medicine 17 (1998)
873-890, Table II, method 10, printed to four digits; more digits recomputed with statsmodels (method `newcomb`; its score
difference is wrong in 0.15 and is no check).
"""

from __future__ import annotations

import pytest
from statsmodels.stats.proportion import confint_proportions_2indep

from pipeline.formulas.proportions import difference

TABLE_II = [
    (56, 70, 48, 80, 0.052431, 0.333873),
    (9, 10, 3, 10, 0.170523, 0.809018),
    (6, 7, 2, 7, 0.058228, 0.806250),
    (5, 56, 0, 29, -0.038137, 0.192560),
    (0, 10, 0, 20, -0.161125, 0.277533),
    (0, 10, 0, 10, -0.277533, 0.277533),
    (10, 10, 0, 20, 0.679086, 1.0),
    (10, 10, 0, 10, 0.607509, 1.0),
]


@pytest.mark.parametrize(("x", "n", "y", "m", "low", "high"), TABLE_II)
def test_table_ii(x: int, n: int, y: int, m: int, low: float, high: float) -> None:
    found = difference(x / n, n, y / m, m)
    assert found == pytest.approx((x / n - y / m, low, high), abs=6e-7)


def test_second_opinion() -> None:
    low, high = confint_proportions_2indep(56, 70, 48, 80, method="newcomb", compare="diff")
    assert difference(0.8, 70, 0.6, 80)[1:] == pytest.approx((low, high), abs=1e-9)
