"""J. P. Klein & M. L. Moeschberger, Survival Analysis: 38 patients with acute lymphoblastic leukaemia after a bone-marrow
transplant (R KMsurv::bmt, group 1); relapse and death in remission as competing causes. Values by R survfit, cmprsk,
lifelines, scikit-survival and statsmodels, which agree; the errors are survfit's (Aalen's), not Gray's.
"""

from __future__ import annotations

import numpy as np
import pytest
from sksurv.nonparametric import cumulative_incidence_competing_risks

from pipeline.formulas.survival import aalen_johansen, kaplan_meier

PATIENTS = (
    "1,2 55,1 74,1 86,2 104,1 107,2 109,1 110,1 122,1 122,2 129,1 172,2 192,1 194,2 226,0 230,1 276,2 332,2 383,1 418,2 466,2"
    " 487,2 526,2 530,0 609,1 662,1 996,0 1111,0 1167,0 1182,0 1199,0 1330,0 1377,0 1433,0 1462,0 1496,0 1602,0 2081,0"
)
EVENTS = [tuple(int(v) for v in p.split(",")) for p in PATIENTS.split()]
TABLE = {
    100: (0.0526315789, 0.0362235369, 0.0526315789, 0.0362235369, 0.8947368421),
    200: (0.2105263158, 0.0661348276, 0.1578947368, 0.0591527881, 0.6315789474),
    400: (0.2654462243, 0.0720315559, 0.2128146453, 0.0668274994, 0.5217391304),
    1000: (0.3242889833, 0.0772794253, 0.3226544622, 0.0767503294, 0.3530565545),
}


def arrays() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    entered, left = np.zeros((2, 38, 2082), dtype=np.int64)
    causes = np.zeros((2, 38, 2082), dtype=np.int64)
    entered[:, 0] = 1
    for i, (day, event) in enumerate(EVENTS):
        if event:
            causes[event - 1, i, day] = 1
        else:
            left[i, day] = 1
    return entered, causes, left


@pytest.mark.parametrize("day", TABLE)
def test_cumulative_incidence(day: int) -> None:
    relapse, relapse_error, death, death_error, survival = TABLE[day]
    found = aalen_johansen(*arrays(), day)
    assert found.cumulative == pytest.approx([relapse, death], abs=1e-9)
    assert found.asymptotic == pytest.approx([relapse_error, death_error], abs=1e-9)
    assert found.survival == pytest.approx(survival, abs=1e-9)
    assert found.cumulative.sum() + found.survival == pytest.approx(1.0, abs=1e-12)
    # patients by themselves: leaving out one at a time comes near it
    assert found.error == pytest.approx(found.asymptotic, rel=0.05)


def test_second_opinion_of_scikit_survival() -> None:
    event, time = np.array([e for _, e in EVENTS]), np.array([float(t) for t, _ in EVENTS])
    times, incidence = cumulative_incidence_competing_risks(event, time)
    at = np.searchsorted(times, 400, side="right") - 1
    assert aalen_johansen(*arrays(), 400).cumulative == pytest.approx(incidence[1:, at], abs=1e-12)


def test_plants_counted_by_hand() -> None:
    """40 plants, losses to two causes and plants moved out alive between; fractions by hand and by R survfit."""
    entered, left = np.zeros((2, 1, 13), dtype=np.int64)
    causes = np.zeros((2, 1, 13), dtype=np.int64)
    entered[0, 0] = 40
    for week, a, b, moved in ((2, 4, 1, 0), (4, 2, 3, 5), (7, 1, 0, 4), (9, 2, 2, 0), (12, 0, 3, 3)):
        causes[0, 0, week], causes[1, 0, week], left[0, week] = a, b, moved
    last = aalen_johansen(entered, causes, left, 12)
    assert [*last.cumulative, last.survival] == pytest.approx([63 / 250, 7 / 25, 117 / 250], abs=1e-12)
    assert last.asymptotic == pytest.approx([0.0744435356, 0.0808331615], abs=1e-9)
    curve = kaplan_meier(entered, causes.sum(0), left)
    assert curve.survival[[2, 4, 7, 9, 12]] == pytest.approx([7 / 8, 3 / 4, 18 / 25, 72 / 125, 117 / 250], abs=1e-12)
    assert curve.greenwood[[2, 4, 7, 9, 12]] == pytest.approx(
        [0.0522912517, 0.0684653197, 0.0720000000, 0.0864000000, 0.0899279712], abs=1e-9
    )


def test_the_same_plants_followed_is_a_plain_share() -> None:
    """1000 -> 900 -> 720 -> 684: Greenwood's error is the binomial one of 684 of 1,000."""
    entered, lost, left = np.zeros((3, 1, 4), dtype=np.int64)
    entered[0, 0], lost[0, 1:] = 1000, [100, 180, 36]
    curve = kaplan_meier(entered, lost, left)
    assert (curve.survival[3], curve.greenwood[3]) == pytest.approx((0.684, 0.0147018366), abs=1e-9)
