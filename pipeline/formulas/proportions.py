"""Intervals for one proportion, and for the difference of two."""

from __future__ import annotations

import math

from scipy import special

Z95 = 1.959963984540054
"""The 0.975 quantile of the standard normal distribution."""


def wilson(taken: float, of: float, z: float = Z95) -> tuple[float, float]:
    """Wilson's score interval for `taken` of `of` (both may be effective, not whole), as (low, high) in 0 to 1.

    Source: E. B. Wilson, JASA 22 (1927) 209-212; method 3 of R. G. Newcombe, Statistics in Medicine 17 (1998)
    857-872. Raises ValueError unless 0 <= taken <= of and of > 0.
    """
    if not (of > 0 and 0 <= taken <= of):
        raise ValueError(f"{taken} of {of} is no proportion")
    share, scale = taken / of, 1 + z * z / of
    middle = (share + z * z / (2 * of)) / scale
    half = z * math.sqrt(share * (1 - share) / of + z * z / (4 * of * of)) / scale
    return (0.0 if taken == 0 else max(0.0, middle - half)), (1.0 if taken == of else min(1.0, middle + half))


def exact(found: float, of: float, confidence: float = 0.95) -> tuple[float, float]:
    """The exact interval for `found` of `of` (both may be effective, not whole), as (low, high) in 0 to 1.

    Source: C. J. Clopper & E. S. Pearson, Biometrika 26 (1934) 404-413; on effective numbers E. L. Korn & B. I. Graubard,
    Survey Methodology 24 (1998) 193-201. Raises ValueError unless 0 <= found <= of and of > 0.
    """
    if not (of > 0 and 0 <= found <= of):
        raise ValueError(f"{found} of {of} is no proportion")
    tail = (1 - confidence) / 2
    low = 0.0 if found == 0 else float(special.betaincinv(found, of - found + 1, tail))
    return low, (1.0 if found == of else float(special.betaincinv(found + 1, of - found, 1 - tail)))


def difference(share: float, size: float, other: float, other_size: float) -> tuple[float, float, float]:
    """share - other with its 95 % interval, from shares and their (effective) sizes.

    Method 10, the two Wilson intervals put together: R. G. Newcombe, Statistics in Medicine 17 (1998) 873-890.
    """
    low, high = wilson(share * size, size)
    other_low, other_high = wilson(other * other_size, other_size)
    apart = share - other
    return (
        apart,
        max(-1.0, apart - math.hypot(share - low, other_high - other)),
        min(1.0, apart + math.hypot(high - share, other - other_low)),
    )
