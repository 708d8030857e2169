"""The groups of an invented nursery as arrays, one for each thing that is so of a group."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.bench.trade import END, ROOTSTOCKS, SCIONS, SUNDAY, Ways, day

Ints = NDArray[np.int64]
Columns = dict[str, NDArray[Any]]
WARNED = np.zeros((len(ROOTSTOCKS), len(SCIONS)), bool)
"""Which pairs the list of compatibility warns of."""
WARNED[:, 2], WARNED[4, 2] = True, False
WARNED[[0, 2, 3, 6], 5] = True
WARNED[1, 6] = True


@dataclass
class Crop:
    """All groups, an array for each thing that is so of a group."""

    family: Ints
    rootstock: Ints
    sown: Ints
    opened: Ints
    place: Ints
    scion: Ints
    stands: Ints
    listed: Ints
    clock: Ints
    stage: Ints
    attempt: Ints
    budded: Ints
    team: Ints
    second: Ints
    buds: Ints
    buds_second: Ints
    brown: Ints

    def __len__(self) -> int:
        return len(self.family)

    @classmethod
    def blank(cls, groups: int) -> Crop:
        return cls(*(np.zeros(groups, np.int64) for _ in cls.__dataclass_fields__))

    def joined(self, other: Crop) -> Crop:
        return Crop(*(np.concatenate([getattr(self, n), getattr(other, n)]) for n in self.__dataclass_fields__))


def planted(groups: int, years: int, dice: np.random.Generator, ways: Ways) -> Crop:
    """So many groups sown over so many years, with which nothing was done yet."""
    crop = Crop.blank(groups)
    crop.family = np.arange(groups)
    share = crop.family * 0.6180339887498949 % 1  # evenly over the years however few of the groups are kept
    crop.sown = day(END) - np.rint(years * 365 - share * (years * 365 - 95)).astype(np.int64)
    crop.opened = crop.sown + dice.integers(78, 97, groups)
    crop.opened += crop.opened % 7 == SUNDAY
    crop.clock = crop.opened.copy()
    if ways.pairs is None:
        crop.rootstock = dice.integers(0, len(ROOTSTOCKS), groups)
        crop.scion = _scions(dice, crop.rootstock)
    else:
        crop.rootstock, crop.scion = np.divmod(np.resize(ways.pairs, groups), len(SCIONS))
    crop.place = dice.integers(0, 12, groups)
    return crop


def _scions(dice: np.random.Generator, rootstock: Ints) -> Ints:
    """Scions, few of them on a rootstock that the list of compatibility warns of."""
    scion = dice.integers(0, len(SCIONS), len(rootstock))
    for _ in range(6):
        bad = WARNED[rootstock, scion]
        scion[bad] = dice.integers(0, len(SCIONS), int(bad.sum()))
    return scion
