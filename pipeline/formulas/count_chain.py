"""What stands in a group, from the book and from counts that people made: a chain with a hidden whole number.

The model. Let B be the book (opened, less what was recorded as taken out, plus what moved in) and N what truly stands.
Their difference D = N - B is followed instead of N, because recorded flows then leave it where it is:

- At the opening D is 0 with probability `opening_exact`, else a rounded normal of standard deviation `error` times the
  size of the group, with a share `tail` of them thinning with the distance; or the number has one of the slips
  of the hand that counts have, three tenths as often.
- Between two nodes (counts) D falls by the plants that were lost without a record. Their number u is negative binomial
  with shape `loss[stage]` x E / clump and mean `loss[stage]` x E, where the exposure E is in 1,000 plant-days / 1,000
  plants = days of a group of a thousand: zero with a probability that falls with the days, else small; intervals add
  up. With probability 1 - exp(-(large + gain) x E) it is instead, in their proportion, large, P(u) ~ 1 / (u + 5), or
  a gain of that kind. A recorded movement may be named as a `jump`: a size and the chance of it.
- N is never below zero, nor what stands after a count below what was taken out with it; nor is it above a `ceiling` where
  one is known (a merge that put all of a group elsewhere leaves none).
- A count y of x plants is no count at all with probability copy[who]: the number that was shown, or the last one known. Else
  it is quite wrong with probability `gross`, in one of the other `WAYS`. Else who counts finds 1 + lean[who] times what
  stands, exactly so with probability exact[who]; near, a rounded normal of sd max(error x, 1/2) (a share `tail` of them three
  times as wide), with 1 - exact[who]; and writes it down rounded to a unit (5, 10, a crate) with probability rounds[who].
  Where several numbers were typed that make up a count (parts, those cut and those not ready), slips are of each of these.
- Live plants that a form reports (buds read green, plants set aside to be budded) are a node without a count: at least so
  many stood, give or take a near error, unless that number is itself quite wrong.

Forward-backward on a window of whole numbers, all groups at once; a step is a convolution, done by FFT. Nodes are
numbered 0 (opening) to T; arrays are padded to the longest chain and steps beyond a chain's own length do nothing.

Forward-backward: L. R. Rabiner, Proc. IEEE 77 (1989) 257-286; S. Russell & P. Norvig, Artificial Intelligence, ch. 14.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy import fft
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy import special

from pipeline.formulas.miscounts import ANY, OTHER, SHOWN, WAYS, Real, Whole, sources

Flags = NDArray[np.bool_]

STAGES = 8
"""How many stages have a loss rate of their own; index 0 is not used."""
_LARGE_FROM, _LARGE_TO = 5, 2000
_COPIES, _UNSEEN = 0.2, 0.25
"""Where a count was as likely copied as this, the window has room for so many plants lost per day of a group of a thousand."""
SOUND, NEAR, ROUNDED = 3, 1, 2
"""A sound count is exact, near or rounded: the first of the ways in which it comes about."""
OPENING_SLIPS = 0.3
"""An opening is written with more care than a count: slips of the hand are so much rarer."""


@dataclass(frozen=True)
class Rates:
    """How a nursery loses and counts. `exact` of a person is given with each count, not here."""

    error: float = 0.005
    """Standard deviation of a near count, as a share of what stands."""
    gross: float = 0.03
    """Chance that a count is quite wrong."""
    ways: tuple[float, ...] = (0.155, 0.155, 0.03, 0.22, 0.145, 0.0, 0.115, 0.18)
    """Shares of the ways of being quite wrong, in the order of WAYS; they sum to 1. Copying has its own chance, by person."""
    units: tuple[float, ...] = (0.2, 0.6, 0.2)
    """Shares of rounded counts that are to 5, to 10, to a crate; they sum to 1."""
    loss: tuple[float, ...] = (0.02,) * STAGES
    """Plants lost without a record per day of a group of a thousand, by stage."""
    clump: float = 6.0
    """Variance of the plants lost over their mean, less 1."""
    large: float = 4e-4
    """Large unrecorded losses per day of a group of a thousand."""
    gain: float = 1e-5
    """Unrecorded gains per day of a group of a thousand."""
    opening_exact: float = 0.97
    tail: float = 0.1
    """Share of near counts that are off three times as far."""


@dataclass(frozen=True)
class Chains:
    """G groups of up to T nodes after the opening. Whole plants, days; shape (G, T) unless said."""

    length: Whole
    """(G,) nodes of each group."""
    opened: Whole
    """(G,) plants it opened with."""
    open_lean: Real
    """(G,) standard deviation of what nobody knows of the leans of those who counted it, as a share of what stands."""
    counted: Whole
    """What was counted at the node; -1 where nothing was."""
    book: Whole
    """What the book says at the node, before what is taken out with the count."""
    floor: Whole
    """The least that must stand at the node: what is taken out with the count or leaves before the next."""
    ceiling: Whole
    """The most that may stand at the node; -1 where that is open."""
    exposure: Real
    """Of the step that leads to the node: days x plants / 1,000. Steps of equal exposure share their arithmetic."""
    stage: Whole
    """Of that step: 1 to STAGES - 1."""
    typed: Whole
    """(G, T, N) the numbers typed that the count is made up of; -1 beyond them."""
    exact: Real
    """Chance that a count by who counted is exact but for their lean, given that it is a count and not quite wrong."""
    rounds: Real
    """Chance that who counted rounds it."""
    copy: Real
    """Chance that who counted writes a number they know instead."""
    lean: Real
    """What who counted finds too many, as a share of what stands."""
    shown: Whole
    """What the phone showed; -1 where it showed nothing."""
    known: Whole
    """What the count before left, less and with what was recorded since; -1 where there was none."""
    alive: Whole
    """How many live plants were reported there; -1 where none were."""
    of_others: Real
    """Chance that `counted` would have been written had another group's plants been counted."""
    jump: Whole
    """(G, T, K) sizes by which D may jump in that step, beside what is lost: 0 is none."""
    jump_chance: Real
    """(G, T, K) chance of each."""

    def take(self, rows: Whole, nodes: int) -> Chains:
        """The chains of these groups, cut to so many nodes."""
        flat = {"length", "opened", "open_lean"}
        return Chains(**{name: values[rows] if name in flat else values[rows, :nodes] for name, values in vars(self).items()})

    @property
    def freed(self) -> Whole:
        """What was counted, freed of the lean of who counted."""
        freed: Whole = np.where(self.lean == 0, self.counted, np.rint(self.counted / (1 + self.lean))).astype(np.int64)
        return freed


