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
- A count y of x plants is exact with probability (1 - gross) x exact[who]; near, a rounded normal of sd max(error x, 1/2)
  (a share `tail` of them three times as wide), with (1 - gross)(1 - exact[who]); else quite wrong, in one of `WAYS`.

Forward-backward on a window of whole numbers, all groups at once; a step is a convolution, done by FFT. Nodes are
numbered 0 (opening) to T; arrays are padded to the longest chain and steps beyond a chain's own length do nothing.

Forward-backward: L. R. Rabiner, Proc. IEEE 77 (1989) 257-286; S. Russell & P. Norvig, Artificial Intelligence, ch. 14.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import fft, special

from pipeline.formulas.miscounts import ANY, OTHER, SHOWN, WAYS, Real, Sources, Whole, sources

Flags = NDArray[np.bool_]

STAGES = 8
"""How many stages have a loss rate of their own; index 0 is not used."""
_LARGE_FROM, _LARGE_TO = 5, 2000
OPENING_SLIPS = 0.3
"""An opening is written with more care than a count: slips of the hand are so much rarer."""


@dataclass(frozen=True)
class Rates:
    """How a nursery loses and counts. `exact` of a person is given with each count, not here."""

    error: float = 0.005
    """Standard deviation of a near count, as a share of what stands."""
    gross: float = 0.03
    """Chance that a count is quite wrong."""
    ways: tuple[float, ...] = (0.14, 0.14, 0.03, 0.20, 0.13, 0.10, 0.10, 0.16)
    """Shares of the ways of being quite wrong, in the order of WAYS; they sum to 1."""
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
    exact: Real
    """Chance that a count by who counted is exact, given that it is not quite wrong."""
    shown: Whole
    """What the phone showed; -1 where it showed nothing."""
    of_others: Real
    """Chance that `counted` would have been written had another group's plants been counted."""
    jump: Whole
    """(G, T, K) sizes by which D may jump in that step, beside what is lost: 0 is none."""
    jump_chance: Real
    """(G, T, K) chance of each."""

    def take(self, rows: Whole, nodes: int) -> Chains:
        """The chains of these groups, cut to so many nodes."""
        flat = {"length", "opened"}
        return Chains(**{
            name: values[rows] if name in flat else values[rows, :nodes] for name, values in vars(self).items()
        })  # fmt: skip


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
    """(G, T, 2 + len(WAYS)) how each count came about: exact, near, then WAYS."""
    moved: Real = field(repr=False)
    """(G, T, 2 W) P(D fell by u in the step), u = index up to W and index - 2 W beyond: losses, then gains."""
    square: Real = field(repr=False)
    """(G, T) mean square error of a near count as a share of what stands, and its weight in `near_weight`."""
    near_weight: Real = field(repr=False)
    tail_weight: Real = field(repr=False)
    jumped: Real = field(repr=False)
    """(G, T, K) chance that each jump was made."""


def _log_uniform(width: int) -> Real:
    """P(u), u = 0 to width - 1, of a large loss: ~ 1 / (u + 5) up to 2,000 plants."""
    weights = np.zeros(max(width, _LARGE_TO + 1))
    weights[1 : _LARGE_TO + 1] = 1 / (np.arange(1, _LARGE_TO + 1) + _LARGE_FROM)
    chances: Real = (weights / weights.sum())[:width]
    return chances


def loss_chances(mean: Real, clump: float, width: int) -> Real:
    """(len(mean), width) P(u plants lost) for small losses of these means: negative binomial, variance (1 + clump) mean."""
    u = np.arange(width)
    shape = np.maximum(mean, 1e-300)[:, None] / clump
    p = clump / (1 + clump)
    logs = special.gammaln(u + shape) - special.gammaln(shape) - special.gammaln(u + 1) + u * np.log(p) + shape * np.log1p(-p)
    chances: Real = np.exp(logs)
    return chances


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


