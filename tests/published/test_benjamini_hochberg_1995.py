"""Y. Benjamini & Y. Hochberg, JRSS B 57 (1995) 289-300, section 4: fifteen p-values of the thrombolysis trial; at 0.05 their
rule rejects four. The second opinion is scipy.stats.false_discovery_control."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pipeline.formulas.comparison import q_values

P = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0]
Q = [
    float(n)
    for n in """
    0.0015 0.003 0.0095 0.035625 0.0603 0.0638571429 0.0638571429 0.0645 0.0765 0.486 0.5811818182 0.714875
    0.7532307692 0.8132142857 1
    """.split()
]


def test_q_values() -> None:
    assert q_values(P) == pytest.approx(Q, abs=5e-11)
    assert (q_values(P) < 0.05).sum() == 4


def test_in_any_order_and_with_ties() -> None:
    dice = np.random.default_rng(5)
    for chances in (dice.permutation(P), [0.5], [0.02, 0.02, 0.02, 1.0], dice.random(40) ** 3):
        assert q_values(chances) == pytest.approx(stats.false_discovery_control(chances), abs=1e-15)