@dataclass(frozen=True)
class Beliefs:
    """What is believed of one batch of chains. W is the width of its window."""

    low: Whole
    """(G,) the D that index 0 of the window stands for."""
    state: Real
    """(G, T + 1, W) P(D at each node | all counts)."""
    without: Real
    """(G, T + 1, W) the same had the node's own count not been made."""
    ways: Real
    """(G, T, SOUND + len(WAYS)) how each count came about: exact, near, rounded, then WAYS."""
    moved: Real = field(repr=False)
    """(G, T, 2 W) P(D fell by u in the step), u = index up to W and index - 2 W beyond: losses, then gains."""
    jumped: Real = field(repr=False)
    """(G, T, K) chance that each jump was made."""
    written: Real = field(repr=False)
    """(G, T) P(what was counted | all other counts)."""
    kinds: Kinds = field(repr=False)


class Kinds(NamedTuple):
    """The kinds of steps of one batch: `of` (G, T) says which each step is; stage and exposure (K,) of each kind, and what
    `kernels` says of it: chance of each change, of small losses and of large losses (K, 2 W)."""

    of: Whole
    stage: Whole
    exposure: Real
    whole: Real
    small: Real
    large: Real


def _log_uniform(width: int) -> Real:
    """P(u), u = 0 to width - 1, of a large loss: ~ 1 / (u + 5) up to 2,000 plants."""
    weights = np.zeros(max(width, _LARGE_TO + 1))
    weights[1 : _LARGE_TO + 1] = 1 / (np.arange(1, _LARGE_TO + 1) + _LARGE_FROM)
    chances: Real = (weights / weights.sum())[:width]
    return chances


def loss_chances(mean: Real, clump: float, width: int) -> Real:
    """(len(mean), width) P(u plants lost) for small losses of these means: negative binomial, variance (1 + clump) mean."""
    u = np.arange(width - 1)
    shape = np.maximum(mean, 1e-300)[:, None] / clump
    logs = np.zeros((len(mean), width))
    np.cumsum(np.log((shape + u) / (u + 1) * (clump / (1 + clump))), axis=1, out=logs[:, 1:])
    chances: Real = np.exp(logs - shape * np.log1p(clump))
    return chances