@dataclass(frozen=True)
class _Evidence:
    """Likelihoods of one batch; every array is over its counts, C of them, at (group, node)."""

    group: Whole
    node: Whole
    likelihood: Real
    near: Real
    core: Real
    anything: Real
    at_exact: Whole
    found: Sources
    at: Whole
    stood: Real


def _evidence(chains: Chains, low: Whole, width: int, rates: Rates, crate_size: int) -> _Evidence:
    group, node = np.nonzero(chains.counted >= 0)
    written, book = chains.counted[group, node], chains.book[group, node]
    base = low[group] + book
    stood = np.maximum(base[:, None] + np.arange(width), 0).astype(np.float64)
    y = written[:, None].astype(np.float64)
    near_all, core = near(y, stood, rates)
    anything = _anything(y, stood)
    found = sources(written, crate_size)
    at = found.stood - base[:, None]
    at = np.where((found.stood >= 0) & (at >= 0) & (at < width), at, -1)
    at_exact = written - base
    at_exact = np.where((at_exact >= 0) & (at_exact < width), at_exact, -1)
    gross = rates.gross * np.asarray(rates.ways)
    exact = chains.exact[group, node]
    independent = gross[SHOWN] * (written == chains.shown[group, node]) + gross[OTHER] * chains.of_others[group, node]
    likelihood = gross[ANY] * anything + independent[:, None] + ((1 - rates.gross) * (1 - exact))[:, None] * near_all
    rows = np.arange(len(written))
    inside = at_exact >= 0
    likelihood[rows[inside], at_exact[inside]] += (1 - rates.gross) * exact[inside]
    c, s = np.nonzero(at >= 0)
    np.add.at(likelihood, (c, at[c, s]), gross[found.way[s]] * found.chance[c, s])
    return _Evidence(group, node, likelihood, near_all, core, anything, at_exact, found, at, stood)


def _start(chains: Chains, low: Whole, width: int, rates: Rates, crate_size: int) -> Real:
    """(G, W) P(D at the opening)."""
    offset = low[:, None] + np.arange(width)
    sd = np.maximum(rates.error * chains.opened, 1.0)[:, None]
    thin = 1 / (np.abs(offset) + 5.0)
    spread = (1 - rates.tail) * _normal(offset.astype(np.float64), sd) + rates.tail * thin / thin.sum(1, keepdims=True)
    free: Real = (1 - rates.opening_exact) * spread
    found = sources(chains.opened, crate_size)
    at = found.stood - chains.opened[:, None] - low[:, None]
    g, s = np.nonzero((found.stood >= 0) & (at >= 0) & (at < width))
    np.add.at(free, (g, at[g, s]), OPENING_SLIPS * rates.gross * np.asarray(rates.ways)[found.way[s]] * found.chance[g, s])
    free[offset == 0] += rates.opening_exact
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
        moved = fft.irfft(spectrum * (kernel.conj() if backward else kernel), 2 * width, axis=1)[:, :width]
        result: Real = (1 - self.jump_chance[:, t].sum(1, keepdims=True)) * np.maximum(moved, 0)
        for k in range(self.jump.shape[2]):
            chance = self.jump_chance[:, t, k]
            rows = np.flatnonzero(chance > 0)
            if len(rows):
                by = self.jump[rows, t, k] * (-1 if backward else 1)
                shifted = _shift(np.maximum(moved[rows], 0), by)
                result[rows] += chance[rows, None] * shifted
        return result


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
        spectra[:, t - 1] = fft.rfft(ahead[:, t - 1], 2 * width, axis=1)
        moved = _scaled(steps.apply(ahead[:, t - 1], spectra[:, t - 1], t - 1, backward=False))
        runs = (t <= length)[:, None]
        alone[:, t] = moved
        ahead[:, t] = np.where(runs, _scaled(moved * likelihood[:, t]), ahead[:, t - 1])
    smoothed = ahead.copy()
    falls = np.zeros((groups, nodes - 1, 2 * width))
    back = np.ones((groups, width))
    for t in range(nodes - 1, 0, -1):
        runs = (t <= length)[:, None]
        without = alone[:, t] * back
        smoothed[:, t] = np.where(runs, _scaled(without * likelihood[:, t]), ahead[:, t])
        alone[:, t] = _scaled(without)
        evidence = _scaled(back * likelihood[:, t])
        spectrum = fft.rfft(evidence, 2 * width, axis=1)
        pairs = np.maximum(fft.irfft(spectra[:, t - 1] * spectrum.conj(), 2 * width, axis=1), 0)
        falls[:, t - 1] = pairs
        back = np.where(runs, _scaled(steps.apply(evidence, spectrum, t - 1, backward=True)), back)
    alone[:, 0] = _scaled(alone[:, 0] * back)
    smoothed[:, 0] = _scaled(ahead[:, 0] * back)
    return ahead, smoothed, alone, falls


