"""What stands in many groups on a day, from what is believed to have stood at their last nodes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
from numpy import fft

from pipeline.formulas.chain_rates import WIDTHS
from pipeline.formulas.count_chain import Flags, Rates, exposures, kernels
from pipeline.formulas.miscounts import Real, Whole
from pipeline.formulas.sums import SHARES, cells

_CELLS = 400_000
_SHARE = 0.95
_ROUNDING = 1e-12
_FAR, _FAR_CHANCE = 4096, 0.005
"""Of losses as large as come with this chance, up to so many plants, the window leaves room for."""


class StandsNow(NamedTuple):
    """Of each group (G,): the median, the narrowest 95 % of plants standing, widened to hold the median, mean and variance,
    how many of those that stood at the last node are expected to be lost, and the whole of it as `sums.cells` (G, cells)."""

    estimate: Whole
    low: Whole
    high: Whole
    mean: Real
    variance: Real
    unseen: Real
    spread: Real


class _Groups(NamedTuple):
    """Groups with something that may stand: all `last` end to end, where each group's begins and how long it is; the most that
    may stand (`top`), the kind of its step since then, and whether the likeliest number is asked for in place of the median."""

    last: Real
    begin: Whole
    length: Whole
    top: Whole
    kind: Whole
    is_likeliest: Flags

    def take(self, rows: Whole) -> _Groups:
        return _Groups(self.last, self.begin[rows], self.length[rows], self.top[rows], self.kind[rows], self.is_likeliest[rows])


def stand_now(last: Sequence[Real], low: Whole, final_book: Whole, rank: Whole, days: Real, rates: Rates) -> StandsNow:
    """What stands `days` (G,) after the last node, where P(D = low + i) was last[i] (ragged, sums near one), when the book says
    `final_book` (G,) and the groups are of these stages (`rank`, (G,)): what was there, less what is lost without a record.

    Where the book is below nothing, more was taken out than ever came in, nothing is known but that it is little: the
    estimate is then the likeliest number. Nothing stands where `last` is empty.
    """
    estimate, lowest, highest = np.zeros((3, len(low)), dtype=np.int64)
    mean, variance, unseen = np.zeros((3, len(low)))
    found = StandsNow(estimate, lowest, highest, mean, variance, unseen, np.zeros((len(low), len(SHARES))))
    length = np.array([len(v) for v in last], dtype=np.int64)
    top = np.where(length > 0, final_book + low + length - 1, 0)
    rows = np.flatnonzero(top > 0)
    if not len(rows):
        return found
    values, begin = np.concatenate(last), length.cumsum() - length
    group = np.repeat(np.arange(len(low)), length)
    stood = np.maximum(np.arange(len(values)) - begin[group] + (final_book + low)[group], 0)
    plants = np.maximum(np.trunc(np.bincount(group, values * stood, len(low))), 1)
    keys, kind = np.unique((rank + 1j * exposures(np.maximum(days, 0), plants))[rows], return_inverse=True)
    stage, exposure = keys.real.astype(np.int64), keys.imag
    far = min(int(top.max()) + 1, _FAR)
    upto = kernels(rates, stage, exposure, far)[0][:, :far].cumsum(1)
    room = (upto < upto[:, -1:] - _FAR_CHANCE).sum(1)
    groups = _Groups(values, begin[rows], length[rows], top[rows], kind, final_book[rows] < 0)
    width, waiting = np.minimum(groups.length + room[kind], groups.top + 1), np.arange(len(rows))
    while len(waiting):
        not_settled = []
        for some, size in _batches(width[waiting], kind[waiting]):
            part = waiting[some]
            numbers, is_settled = _worked_out(groups.take(part), stage, exposure, size, rates)
            for into, value in zip(found, numbers, strict=True):
                into[rows[part]] = value
            not_settled.append(part[~is_settled])
        waiting, width = np.concatenate(not_settled), groups.top + 1
    return found


def _batches(width: Whole, kind: Whole) -> Iterator[tuple[Whole, int]]:
    """Groups of like width, and of like kind among these, with the size of their window."""
    classes = np.searchsorted(np.array(WIDTHS), width)
    order = np.lexsort((kind, classes))
    for each in np.unique(classes):
        of_class, size = order[classes[order] == each], WIDTHS[each]
        step = max(1, _CELLS // size)
        yield from ((of_class[i : i + step], size) for i in range(0, len(of_class), step))


def _worked_out(g: _Groups, stage: Whole, exposure: Real, size: int, rates: Rates) -> tuple[StandsNow, Flags]:
    """What stands in these groups by the `size` numbers up to the top of each, and whether that settles it. Mean, variance
    and total are of all numbers: sums over how many may have been lost of each that stood.
    """
    used, which = np.unique(g.kind, return_inverse=True)
    most = int(g.top.max())
    chance = kernels(rates, stage[used], exposure[used], most + 1)[0][:, : most + 1]
    stood = _from_the_top(g)
    n = np.maximum(g.top[:, None] - np.arange(stood.shape[1]), 0)
    stays, lost, squares = ((chance * np.arange(most + 1) ** p).cumsum(1)[which[:, None], n] for p in range(3))
    total = np.einsum("gw,gw->g", stood, stays)
    mean = np.einsum("gw,gw->g", stood, n * stays - lost) / total
    off = n - mean[:, None]
    variance = np.einsum("gw,gw->g", stood, off**2 * stays - 2 * off * lost + squares) / total
    unseen = np.maximum(np.einsum("gw,gw->g", stood, n) / stood.sum(1) - mean, 0)
    spectrum = fft.rfft(stood[:, :size], 2 * size, axis=1)
    spectrum *= fft.rfft(chance[:, :size], 2 * size, axis=1)[which]
    left = np.maximum(fft.irfft(spectrum, 2 * size, axis=1)[:, :size], 0)
    left[np.arange(size) > g.top[:, None]] = 0
    left = left[:, ::-1]
    inside, is_whole = left.sum(1), g.top < size
    total = np.where(is_whole, inside, total)
    below = np.maximum(1 - inside / total, 0)
    upto = np.empty((len(left), size + 1))
    upto[:, 0] = below
    np.cumsum(left / total[:, None], axis=1, out=upto[:, 1:])
    upto[:, 1:] += below[:, None]
    first, width = _narrowest(upto)
    # of runs no wider, one that begins below the window must not reach the share
    is_settled = is_whole | ((below < 1 - _SHARE) & (upto[np.arange(len(upto)), width - 1] < _SHARE - _ROUNDING))
    middle = np.where(g.is_likeliest, left.argmax(1), (upto[:, 1:] >= 0.5 - _ROUNDING).argmax(1))
    lowest = g.top - size + 1
    low, high = np.minimum(first, middle), np.maximum(first + width - 1, middle)
    inside_mean = np.einsum("gw,gw->g", left, lowest[:, None] + np.arange(size))
    is_cut = below > _ROUNDING
    below_mean = np.where(is_cut, np.maximum(mean * total - inside_mean, 0) / np.where(is_cut, below * total, 1), 0)
    spread = np.maximum(cells(upto, lowest, below_mean), 0)
    estimate, variance = lowest + middle, np.maximum(variance, 0)
    return StandsNow(estimate, lowest + low, lowest + high, mean, variance, unseen, spread), is_settled


def _from_the_top(g: _Groups) -> Real:
    """(G, W) P(top - j stood), j = 0 to W - 1; what would be below nothing is at nothing."""
    j = np.arange(int(g.length.max()))
    is_in = j < g.length[:, None]
    stood = np.where(is_in, g.last[np.where(is_in, (g.begin + g.length - 1)[:, None] - j, 0)], 0.0)
    rows = np.flatnonzero(g.length > g.top + 1)
    if len(rows):
        is_below = j > g.top[rows, None]
        stood[rows, g.top[rows]] += np.where(is_below, stood[rows], 0).sum(1)
        stood[rows] = np.where(is_below, 0, stood[rows])
    return stood


def _narrowest(upto: Real) -> tuple[Whole, Whole]:
    """The first place and the width of the narrowest run that adds up to the share, as `count_chain.narrowest`, in each row of
    sums (G, W + 1) up to each place."""
    rows, places = np.arange(len(upto))[:, None], np.arange(upto.shape[1])

    def held(width: Whole) -> Real:
        gained: Real = upto[rows, np.minimum(places + width[:, None], places[-1])] - upto
        return gained

    # what leaves as little above as below reaches it
    begin = np.maximum((upto <= (1 - _SHARE) / 2).sum(1) - 1, 0)
    end = (upto < upto[rows[:, 0], begin][:, None] + _SHARE).sum(1)
    least, most = np.ones(len(upto), dtype=np.int64), np.minimum(np.maximum(end - begin, 1), places[-1])
    while (least < most).any():
        middle = (least + most) // 2
        reaches = held(middle).max(1) >= _SHARE - _ROUNDING
        least, most = np.where(reaches, least, middle + 1), np.where(reaches, middle, most)
    return held(most).argmax(1), most