def exposures(days: Real, plants: Real) -> Real:
    """Days of a group of a thousand, in steps of a ninth, so that many steps share one kernel."""
    raw = days * plants / 1000
    return np.where(raw > 0, 2 ** (np.round(np.log2(np.maximum(raw, 1e-9)) * 8) / 8), 0.0)


def kernels(rates: Rates, stage: Whole, exposure: Real, width: int) -> tuple[Real, Real, Real]:
    """(n, 2 width) chance of each change of D in n steps, laid out as `Beliefs.moved`; the parts of it that are small
    losses and large losses come apart as the second and third array (the rest are gains)."""
    mean = np.asarray(rates.loss)[stage] * exposure
    both = max(rates.large + rates.gain, 1e-300)
    rare = -np.expm1(-both * exposure)
    large, gain = rare * rates.large / both, rare * rates.gain / both
    tail = _log_uniform(width)
    small_part, large_part = np.zeros((len(stage), 2 * width)), np.zeros((len(stage), 2 * width))
    small_part[:, :width] = (1 - large - gain)[:, None] * loss_chances(mean, rates.clump, width)
    large_part[:, :width] = large[:, None] * tail
    whole = small_part + large_part
    whole[:, width + 1 :] += gain[:, None] * tail[:0:-1]
    return whole, small_part, large_part


def _normal(offset: Real, sd: Real) -> Real:
    """P(a normal of mean 0 rounds to offset)."""
    chance: Real = special.ndtr((offset + 0.5) / sd) - special.ndtr((offset - 0.5) / sd)
    return chance


def near(counted: Real, stood: Real, rates: Rates) -> tuple[Real, Real]:
    """P(written | stood) of near counts, and the part of it that is not in the tail."""
    sd = np.maximum(rates.error * stood, 0.5)
    offset = counted - stood
    core = (1 - rates.tail) * _normal(offset, sd)
    return (core + rates.tail * _normal(offset, 3 * sd) if rates.tail else core), core


def _anything(counted: Real, stood: Real) -> Real:
    """Half evenly up to twice what stands and a thousand, half thinning with the distance."""
    flat = (counted <= 2 * stood + 1000) / (2 * stood + 1001)
    return 0.5 * flat + 0.5 / (2 * (np.abs(counted - stood) + 3) * np.log(1 + stood / 3 + 1))


class _Windows(NamedTuple):
    """Windows (C,) of whole numbers that belong to some number each, as one long table (N,) in which windows of the same
    number that overlap share their entries: what depends on both is worked out once and read off for each window."""

    number: Real
    inside: Real
    begin: Whole
    width: int

    def rows(self, table: Real) -> Real:
        """(C, W) of a table (N,)."""
        found: Real = sliding_window_view(table, self.width)[self.begin]
        return found


def _windows(number: Whole, low: Whole, width: int) -> _Windows:
    """Of windows `low` to `low` + width - 1 of these numbers, all (C,)."""
    if not len(number):
        return _Windows(np.zeros(width), np.zeros(width), number, width)
    order = np.lexsort((low, number))
    n, b = number[order], low[order]
    further = np.diff(b, prepend=0)
    is_new = (np.diff(n, prepend=n[0] - 1) != 0) | (further > width)
    starts = np.where(is_new, width, further)
    starts[0] = 0
    starts = starts.cumsum()
    total = int(starts[-1]) + width
    part = np.repeat(np.flatnonzero(is_new), np.diff(starts[is_new], append=total))
    begin = np.empty_like(starts)
    begin[order] = starts
    return _Windows(n[part].astype(float), (b[part] + np.arange(total) - starts[part]).astype(float), begin, width)


class _Hits(NamedTuple):
    """Slips of the hand that lead from a number inside a window to what was written: which window, where in it, how."""

    window: Whole
    at: Whole
    way: Whole
    chance: Real


def _hits(typed: Whole, written: Whole, lean: Real, base: Whole, width: int, crate_size: int) -> _Hits:
    """Of windows `base` to `base` + width - 1 (C,) in which a number was `written` (C,), made up of what was `typed` (C, N)."""
    count, part = np.nonzero(typed >= 0)
    numbers, which = np.unique(typed[count, part], return_inverse=True)
    found = sources(numbers, crate_size)
    meant = found.stood[which] + (written[count] - typed[count, part])[:, None]
    leans = lean[count, None]
    if leans.any():
        meant = np.rint(meant / (1 + leans)).astype(np.int64)
    at = np.where(found.stood[which] >= 0, meant, -(2**40)) - base[count, None]
    row, s = np.nonzero((at >= 0) & (at < width))
    share = 1 / (typed >= 0).sum(1)[count[row]]
    return _Hits(count[row], at[row, s], found.way[s], found.chance[which[row], s] * share)