def window(chains: Chains, margin: int = 24) -> tuple[Whole, Whole]:
    """(low, width) of each group's window: what its counts and its book allow, less lone counts that both their
    neighbours contradict alike (no state of the group could explain them)."""
    low, width = np.empty(len(chains.length), dtype=np.int64), np.empty(len(chains.length), dtype=np.int64)
    for g, length in enumerate(chains.length):
        counted, book = chains.counted[g, :length], chains.book[g, :length]
        made = counted >= 0
        off = [0, *(counted[made] - book[made]).tolist()]
        far = max(40, int(0.06 * chains.opened[g]))
        kept = [0]
        for i in range(1, len(off)):
            before, after = kept[-1], off[i + 1] if i + 1 < len(off) else None
            lone = after is not None and min(abs(off[i] - before), abs(off[i] - after)) > far
            if not (lone and after is not None and (off[i] > max(before, after) or off[i] < min(before, after))):
                kept.append(off[i])
        must = (chains.floor[g, :length] - book).max(initial=0)
        ceiling = chains.ceiling[g, :length]
        kept += (ceiling - book)[ceiling >= 0].tolist()
        spread = margin + int(0.02 * chains.opened[g])
        lowest = max(min(kept), -int(max(book.max(initial=0), chains.opened[g]))) - spread
        highest = max(*kept, int(must)) + spread
        low[g] = lowest
        width[g] = highest - lowest + 1
    return low, width


def _steps(chains: Chains, rates: Rates, width: int) -> Steps:
    keys, kind = np.unique(chains.stage + 1j * chains.exposure, return_inverse=True)
    whole, _, _ = kernels(rates, keys.real.astype(np.int64), keys.imag, width)
    # a loss of u takes D down by u: index -u of the cyclic kernel
    cyclic = np.roll(whole[:, ::-1], 1, axis=1)
    return Steps(whole, fft.rfft(cyclic, axis=1), kind.reshape(chains.stage.shape), chains.jump, chains.jump_chance)


def believe(chains: Chains, low: Whole, width: int, rates: Rates, crate_size: int) -> Beliefs:
    """Everything that is believed of a batch of chains whose windows have one width."""
    groups, nodes = chains.counted.shape
    evidence = _evidence(chains, low, width, rates, crate_size)
    likelihood = np.ones((groups, nodes + 1, width))
    likelihood[evidence.group, evidence.node + 1] = evidence.likelihood
    stands = low[:, None, None] + chains.book[:, :, None] + np.arange(width)
    ceiling = chains.ceiling[:, :, None]
    likelihood[:, 1:] *= (stands >= chains.floor[:, :, None]) & ((ceiling < 0) | (stands <= ceiling))
    steps = _steps(chains, rates, width)
    _, state, without, falls = forward_backward(_start(chains, low, width, rates, crate_size), likelihood, chains.length, steps)
    ways, square, weight, tail = _explain(chains, evidence, without, rates)
    moved, jumped = _changes(steps, falls)
    return Beliefs(low, state, without, ways, moved, square, weight, tail, jumped)


