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


def exact(taken: int, of: int) -> tuple[float, float]:
    """The exact 95 % interval for `taken` of `of`, as (low, high) in 0 to 1; a little wide, since it never covers less.

    Source: C. J. Clopper & E. S. Pearson, Biometrika 26 (1934) 404-413; method 5 of R. G. Newcombe, Statistics in Medicine 17
    (1998) 857-872. Raises ValueError unless 0 <= taken <= of and of > 0.
    """
    if not (of > 0 and 0 <= taken <= of):
        raise ValueError(f"{taken} of {of} is no proportion")
    low = float(special.betaincinv(taken, of - taken + 1, 0.025)) if taken else 0.0
    return low, float(special.betaincinv(taken + 1, of - taken, 0.975)) if taken < of else 1.0


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
