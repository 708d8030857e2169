"""Buds of one lot, read on one or more days -> what they come to."""

from __future__ import annotations

from collections.abc import Iterable

Buds = tuple[int, int, int, int]
"""(green, brown, unsure, missing) of one day's readings."""


def fold_readings(buds_set: int, days: Iterable[Buds]) -> Buds:
    """(green, brown, unsure, missing) buds of a lot after all its readings, given in order of their days.

    Buds that were unsure are read again: a later day replaces unsure ones when it reads no more buds than were
    unsure, or when with it more buds would have been read than were set. Otherwise it is a further part of the
    lot, and its own unsure buds come on top.
    """
    green = brown = unsure = missing = 0
    for g, b, u, m in days:
        today, before = g + b + u + m, green + brown + unsure + missing
        if unsure and (today <= unsure or before + today > buds_set):
            unsure = max(0, unsure - today)
        green, brown, unsure, missing = green + g, brown + b, unsure + u, missing + m
    return green, brown, unsure, missing