def units(crate_size: int) -> tuple[int, int, int]:
    """What counts are rounded to."""
    return 5, 10, crate_size


def rounded_to(chains: Chains, crate_size: int) -> Flags:
    """(G, T, 3) whether all that was typed of each count is a multiple of each of the units."""
    step = np.array(units(crate_size))
    is_multiple = (chains.typed[..., None] % step == 0) | (chains.typed < 0)[..., None]
    is_rounded: Flags = is_multiple.all(2) & (chains.counted > 0)[..., None]
    return is_rounded


def copied(chains: Chains) -> Real:
    """(G, T) P(what was counted | who counted wrote a number they knew): the one shown, the last known, or either."""
    by_shown, by_known = (chains.counted == known for known in (chains.shown, chains.known))
    has_shown, has_known = chains.shown >= 0, chains.known >= 0
    share = np.where(has_shown & has_known, 0.5, 1.0)
    chance: Real = share * (by_shown & has_shown) + share * (by_known & has_known)
    return chance


@dataclass(frozen=True)
class Seen:
    """What a batch has to say that no rate but leans changes: of its C counts the (group, node), the windows of what may have
    stood, the slips that may have led there, where in the window the count itself is (-1 for outside), whether it may be
    rounded to each of the units (C, 3), and the chance of it had it been copied; of its groups' openings the windows and
    slips."""

    group: Whole
    node: Whole
    units: tuple[int, int, int]
    may_be_rounded: Flags
    copied: Real
    windows: _Windows
    hits: _Hits
    at_exact: Whole
    openings: _Windows
    opening_hits: _Hits


def seen(chains: Chains, low: Whole, width: int, crate_size: int) -> Seen:
    """Of a batch of chains whose windows begin at `low` (G,) and have one width."""
    group, node = np.nonzero(chains.counted >= 0)
    freed, base = chains.freed[group, node], low[group] + chains.book[group, node]
    at_exact = freed - base
    made = chains.typed[group, node], chains.counted[group, node], chains.lean[group, node]
    unleaned = chains.opened[:, None], chains.opened, np.zeros(len(low))
    return Seen(
        group=group,
        node=node,
        units=units(crate_size),
        may_be_rounded=rounded_to(chains, crate_size)[group, node],
        copied=copied(chains)[group, node],
        windows=_windows(freed, base, width),
        hits=_hits(*made, base, width, crate_size),
        at_exact=np.where((at_exact >= 0) & (at_exact < width), at_exact, -1),
        openings=_windows(chains.opened, low, width),
        opening_hits=_hits(*unleaned, chains.opened + low, width, crate_size),
    )


class _Chances(NamedTuple):
    """Of each count (C,), before anything is known of what stood: that it is exact, near, rounded to each of the units (C, 3),
    copied, or quite wrong in each way (C, len(WAYS))."""

    exact: Real
    near: Real
    rounded: Real
    copied: Real
    ways: Real


def _chances(chains: Chains, s: Seen, rates: Rates) -> _Chances:
    exact, rounds, copy = (v[s.group, s.node] for v in (chains.exact, chains.rounds, chains.copy))
    copy = copy * ((chains.shown >= 0) | (chains.known >= 0))[s.group, s.node]
    sound = (1 - copy) * (1 - rates.gross)
    rounded = (sound * rounds)[:, None] * np.asarray(rates.units) * s.may_be_rounded
    ways = (1 - copy)[:, None] * rates.gross * np.asarray(rates.ways)
    return _Chances(sound * (1 - rounds) * exact, sound * (1 - rounds) * (1 - exact), rounded, copy * s.copied, ways)


class _Evidence(NamedTuple):
    """Likelihoods of one batch: `likelihood` (C, W) of its counts; tables (N,) of near counts, of those rounded to each of the
    units, and of counts that may be anything; and the chances of each way beforehand."""

    likelihood: Real
    near: Real
    rounded: list[Real]
    anything: Real
    chances: _Chances


def rounded(counted: Real, stood: Real, unit: int, rates: Rates) -> Real:
    """P(written | stood) of counts that are rounded to a unit: half of them exact before, half near."""
    sd, half, off = np.maximum(rates.error * stood, 0.5), unit / 2, np.abs(counted - stood)
    exact = (off < half) + 0.5 * (off == half)
    chance: Real = 0.5 * exact + 0.5 * (special.ndtr((off + half) / sd) - special.ndtr((off - half) / sd))
    return chance


