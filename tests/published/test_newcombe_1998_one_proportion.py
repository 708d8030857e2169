"""R. G. Newcombe, "Two-sided confidence intervals for the single proportion", Statistics in Medicine 17 (1998)
857-872, Table I, methods 3 (Wilson) and 5 (Clopper and Pearson), printed to four digits; and NIST/SEMATECH e-Handbook 7.2.4.1.
"""

from __future__ import annotations

import pytest

from pipeline.formulas.proportions import exact, wilson

TABLE_I = [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0000, 0.1611), (1, 29, 0.0061, 0.1718)]


@pytest.mark.parametrize(("x", "n", "low", "high"), TABLE_I)
def test_table_i(x: int, n: int, low: float, high: float) -> None:
    assert wilson(x, n) == pytest.approx((low, high), abs=5e-5)


EXACT = [(15, 148, 0.0578, 0.1617), (0, 20, 0.0000, 0.1684), (1, 29, 0.0009, 0.1776), (29, 29, 0.880555, 1.0)]


@pytest.mark.parametrize(("x", "n", "low", "high"), EXACT)
def test_table_i_exact(x: int, n: int, low: float, high: float) -> None:
    assert exact(x, n) == pytest.approx((low, high), abs=5e-5)


def test_nist_one_sided_lower_limit() -> None:
    """NIST handbook 7.2.4.1: 26 of 200, one-sided 95 %, z = 1.645, prints 0.09577."""
    assert wilson(26, 200, z=1.645)[0] == pytest.approx(0.09577, abs=5e-6)


def test_edges_touch_zero_and_one() -> None:
    assert wilson(0, 20)[0] == 0.0
    assert wilson(29, 29) == pytest.approx((0.883030, 1.0), abs=5e-7)


@pytest.mark.parametrize(("x", "n"), [(1, 0), (-1, 5), (6, 5)])
def test_what_is_no_proportion_is_refused(x: int, n: int) -> None:
    with pytest.raises(ValueError, match="no proportion"):
        wilson(x, n)
    with pytest.raises(ValueError, match="no proportion"):
        exact(x, n)
