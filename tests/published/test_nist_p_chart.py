"""NIST/SEMATECH e-Handbook 6.3.3.2: 30 wafers of 50 chips; centre 0.2313, limits 0.4102 and 0.0524 at three sigma; samples
15 and 23 lie outside. The counts were read in public files that name this page."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.formulas.comparison import funnel

DEFECTS = np.array(
    [
        int(x)
        for x in [
            "12",
            "15",
            "8",
            "10",
            "4",
            "7",
            "16",
            "9",
            "14",
            "10",
            "5",
            "6",
            "17",
            "12",
            "22",
            "8",
            "10",
            "5",
            "13",
            "11",
            "20",
            "18",
            "24",
            "15",
            "9",
            "12",
            "7",
            "13",
            "9",
            "6",
        ]
    ]
)


def test_limits() -> None:
    centre = DEFECTS.sum() / 1500
    low, high = funnel(centre, np.array([50.0]), quantile=3)
    assert (centre, low[0], high[0]) == pytest.approx((0.2313, 0.0524, 0.4102), abs=5e-5)
    assert (low[0], high[0]) == pytest.approx((0.0524275481, 0.4102391186), abs=5e-11)
    outside = np.flatnonzero((high < DEFECTS / 50) | (low > DEFECTS / 50)) + 1
    assert outside.tolist() == [15, 23]


def test_overdispersion_widens() -> None:
    low, high = funnel(0.9, np.array([100.0, 400.0]), deff=4.0)
    assert (high - low)[1] == pytest.approx(2 * 1.959964 * np.sqrt(0.09 * 4 / 400), abs=1e-6)
    assert high[0] == 1.0