def _evidence(chains: Chains, s: Seen, rates: Rates) -> _Evidence:
    stood = np.maximum(s.windows.inside, 0)
    near_all, _ = near(s.windows.number, stood, rates)
    anything = _anything(s.windows.number, stood)
    c = _chances(chains, s, rates)
    likelihood = s.windows.rows(near_all)
    likelihood *= c.near[:, None]
    likelihood += c.ways[:, ANY, None] * s.windows.rows(anything)
    likelihood += (c.copied + c.ways[:, OTHER] * chains.of_others[s.group, s.node])[:, None]
    tables = [rounded(s.windows.number, stood, unit, rates) for unit in s.units]
    for k, table in enumerate(tables):
        some = np.flatnonzero(c.rounded[:, k])
        likelihood[some] += c.rounded[some, k, None] * s.windows.rows(table)[some]
    inside = np.flatnonzero(s.at_exact >= 0)
    likelihood[inside, s.at_exact[inside]] += c.exact[inside]
    slips = c.ways[s.hits.window, s.hits.way] * s.hits.chance
    np.add.at(likelihood.ravel(), s.hits.window * s.windows.width + s.hits.at, slips)
    return _Evidence(likelihood, near_all, tables, anything, c)


def _lives(alive: Real, stood: Real, rates: Rates) -> Real:
    """P(so many are reported alive | stood), but for a factor: all of it where at least so many stood."""
    sd = np.maximum(rates.error * alive, 0.5)
    chance: Real = (1 - rates.gross) * special.ndtr((stood - alive + 0.5) / sd) + rates.gross / 2
    return chance


def _start(s: Seen, rates: Rates) -> Real:
    """(G, W) P(D at the opening)."""
    offset, hits = s.openings.inside, s.opening_hits
    sd = np.maximum(rates.error * s.openings.number, 1.0)
    thin = s.openings.rows(1 / (np.abs(offset) + 5.0))
    free = s.openings.rows((1 - rates.opening_exact) * (1 - rates.tail) * _normal(offset, sd))
    free += (1 - rates.opening_exact) * rates.tail * (thin / thin.sum(1, keepdims=True))
    slips = OPENING_SLIPS * rates.gross * np.asarray(rates.ways)[hits.way] * hits.chance
    np.add.at(free.ravel(), hits.window * s.openings.width + hits.at, slips)
    free += s.openings.rows(rates.opening_exact * (offset == 0))
    return free


def _shift(values: Real, by: Whole) -> Real:
    """(G, W) values moved to higher indices by `by` (G,), zeros coming in."""
    width = values.shape[1]
    source = np.arange(width) - by[:, None]
    inside = (source >= 0) & (source < width)
    return np.where(inside, np.take_along_axis(values, np.clip(source, 0, width - 1), axis=1), 0.0)


def _scaled(values: Real) -> Real:
    total = values.sum(1, keepdims=True)
    return values / np.where(total > 0, total, 1.0)


@dataclass(frozen=True)
class Steps:
    """The steps of one batch: transformed kernels and, for each (group, step), which of them it takes."""

    chance: Real
    spectrum: NDArray[np.complex128]
    kind: Whole
    jump: Whole
    jump_chance: Real

    def apply(self, values: Real, spectrum: NDArray[np.complex128], t: int, backward: bool) -> Real:
        """`values` (whose transform is given) one step on, or back."""
        kernel = self.spectrum[self.kind[:, t]]
        width = values.shape[1]
        kernel = np.conj(kernel, out=kernel) if backward else kernel
        kernel *= spectrum
        moved: Real = fft.irfft(kernel, 2 * width, axis=1)[:, :width]
        np.maximum(moved, 0, out=moved)
        rows = np.flatnonzero(self.jump_chance[:, t].any(1))
        if not len(rows):
            return moved
        unmoved = moved[rows]
        moved[rows] *= 1 - self.jump_chance[rows, t].sum(1, keepdims=True)
        for k in range(self.jump.shape[2]):
            by = self.jump[rows, t, k] * (-1 if backward else 1)
            moved[rows] += self.jump_chance[rows, t, k, None] * _shift(unmoved, by)
        return moved