def _changes(steps: Steps, falls: Real) -> tuple[Real, Real]:
    """Joins what two neighbouring nodes say of a step with what is believed of steps, jumps and all."""
    chance = steps.chance[steps.kind]
    size = falls.shape[2]
    total = (1 - steps.jump_chance.sum(2))[..., None] * chance
    by_jump = np.zeros(steps.jump.shape)
    for k in range(steps.jump.shape[2]):
        g, t = np.nonzero(steps.jump_chance[:, :, k] > 0)
        if len(g):
            by = steps.jump[g, t, k]
            source = (np.arange(size) + by[:, None]) % size
            made = steps.jump_chance[g, t, k, None] * np.take_along_axis(chance[g, t], source, axis=1)
            total[g, t] += made
            by_jump[g, t, k] = (made * falls[g, t]).sum(1)
    joint = total * falls
    whole = np.maximum(joint.sum(2, keepdims=True), 1e-300)
    return joint / whole, by_jump / whole


def _explain(chains: Chains, e: _Evidence, without: Real, rates: Rates) -> tuple[Real, Real, Real, Real]:
    groups, nodes = chains.counted.shape
    own = without[e.group, e.node + 1]
    rows = np.arange(len(e.group))
    exact = chains.exact[e.group, e.node]
    gross = rates.gross * np.asarray(rates.ways)
    parts = np.zeros((len(rows), 2 + len(WAYS)))
    parts[:, 0] = np.where(e.at_exact >= 0, own[rows, np.maximum(e.at_exact, 0)], 0) * (1 - rates.gross) * exact
    parts[:, 1] = (own * e.near).sum(1) * (1 - rates.gross) * (1 - exact)
    hit = np.where(e.at >= 0, np.take_along_axis(own, np.maximum(e.at, 0), axis=1), 0) * e.found.chance
    for way in range(SHOWN):
        parts[:, 2 + way] = gross[way] * hit[:, e.found.way == way].sum(1)
    parts[:, 2 + SHOWN] = gross[SHOWN] * (chains.counted == chains.shown)[e.group, e.node]
    parts[:, 2 + OTHER] = gross[OTHER] * chains.of_others[e.group, e.node]
    parts[:, 2 + ANY] = gross[ANY] * (own * e.anything).sum(1)
    total = np.maximum(parts.sum(1, keepdims=True), 1e-300)
    ways = np.zeros((groups, nodes, parts.shape[1]))
    ways[e.group, e.node] = parts / total
    likely = own * ((1 - rates.gross) * (1 - exact))[:, None] / total * (e.stood >= 50)
    relative = ((chains.counted[e.group, e.node][:, None] - e.stood) / np.maximum(e.stood, 1)) ** 2
    square, weight, tail = np.zeros((3, groups, nodes))
    square[e.group, e.node] = (likely * (e.core + (e.near - e.core) / 9) * relative).sum(1)
    weight[e.group, e.node] = (likely * e.near).sum(1)
    tail[e.group, e.node] = (likely * (e.near - e.core)).sum(1)
    return ways, square, weight, tail


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


def quantile(chances: Real, share: float) -> Whole:
    """(...,) the least index at which the chances (..., W) add up to `share`."""
    whole: Whole = np.argmax(chances.cumsum(-1) >= share - 1e-12, axis=-1)
    return whole


def narrowest(chances: Real, share: float) -> tuple[int, int]:
    """The first and the last index of the narrowest run of the chances (W,) that adds up to `share`; of equally narrow
    ones that with the most."""
    upto = np.concatenate([[0.0], chances.cumsum()])
    last = np.searchsorted(upto, upto[:-1] + share - 1e-12)
    width = np.where(last < len(upto), last - np.arange(len(chances)), len(upto))
    narrow = np.flatnonzero(width == width.min())
    first = int(narrow[np.argmax(upto[np.minimum(last[narrow], len(chances))] - upto[narrow])])
    return first, int(min(last[first], len(chances))) - 1
