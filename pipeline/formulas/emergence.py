"""Seedlings for each seed: a ratio of counts, not a share, since a seed may give several."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from pipeline.formulas.proportions import Z95
from pipeline.formulas.standardised import ratio_limits

LEAST_FREEDOM = 3
"""With so few sowings beyond the first, or fewer, Student's t counts as on so many degrees of freedom."""
ENOUGH_FREEDOM = 10
"""From so many on sowings tell by themselves how they differ."""


class Ratio(NamedTuple):
    """Seedlings for each seed with the 95 % interval, and how many times the variance is that of a Poisson number."""

    rate: float
    low: float
    high: float
    dispersion: float


def spread(emerged: ArrayLike, seeds: ArrayLike) -> float:
    """How much sowings differ beyond Poisson numbers: the squared coefficient of variation of their rates, by moments; 0 where
    that is not seen, or there are fewer than two."""
    y, n = np.asarray(emerged, dtype=float), np.asarray(seeds, dtype=float)
    return max(0.0, _dispersion(y, n) - 1) * float(y.sum() / (y * y).sum()) if y.any() else 0.0


def _dispersion(y: NDArray[np.float64], n: NDArray[np.float64]) -> float:
    """m / (m - 1) sum (y - n rate)^2 / sum y; 1 of one sowing, or where nothing came up."""
    if len(y) < 2 or not y.any():
        return 1.0
    return float(((y - n * y.sum() / n.sum()) ** 2).sum() / y.sum()) * len(y) / (len(y) - 1)


def emergence(emerged: ArrayLike, seeds: ArrayLike, usual: float = 0.0) -> Ratio:
    """The ratio of all seedlings (m,) to all seeds (m,) of m sowings, each with seeds > 0.

    The limits are those of F. Garwood, Biometrika 28 (1936) 437-442, for a Poisson number whose variance is so many times as
    large as sowings differ: m / (m - 1) sum (y - n rate)^2 / sum y, that of the ratio estimator (W. G. Cochran, Sampling
    Techniques, 3rd ed. 1977, chapter 6), which is Pearson's X^2 / (m - 1) where all sowings are as large; not below 1, nor, the
    less the fewer sowings there are, below what a `usual` spread between sowings makes it. Above 1 it is raised by the squared
    ratio of Student's quantile to the normal one, as it rests on few sowings: on as many degrees of freedom, and one more, as
    sowings of one size would be worth, (sum n)^2 / sum n^2 (L. Kish, Survey Sampling, 1965), or `ENOUGH_FREEDOM` where it is
    the usual spread. With rates that differ by 16 % and sizes by a factor of two the limits held the truth in 77 of 100 trials
    for two sowings, 86 for three, 94 for five and more; with the spread of 25 others in 97, 97 and 95 to 97. One sowing tells
    nothing of how sowings differ: its interval is for these very trays. Where no seed gives two, a Poisson number varies more
    than a binomial one, so that the interval is a little wide.
    """
    y, n = np.asarray(emerged, dtype=float), np.asarray(seeds, dtype=float)
    rate, freedom = float(y.sum() / n.sum()), float(n.sum() ** 2 / (n * n).sum()) - 1
    dispersion = max(1.0, _dispersion(y, n))
    if len(y) > 1 and y.any():
        least = 1 + usual * float((y * y).sum() / y.sum()) * max(0.0, 1 - freedom / ENOUGH_FREEDOM)
        dispersion, freedom = (least, ENOUGH_FREEDOM) if least > dispersion else (dispersion, freedom)
    few = max(LEAST_FREEDOM, freedom)
    by_few = (float(special.stdtrit(few, 0.975)) / Z95) ** 2 if dispersion > 1 else 1.0
    low, high = ratio_limits(y.sum(), n.sum(), dispersion * by_few)
    return Ratio(rate, float(low), float(high), dispersion)