def forward_backward(
    start: Real, likelihood: Real, length: Whole, steps: Steps
) -> tuple[Real, Real, Real, NDArray[np.float64]]:
    """Filter, then smooth. Shapes: start (G, W), likelihood (G, T + 1, W), length (G,).

    Returns the filtered beliefs (forward), the smoothed ones, the smoothed ones without each node's own evidence,
    each (G, T + 1, W) and summing to one, and P(step) x evidence (G, T, 2 W): how far D fell in each step.
    """
    groups, nodes, width = likelihood.shape
    ahead = np.empty((groups, nodes, width))
    alone = np.empty_like(ahead)
    spectra = np.empty((groups, nodes, width + 1), dtype=np.complex128)
    alone[:, 0] = _scaled(start)
    ahead[:, 0] = _scaled(start * likelihood[:, 0])
    for t in range(1, nodes):
        fft.rfft(ahead[:, t - 1], 2 * width, axis=1, out=spectra[:, t - 1])
        moved = _scaled(steps.apply(ahead[:, t - 1], spectra[:, t - 1], t - 1, backward=False))
        alone[:, t] = moved
        moved *= likelihood[:, t]
        ahead[:, t] = _where(t <= length, _scaled(moved), ahead[:, t - 1])
    smoothed = ahead.copy()
    falls = np.empty((groups, nodes - 1, 2 * width))
    back = np.ones((groups, width))
    for t in range(nodes - 1, 0, -1):
        runs = t <= length
        without = alone[:, t] * back
        smoothed[:, t] = _where(runs, _scaled(without * likelihood[:, t]), ahead[:, t])
        alone[:, t] = _scaled(without)
        evidence = _scaled(back * likelihood[:, t])
        spectrum = fft.rfft(evidence, 2 * width, axis=1)
        pairs = spectra[:, t - 1]
        pairs *= spectrum.conj()
        fft.irfft(pairs, 2 * width, axis=1, out=falls[:, t - 1])
        back = _where(runs, _scaled(steps.apply(evidence, spectrum, t - 1, backward=True)), back)
    alone[:, 0] = _scaled(alone[:, 0] * back)
    smoothed[:, 0] = _scaled(ahead[:, 0] * back)
    return ahead, smoothed, alone, np.maximum(falls, 0, out=falls)


def _where(is_new: Flags, new: Real, old: Real) -> Real:
    """(G, W) the rows of `new` where it is so (G,), those of `old` elsewhere."""
    return new if is_new.all() else np.where(is_new[:, None], new, old)


def window(chains: Chains, margin: int = 24) -> tuple[Whole, Whole]:
    """(low, width) of each group's window: what its counts and its book allow, less lone counts that both their
    neighbours contradict alike (no state of the group could explain them)."""
    groups, nodes = chains.counted.shape
    runs = np.arange(nodes) < chains.length[:, None]
    made = runs & (chains.counted >= 0)
    # what each count is off the book, in order and without gaps, after the opening's 0
    order = np.argsort(~made, axis=1, kind="stable")
    off = np.zeros((groups, nodes + 2), dtype=np.int64)
    off[:, 1:-1] = np.take_along_axis(np.where(made, chains.freed - chains.book, 0), order, axis=1)
    many = made.sum(1)
    far = np.maximum(40, (0.06 * chains.opened).astype(np.int64))
    before, lowest, highest = np.zeros((3, groups), dtype=np.int64)
    for i in range(1, nodes + 1):
        here, after = off[:, i], off[:, i + 1]
        is_lone = np.minimum(np.abs(here - before), np.abs(here - after)) > far
        is_beyond = (here > np.maximum(before, after)) | (here < np.minimum(before, after))
        before = np.where((i <= many) & ~((i < many) & is_lone & is_beyond), here, before)
        lowest, highest = np.minimum(lowest, before), np.maximum(highest, before)
    is_capped = runs & (chains.ceiling >= 0)
    most = np.where(is_capped, chains.ceiling - chains.book, 0)
    must = np.where(runs, chains.floor - chains.book, 0).max(1, initial=0)
    highest = np.maximum(np.maximum(highest, most.max(1, initial=0)), must)
    lowest = np.minimum(lowest, most.min(1, initial=0))
    lowest = np.maximum(lowest, -np.maximum(np.where(runs, chains.book, 0).max(1, initial=0), chains.opened))
    spread = margin + (0.02 * chains.opened).astype(np.int64)
    # where counts may have been copied they do not say how far it fell
    unseen = np.where((chains.copy > _COPIES) & runs, chains.exposure, 0).sum(1)
    lowest = lowest - (_UNSEEN * unseen).astype(np.int64)
    return lowest - spread, highest - lowest + 2 * spread + 1


