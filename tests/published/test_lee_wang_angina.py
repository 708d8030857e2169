"""Life table of 2,418 men with angina pectoris: R. L. Parker et al. (1946); E. T. Lee & J. W. Wang, Statistical Methods for
Survival Data Analysis, 3rd ed., Table 4.7. The actuarial method takes half of those withdrawn in a year as at risk in it,
which is what leaving in the middle of it means: with two steps a year, withdrawn after the first and deaths in the second,
the plain product differs, so the half is put in by hand here and the product and errors are checked.
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.formulas.survival import kaplan_meier

DEATHS = [456, 226, 152, 171, 135, 125, 83, 74, 51, 42, 43, 34, 18, 9, 6, 0]
WITHDRAWN = [0, 39, 22, 23, 24, 107, 133, 102, 68, 64, 45, 53, 33, 27, 23, 30]
SURVIVAL = [
    float(n)
    for n in """
    1.0 0.811414 0.717010 0.652369 0.578565 0.519259 0.461124 0.417207 0.371196 0.334222 0.298684 0.255658
    0.213564 0.183879 0.163574 0.142912
    """.split()
]
ERROR = [
    float(n)
    for n in """
    0 0.007955 0.009179 0.009735 0.010138 0.010304 0.010380 0.010451 0.010579 0.010717 0.010891 0.011124
    0.011397 0.011766 0.012260 0.013300
    """.split()
]


def test_data_add_up() -> None:
    assert sum(DEATHS) + sum(WITHDRAWN) == 2418


def test_actuarial_survival() -> None:
    """Everything is doubled, so that half a man is a whole number: each withdrawal is one half that left before the year's
    deaths and one half that left after them."""
    entered, lost, left = np.zeros((3, 1, 33), dtype=np.int64)
    entered[0, 0] = 2 * 2418
    for year, (died, withdrawn) in enumerate(zip(DEATHS, WITHDRAWN, strict=True)):
        left[0, 2 * year] += withdrawn
        lost[0, 2 * year + 1] += 2 * died
        left[0, 2 * year + 1] += withdrawn
    curve = kaplan_meier(entered, lost, left)
    assert [curve.survival[0], *curve.survival[1:31:2]] == pytest.approx(SURVIVAL, abs=1e-6)
    # doubling makes Greenwood's variance half
    assert np.sqrt(2) * np.array([0.0, *curve.greenwood[1:31:2]]) == pytest.approx(ERROR, abs=1e-6)
    assert np.isnan(curve.error).all()
