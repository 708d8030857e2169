"""S. Russell & P. Norvig, Artificial Intelligence: A Modern Approach, the umbrella world (3rd ed., section 15.2).

Rain follows rain with 0.7, dry follows dry with 0.7; an umbrella is seen with 0.9 in rain and 0.2 when dry; the day
before is rain or dry with 0.5. Umbrellas on both days: filtered P(rain) is 0.818 and 0.883, smoothed for day 1 0.883.

A chain with two states, 0 plants and 1 plant fewer, is this world: the same chance of a loss as of a gain.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import fft

from pipeline.formulas.count_chain import Steps, forward_backward

CHANGE = np.array([[0.7, 0.3, 0.0, 0.3]])
"""No change, a loss of one; and, from the end, a gain of one."""


def test_filtered_and_smoothed() -> None:
    cyclic = np.roll(CHANGE[:, ::-1], 1, axis=1)
    steps = Steps(CHANGE, fft.rfft(cyclic, axis=1), np.zeros((1, 2), int), np.zeros((1, 2, 0), int), np.zeros((1, 2, 0)))
    start = np.array([[0.5, 0.5]])
    seen = np.array([[[1.0, 1.0], [0.9, 0.2], [0.9, 0.2]]])
    ahead, smoothed, _, _ = forward_backward(start, seen, np.array([2]), steps)
    assert ahead[0, 1, 0] == pytest.approx(0.818, abs=5e-4)
    assert ahead[0, 2, 0] == pytest.approx(0.883, abs=5e-4)
    assert smoothed[0, 1, 0] == pytest.approx(0.883, abs=5e-4)
