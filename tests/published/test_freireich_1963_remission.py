"""E. J. Freireich et al., Blood 21 (1963) 699-716: weeks of remission under 6-MP and placebo (Introductory Biostatistics,
example 11.1). Product-limit estimates, Greenwood errors and log-log limits recomputed with R survival, lifelines and
statsmodels; log-rank 16.79. Every patient is a group of one plant here.
"""

from __future__ import annotations

import lifelines
import numpy as np
import pytest
from lifelines.statistics import logrank_test

from pipeline.formulas.survival import kaplan_meier, log_log_interval, log_rank

SIX_MP = [
    "6",
    "6",
    "6",
    "6+",
    "7",
    "9+",
    "10",
    "10+",
    "11+",
    "13",
    "16",
    "17+",
    "19+",
    "20+",
    "22",
    "23",
    "25+",
    "32+",
    "32+",
    "34+",
    "35+",
]
PLACEBO = ["1", "1", "2", "2", "3", "4", "4", "5", "5", "8", "8", "8", "8", "11", "11", "12", "12", "15", "17", "22", "23"]
TABLE = {
    6: (21, 3, 0.8571428571, 0.0763603548, 0.619718, 0.951552),
    7: (17, 1, 0.8067226891, 0.0869352852, 0.563147, 0.922809),
    10: (15, 1, 0.7529411765, 0.0963496530, 0.503200, 0.889362),
    13: (12, 1, 0.6901960784, 0.1068147078, 0.431610, 0.849066),
    16: (11, 1, 0.6274509804, 0.1140538653, 0.367511, 0.804912),
    22: (7, 1, 0.5378151261, 0.1282337517, 0.267779, 0.746791),
    23: (6, 1, 0.4481792717, 0.1345914568, 0.188052, 0.680143),
}


def arrays(times: list[str], length: int = 40) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    entered, lost, left = np.zeros((3, len(times), length), dtype=np.int64)
    entered[:, 0] = 1
    for i, time in enumerate(times):
        (left if time.endswith("+") else lost)[i, int(time.rstrip("+"))] = 1
    return entered, lost, left


def test_product_limit() -> None:
    curve = kaplan_meier(*arrays(SIX_MP))
    low, high = log_log_interval(curve.survival, curve.greenwood, 10**9)
    for week, (risk, died, survival, error, lower, upper) in TABLE.items():
        assert (curve.at_risk[week], curve.lost[week]) == (risk, died)
        assert (curve.survival[week], curve.greenwood[week]) == pytest.approx((survival, error), abs=1e-9)
        assert (low[week], high[week]) == pytest.approx((lower, upper), abs=1e-6)


def test_jackknife_comes_near_greenwood_where_plants_are_by_themselves() -> None:
    curve = kaplan_meier(*arrays(SIX_MP))
    assert curve.error[23] == pytest.approx(curve.greenwood[23], rel=0.1)


def test_log_rank() -> None:
    parts = [np.concatenate(pair) for pair in zip(arrays(SIX_MP), arrays(PLACEBO), strict=True)]
    level = np.repeat([0, 1], 21)
    found = log_rank(*parts, level, clustered=False)
    assert found.chi2 == pytest.approx(16.7929409892, rel=1e-9) and found.freedom == 1
    assert found.p_value == pytest.approx(4.1688091e-05, rel=1e-6)
    assert found.observed.tolist() == [9, 21]
    assert found.expected == pytest.approx([19.2505009523, 10.7494990477], abs=1e-8)
    # each patient a cluster of one: another variance, the same verdict
    assert log_rank(*parts, level).chi2 == pytest.approx(16.79, rel=0.3)


@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::pandas.errors.Pandas4Warning")
def test_second_opinion_of_lifelines() -> None:
    def columns(times: list[str]) -> tuple[list[int], list[bool]]:
        return [int(t.rstrip("+")) for t in times], [not t.endswith("+") for t in times]

    fitted = lifelines.KaplanMeierFitter().fit(*columns(SIX_MP))
    curve = kaplan_meier(*arrays(SIX_MP))
    assert fitted.predict(23) == pytest.approx(curve.survival[23], abs=1e-12)
    (a, seen_a), (b, seen_b) = columns(SIX_MP), columns(PLACEBO)
    assert logrank_test(a, b, seen_a, seen_b).test_statistic == pytest.approx(16.7929409892, rel=1e-9)


def test_plants_of_a_group_count_together() -> None:
    """The same patients ten times over in groups of ten: a plain test is ten times as sure, the clustered
    one as sure as before."""
    parts = [np.concatenate(pair) for pair in zip(arrays(SIX_MP), arrays(PLACEBO), strict=True)]
    level = np.repeat([0, 1], 21)
    ten = [10 * p for p in parts]
    assert log_rank(*ten, level, clustered=False).chi2 > 9 * 16.79
    assert log_rank(*ten, level).chi2 == pytest.approx(log_rank(*parts, level).chi2, rel=1e-9)
    assert kaplan_meier(*ten).error[23] == pytest.approx(kaplan_meier(*parts).error[23], rel=1e-9)