def _kinds(chains: Chains, rates: Rates, width: int) -> Kinds:
    keys, of = np.unique(chains.stage + 1j * chains.exposure, return_inverse=True)
    stage, exposure = keys.real.astype(np.int64), keys.imag
    return Kinds(of.reshape(chains.stage.shape), stage, exposure, *kernels(rates, stage, exposure, width))


def believe(chains: Chains, low: Whole, width: int, rates: Rates, crate_size: int, said: Seen | None = None) -> Beliefs:
    """Everything that is believed of a batch of chains whose windows have one width; `said` is what `seen` found in it,
    where that is known already."""
    said = said or seen(chains, low, width, crate_size)
    evidence = _evidence(chains, said, rates)
    likelihood = np.ones((*(chains.counted.shape + np.array([0, 1])), width))
    likelihood[said.group, said.node + 1] = evidence.likelihood
    least = low[:, None] + chains.book
    g, t = np.nonzero((chains.floor > least) | (chains.ceiling >= 0))
    stands, ceiling = least[g, t, None] + np.arange(width), chains.ceiling[g, t, None]
    likelihood[g, t + 1] *= (stands >= chains.floor[g, t, None]) & ((ceiling < 0) | (stands <= ceiling))
    g, t = np.nonzero(chains.alive >= 0)
    stands = least[g, t, None] + np.arange(float(width))
    likelihood[g, t + 1] = likelihood[g, t + 1] * _lives(chains.alive[g, t, None].astype(float), stands.astype(float), rates)
    kinds = _kinds(chains, rates, width)
    # a loss of u takes D down by u: index -u of the cyclic kernel
    cyclic = np.roll(kinds.whole[:, ::-1], 1, axis=1)
    steps = Steps(kinds.whole, fft.rfft(cyclic, axis=1), kinds.of, chains.jump, chains.jump_chance)
    _, state, without, falls = forward_backward(_start(said, rates), likelihood, chains.length, steps)
    ways, written = _explain(chains, said, evidence, without)
    moved, jumped = _changes(steps, falls)
    return Beliefs(low, state, without, ways, moved, jumped, written, kinds)


def _changes(steps: Steps, falls: Real) -> tuple[Real, Real]:
    """Joins what two neighbouring nodes say of a step with what is believed of steps, jumps and all; `falls` are used up."""
    size = falls.shape[2]
    by_jump = np.zeros(steps.jump.shape)
    g, t = np.nonzero(steps.jump_chance.any(2))
    chance, some = steps.chance[steps.kind[g, t]], falls[g, t]
    total = (1 - steps.jump_chance[g, t].sum(1))[:, None] * chance
    for k in range(steps.jump.shape[2]):
        source = (np.arange(size) + steps.jump[g, t, k, None]) % size
        made = steps.jump_chance[g, t, k, None] * np.take_along_axis(chance, source, axis=1)
        total += made
        by_jump[g, t, k] = np.einsum("nw,nw->n", made, some)
    falls *= steps.chance[steps.kind]
    falls[g, t] = total * some
    whole = np.maximum(falls.sum(2, keepdims=True), 1e-300)
    falls /= whole
    return falls, by_jump / whole


def _explain(chains: Chains, s: Seen, e: _Evidence, without: Real) -> tuple[Real, Real]:
    """How each count came about, and how likely it was before it was made."""
    own, c = without[s.group, s.node + 1], e.chances
    rows = np.arange(len(s.group))
    parts = np.zeros((len(rows), SOUND + len(WAYS)))
    parts[:, 0] = np.where(s.at_exact >= 0, own[rows, np.maximum(s.at_exact, 0)], 0) * c.exact
    parts[:, NEAR] = np.einsum("cw,cw->c", own, s.windows.rows(e.near)) * c.near
    for k, table in enumerate(e.rounded):
        some = np.flatnonzero(c.rounded[:, k])
        parts[some, ROUNDED] += c.rounded[some, k] * np.einsum("cw,cw->c", own[some], s.windows.rows(table)[some])
    slips = np.bincount(
        s.hits.window * len(WAYS) + s.hits.way, own[s.hits.window, s.hits.at] * s.hits.chance, len(rows) * len(WAYS)
    )
    ways = parts[:, SOUND:]
    ways[:] = c.ways * slips.reshape(-1, len(WAYS))
    ways[:, SHOWN] = c.copied
    ways[:, OTHER] = c.ways[:, OTHER] * chains.of_others[s.group, s.node]
    ways[:, ANY] = c.ways[:, ANY] * np.einsum("cw,cw->c", own, s.windows.rows(e.anything))
    total = np.maximum(parts.sum(1, keepdims=True), 1e-300)
    explained, written = np.zeros((*chains.counted.shape, parts.shape[1])), np.zeros(chains.counted.shape)
    explained[s.group, s.node] = parts / total
    written[s.group, s.node] = total[:, 0]
    return explained, written


