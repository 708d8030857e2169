"""Medians of survival curves of the lung cancer data that the package lifelines carries (lifelines/datasets/lung.csv), and of
E. J. Freireich et al. (1963), against the medians that lifelines (median_survival_time_) and statsmodels
(SurvfuncRight.quantile) make of them.
"""

from __future__ import annotations

import lifelines
import numpy as np
import pytest
from lifelines.datasets import load_lung
from statsmodels.duration.survfunc import SurvfuncRight

from pipeline.formulas.survival import median_age
from tests.published.test_freireich_1963_remission import PLACEBO, SIX_MP


def both(days: np.ndarray, seen: np.ndarray) -> tuple[float, float]:
    fitted = lifelines.KaplanMeierFitter().fit(days, seen)
    return float(fitted.median_survival_time_), float(SurvfuncRight(days, seen).quantile(0.5))


@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::FutureWarning", "ignore::pandas.errors.Pandas4Warning")
def test_lung() -> None:
    lung = load_lung()
    days, died = lung["time"].to_numpy(), lung["status"].to_numpy() == 1
    assert (len(days), int(died.sum())) == (228, 165)
    assert median_age(days, died) == 310 and both(days, died) == (310, 310)
    # by those alone who died it would be 84 days less
    assert float(np.median(days[died])) == 226
    for sex, middle in ((1, 270), (2, 426)):
        own = lung["sex"].to_numpy() == sex
        assert median_age(days[own], died[own]) == middle and both(days[own], died[own]) == (middle, middle)


@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::FutureWarning", "ignore::pandas.errors.Pandas4Warning")
def test_remission() -> None:
    for times, middle in ((SIX_MP, 23), (PLACEBO, 8)):
        weeks = np.array([int(t.rstrip("+")) for t in times])
        seen = np.array([not t.endswith("+") for t in times])
        assert median_age(weeks, seen) == middle and both(weeks, seen) == (middle, middle)


def test_half_way_and_never() -> None:
    assert median_age(np.array([1, 2, 3, 4]), np.array([True] * 4)) == 2.5
    assert median_age(np.array([1, 2, 3]), np.array([True] * 3)) == 2
    assert median_age(np.array([1, 5, 5, 5]), np.array([True, False, False, False])) is None
    assert median_age(np.array([1, 5]), np.array([True, False])) == 1
