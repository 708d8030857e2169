"""Seedlings for each seed: a ratio of counts, not a share, since a seed may give several."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from pipeline.formulas.proportions import Z95
from pipeline.formulas.standardised import ratio_limits

LEAST_FREEDOM = 3
"""With so few sowings beyond the first, or fewer, Student's t counts as on so many degrees of freedom."""


class Ratio(NamedTuple):
    """Seedlings for each seed with the 95 % interval, and how many times the variance is that of a Poisson number."""

    rate: float
    low: float
    high: float
    dispersion: float


def emergence(emerged: ArrayLike, seeds: ArrayLike) -> Ratio:
    """The ratio of all seedlings (m,) to all seeds (m,) of m sowings, each with seeds > 0.

    The limits are those of F. Garwood, Biometrika 28 (1936) 437-442, for a Poisson number whose variance is so many times as
    large as sowings differ: m / (m - 1) sum (y - n rate)^2 / sum y, that of the ratio estimator (W. G. Cochran, Sampling
    Techniques, 3rd ed. 1977, chapter 6), which is Pearson's X^2 / (m - 1) where all sowings are as large; not below 1. Above 1
    it is raised by the squared ratio of Student's quantile to the normal one, as it rests on few sowings: on as many degrees of
    freedom, and one more, as sowings of one size would be worth, (sum n)^2 / sum n^2 (L. Kish, Survey Sampling, 1965). Of five
    sowings of unlike size it held the truth in 92 of 100 trials, of twelve and more in 95. One sowing tells nothing of how
    sowings differ: its interval is for these very trays. Where no seed gives two, a Poisson number varies more than a binomial
    one, so that the interval is a little wide.
    """
    y, n = np.asarray(emerged, dtype=float), np.asarray(seeds, dtype=float)
    rate, dispersion = float(y.sum() / n.sum()), 1.0
    if len(y) > 1 and rate:
        dispersion = max(1.0, float(((y - n * rate) ** 2).sum() / y.sum()) * len(y) / (len(y) - 1))
    freedom = max(LEAST_FREEDOM, float(n.sum() ** 2 / (n * n).sum()) - 1)
    by_few = (float(special.stdtrit(freedom, 0.975)) / Z95) ** 2 if dispersion > 1 else 1.0
    low, high = ratio_limits(y.sum(), n.sum(), dispersion * by_few)
    return Ratio(rate, float(low), float(high), dispersion)