class NearErrors(NamedTuple):
    """Of all near counts of a batch where 50 or more stood: the sum of the squares of their errors as shares of what stood,
    those in the tail taken as a third as far off; how many they are; and how many of them are in the tail."""

    square: float
    near: float
    tail: float


def near_errors(chains: Chains, s: Seen, b: Beliefs, rates: Rates) -> NearErrors:
    """Expected under the beliefs."""
    stood = s.windows.inside
    near_all, core = near(s.windows.number, np.maximum(stood, 0), rates)
    relative = ((s.windows.number - stood) / np.maximum(stood, 1)) ** 2
    own = b.without[s.group, s.node + 1]
    likely = _chances(chains, s, rates).near / b.written[s.group, s.node]
    tables = (core + (near_all - core) / 9) * relative, near_all, near_all - core
    each = (np.einsum("cw,cw->c", own, s.windows.rows(table * (stood >= 50))) for table in tables)
    return NearErrors(*(float(likely @ chance) for chance in each))


def most_probable_path(logs: Real, steps: Real) -> Whole:
    """(T,) the indices of the single most probable path of one chain.

    `logs` (T, W) log-likelihoods of the states at each node, `steps` (T - 1, 2 W) log-chances of each change between
    nodes, laid out as `Beliefs.moved`. A. J. Viterbi, IEEE Trans. Inform. Theory 13 (1967) 260-269.
    """
    nodes, width = logs.shape
    fall = np.arange(width)[:, None] - np.arange(width)
    best, came = logs[0], np.zeros((nodes, width), dtype=np.int64)
    for t in range(1, nodes):
        through = best[:, None] + steps[t - 1][fall % (2 * width)]
        came[t] = through.argmax(0)
        best = through.max(0) + logs[t]
    path = np.empty(nodes, dtype=np.int64)
    path[-1] = best.argmax()
    for t in range(nodes - 1, 0, -1):
        path[t - 1] = came[t, path[t]]
    return path


def widened(chances: Real, sd: Real) -> Real:
    """(G, ..., W) chances over whole numbers with a rounded normal of sd (G,) added to the number; as they are where that is
    less than half a plant."""
    rows = np.flatnonzero(sd >= 0.5)
    if not len(rows):
        return chances
    width = chances.shape[-1]
    offset = np.minimum(np.arange(2 * width), 2 * width - np.arange(2 * width))
    spectrum = fft.rfft(_normal(offset, sd[rows, None]), axis=1)
    some = chances[rows]
    shape = (len(rows), *(1,) * (some.ndim - 2), width + 1)
    added = fft.irfft(fft.rfft(some, 2 * width, axis=-1) * spectrum.reshape(shape), 2 * width, axis=-1)
    wide = np.maximum(added[..., :width], 0)
    found = chances.copy()
    found[rows] = wide / np.maximum(wide.sum(-1, keepdims=True), 1e-300)
    return found


def quantiles(chances: Real, *shares: float) -> list[Whole]:
    """For each share (...,) the least index at which the chances (..., W) add up to it."""
    upto = chances.cumsum(-1)
    return [np.argmax(upto >= share - 1e-12, axis=-1) for share in shares]


def quantile(chances: Real, share: float) -> Whole:
    """(...,) the least index at which the chances (..., W) add up to `share`."""
    return quantiles(chances, share)[0]


def narrowest(chances: Real, share: float) -> tuple[int, int]:
    """The first and the last index of the narrowest run of the chances (W,) that adds up to `share`; of equally narrow
    ones that with the most."""
    upto = np.concatenate([[0.0], chances.cumsum()])
    last = np.searchsorted(upto, upto[:-1] + share - 1e-12)
    width = np.where(last < len(upto), last - np.arange(len(chances)), len(upto))
    narrow = np.flatnonzero(width == width.min())
    first = int(narrow[np.argmax(upto[np.minimum(last[narrow], len(chances))] - upto[narrow])])
    return first, int(min(last[first], len(chances))) - 1
