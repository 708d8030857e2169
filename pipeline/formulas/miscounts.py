"""How a number of plants comes to be written down as another number: the recognisable ways.

Each way gives, for a number that was written, the numbers that may have stood there and the chance with which each
of them would have been written so. Chances are P(written | stood); over all that could be written they sum to one at
most (a way that cannot happen to a number, such as swapping the digits of 777, leaves its chance unused).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from formpack.words import marked

Whole = NDArray[np.int64]
Real = NDArray[np.float64]

WAYS = (
    marked("digits swapped"),
    marked("one digit wrong"),
    marked("a digit too many or too few"),
    marked("crates left out"),
    marked("crates counted twice"),
    marked("shown number copied"),
    marked("number of another group"),
    marked("no known way"),
)
"""The ways of being quite wrong, in the order of every array that holds one value a way; names in tables."""
SWAPPED, DIGIT, LENGTH, LEFT_OUT, TWICE, SHOWN, OTHER, ANY = range(8)

_PLACES = 5
_CRATES = 5
_SMEAR = (0.03, 0.12, 0.70, 0.12, 0.03)
"""A crate left out does not make the rest of the count exact: chances of -2 to +2 plants beside it."""


@dataclass(frozen=True)
class Sources:
    """Numbers that may have stood where `n` counts were written: arrays of (n, S), and the way of each column (S).

    `stood` is -1 where there is none; `chance` is P(written | stood) by that way.
    """

    stood: Whole
    chance: Real
    way: Whole


def _digits(numbers: Whole) -> Whole:
    """(..., _PLACES + 1) digits, units first."""
    return numbers[..., None] // 10 ** np.arange(_PLACES + 1) % 10


def _length(numbers: Whole) -> Whole:
    """How many digits each number is written with; 0 is written with one."""
    length: Whole = 1 + (numbers[..., None] >= 10 ** np.arange(1, 10)).sum(-1)
    return length


def _swaps_of(numbers: Whole) -> Whole:
    """In how many ways two neighbouring digits of each number can be swapped into another number; 0126 for 1026 is 126."""
    digits, length = _digits(numbers), _length(numbers)
    places = np.arange(_PLACES)
    lower, upper = digits[..., :-1], digits[..., 1:]
    many: Whole = ((lower != upper) & (places + 1 < length[..., None])).sum(-1)
    return many


def _swapped(written: Whole) -> tuple[Whole, Real]:
    digits, length = _digits(written), _length(written)
    places = np.arange(_PLACES)
    lower, upper = digits[:, :-1], digits[:, 1:]
    stood = written[:, None] + 9 * (lower - upper) * 10**places
    # the digit that leads may have stood before a 0: 126 for 1026
    fits = (lower != upper) & (places < length[:, None]) & ~((places + 2 == length[:, None]) & (lower == 0))
    return np.where(fits, stood, -1), 1 / np.maximum(_swaps_of(np.maximum(stood, 0)), 1)


def _one_digit(written: Whole) -> tuple[Whole, Real]:
    digits, length = _digits(written)[:, :_PLACES, None], _length(written)
    places, new = np.arange(_PLACES)[:, None], np.arange(10)
    stood = written[:, None, None] + (new - digits) * 10**places
    leads = (places + 1 == length[:, None, None]) & (length[:, None, None] > 1)
    fits = (new != digits) & (places < length[:, None, None]) & ~(leads & (new == 0))
    chance = np.broadcast_to(1 / (9 * length[:, None, None]), stood.shape)
    shape = (len(written), 10 * _PLACES)
    return np.where(fits, stood, -1).reshape(shape), chance.reshape(shape)


def _digit_more_or_less(written: Whole) -> tuple[Whole, Real]:
    """A digit that was left out (half of this way's chance) or pressed twice (the other half)."""
    length = _length(written)
    places, new = np.arange(_PLACES + 1)[:, None], np.arange(10)
    rest, tail = np.divmod(written[:, None, None], 10**places)
    longer = (rest * 10 + new) * 10**places + tail
    inside = (places <= length[:, None, None]) & ((places < length[:, None, None]) | (new > 0))
    # the same longer number may come about at several places (44 -> 444): the chances are kept at each and add up
    chance_longer = np.broadcast_to(0.5 / (length[:, None, None] + 1), longer.shape)
    place = np.arange(_PLACES)
    digits = _digits(written)
    twice = (digits[:, :-1] == digits[:, 1:]) & (place + 1 < length[:, None])
    # of a run of equal digits only the first place counts: 444 comes of 44 in one way
    twice[:, 1:] &= ~twice[:, :-1]
    shorter = written[:, None] // 10 ** (place + 1) * 10**place + written[:, None] % 10**place
    chance_shorter = np.broadcast_to(0.5 / np.maximum(length[:, None] - 1, 1), shorter.shape)
    shape = (len(written), 10 * (_PLACES + 1))
    stood = np.concatenate([np.where(inside, longer, -1).reshape(shape), np.where(twice, shorter, -1)], axis=1)
    return stood, np.concatenate([chance_longer.reshape(shape), chance_shorter], axis=1)


def _crates(written: Whole, crate_size: int, sign: int) -> tuple[Whole, Real]:
    many = np.arange(1, _CRATES + 1)
    weight = 0.5**many / (0.5**many).sum()
    offsets = (sign * many[:, None] * crate_size + np.arange(-2, 3)).ravel()
    chance = (weight[:, None] * np.array(_SMEAR)).ravel()
    stood = written[:, None] + offsets
    return np.where(stood >= 0, stood, -1), np.broadcast_to(chance, stood.shape)


def sources(written: Whole, crate_size: int) -> Sources:
    """All numbers that may have stood where `written` (n, whole plants >= 0) stands, by slips of the hand and by crates.

    Swapping two neighbouring digits changes a number by 9 |a - b| 10^k, one wrong digit by d 10^k (1 <= d <= 9).
    """
    parts = [
        _swapped(written),
        _one_digit(written),
        _digit_more_or_less(written),
        _crates(written, crate_size, 1),
        _crates(written, crate_size, -1),
    ]
    ways = np.concatenate([np.full(stood.shape[1], way) for way, (stood, _) in enumerate(parts)])
    return Sources(np.concatenate([s for s, _ in parts], axis=1), np.concatenate([c for _, c in parts], axis=1), ways)
