"""How many plants to examine so that an affected one is found, and how small a share would have been found.

Of N plants D are affected and n are examined without putting any back, so that the number K of affected ones among them is
hypergeometric. An affected plant that is examined is seen to be so with the chance `efficacy`, so nothing is found with the
chance E[(1 - efficacy) ** K]. For N without end that is (1 - share * efficacy) ** n. Where the lot is known: ISPM 31,
Methodologies for sampling of consignments (FAO/IPPC 2008), of which D = floor(N * level) is taken too.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special


def none_found(examined: int, affected: int, plants: int, efficacy: float = 1.0) -> float:
    """The chance that none of `affected` of `plants` is found among `examined`."""
    if efficacy >= 1:
        few, many = sorted((examined, affected))
        if few > plants - many:
            return 0.0
        j = np.arange(few)
        return float(np.exp(np.log((plants - many - j) / (plants - j)).sum()))
    k = np.arange(max(0, examined + affected - plants), min(examined, affected) + 1)
    logs = _ways(affected, k) + _ways(plants - affected, examined - k) - _ways(plants, examined)
    return float((np.exp(logs) * (1 - efficacy) ** k).sum())


def _ways(of: int, k: ArrayLike) -> NDArray[np.float64]:
    """log of `of` choose k."""
    return np.asarray(-special.betaln(1 + of - np.asarray(k), 1 + np.asarray(k)) - np.log1p(of))


def sample_size(plants: int | None, level: float, confidence: float = 0.95, efficacy: float = 1.0) -> int | None:
    """The fewest plants to examine of `plants` (None for very many), so that where floor(plants * level) are affected one is
    found with the confidence. None where that is less than one plant, or even all would not do."""
    miss = 1 - confidence
    if plants is None:
        return math.ceil(math.log(miss) / math.log1p(-level * efficacy) - 1e-9)
    affected = math.floor(plants * level + 1e-9)
    if affected < 1 or none_found(plants, affected, plants, efficacy) > miss:
        return None
    return _first(plants, lambda n: none_found(n, affected, plants, efficacy) <= miss + 1e-12)


def _first(most: int, is_enough: Callable[[int], bool]) -> int:
    """The first of 1 to `most` that is enough; `most` is, and so is whatever is more than one that is."""
    low, high = 0, most
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if is_enough(middle) else (middle, high)
    return high


def wanted(plants: int, level: float, confidence: float, efficacy: float) -> tuple[int, float] | None:
    """(how many of `plants` to examine, the share of affected ones that this finds): the level, or one plant where the level
    is less than that. None where even all would not do, or there are none."""
    if plants < 1:
        return None
    share = max(level, 1 / plants)
    found = sample_size(plants, share, confidence, efficacy)
    return None if found is None else (found, share)


@functools.lru_cache(maxsize=10_000)
def share_found(examined: int, plants: int | None, confidence: float = 0.95, efficacy: float = 1.0) -> float:
    """The smallest share of affected plants of which one would have been found with the confidence among `examined` of
    `plants`; of very many (None) by the binomial. 1 where none is small enough to be sure."""
    miss = 1 - confidence
    if plants is None:
        return float(min(1.0, (1 - miss ** (1 / examined)) / efficacy))
    if none_found(examined, plants, plants, efficacy) > miss:
        return 1.0
    return _first(plants, lambda d: none_found(examined, d, plants, efficacy) <= miss + 1e-12) / plants
