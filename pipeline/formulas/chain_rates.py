"""How a nursery counts and loses plants, learned from its own chains by expectation and maximisation.

Priors stand for so many counts, groups or plant-days of common practice, so that ten groups are enough to begin with
and ten thousand are not held back. A. P. Dempster, N. M. Laird & D. B. Rubin, JRSS B 39 (1977) 1-38.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from pipeline.formulas.count_chain import STAGES, Beliefs, Chains, Flags, Rates, Seen, believe, near_errors, seen, window
from pipeline.formulas.miscounts import WAYS, Real, Whole

WIDTHS = tuple(int(2**k * m) for k in range(5, 20) for m in (1, 1.5))
_CELLS = 1_500_000
EXACT = 0.7
"""Share of exact counts before anything is known of a nursery."""


class Prior(NamedTuple):
    """How many counts (or groups, or days of a group of a thousand) each prior is worth."""

    exact: float = 10.0
    staff: float = 12.0
    error: float = 8.0
    gross: float = 60.0
    ways: float = 25.0
    loss: float = 400.0
    stage: float = 2000.0
    large: float = 20000.0
    gain: float = 60000.0
    opening: float = 20.0
    tail: float = 20.0


@dataclass(frozen=True)
class Learned:
    """Rates of the nursery; `exact` (S,) the chance of an exact count of each person, `common` that of the nursery."""

    rates: Rates
    exact: Real
    common: float


class Batch(NamedTuple):
    """Rows of the chains that are worked on together, and their window."""

    rows: Whole
    chains: Chains
    low: Whole
    width: int


def batches(chains: Chains) -> Iterator[Batch]:
    """The chains in batches of like width and length, small enough for the memory."""
    low, width = window(chains)
    classes = np.searchsorted(np.array(WIDTHS), width)
    order = np.lexsort((np.arange(len(low)), chains.length, classes))
    begin = 0
    while begin < len(order):
        size = WIDTHS[classes[order[begin]]]
        end = begin
        while end < len(order) and WIDTHS[classes[order[end]]] == size:
            nodes = int(chains.length[order[end]])
            if end > begin and (end - begin + 1) * (nodes + 1) * size > _CELLS:
                break
            end += 1
        rows = order[begin:end]
        # the window is widened downwards and upwards alike to the width of its class
        yield Batch(
            rows, chains.take(rows, max(1, int(chains.length[rows].max()))), low[rows] - (size - width[rows]) // 2, size
        )
        begin = end


class _Sums:
    """What expectation adds up over the batches of one round."""

    def __init__(self, staff: int) -> None:
        self.exact, self.near = np.zeros(staff), np.zeros(staff)
        self.ways = np.zeros(len(WAYS))
        self.square = self.weight = self.tail = 0.0
        self.lost, self.exposed = np.zeros(STAGES), np.zeros(STAGES)
        self.seen: dict[tuple[int, float], Real] = {}
        self.large = self.gain = self.days = 0.0
        self.opening_exact = self.opening = 0.0

    def add(self, batch: Batch, people: Whole, said: Seen, b: Beliefs, rates: Rates) -> None:
        chains, width = batch.chains, batch.width
        g, t, k = np.nonzero((people >= 0) & (chains.counted >= 0)[..., None])
        share = 1 / np.maximum((people >= 0).sum(2), 1)[g, t]
        self.exact += np.bincount(people[g, t, k], b.ways[g, t, 0] * share, len(self.exact))
        self.near += np.bincount(people[g, t, k], b.ways[g, t, 1] * share, len(self.near))
        self.ways += b.ways[..., 2:].sum((0, 1))
        errors = near_errors(chains, said, b, rates)
        self.square, self.weight, self.tail = self.square + errors.square, self.weight + errors.near, self.tail + errors.tail
        self._add_losses(b, np.arange(chains.counted.shape[1]) < chains.length[:, None], width)
        at = -batch.low
        inside = (at >= 0) & (at < width)
        offset = np.abs(batch.low[:, None] + np.arange(width))
        close = offset <= 4 * np.maximum(rates.error * chains.opened, 1.0)[:, None]
        self.opening += (b.state[:, 0] * close).sum()
        self.opening_exact += b.state[np.flatnonzero(inside), 0, at[inside]].sum()

    def _add_losses(self, b: Beliefs, runs: Flags, width: int) -> None:
        stage, exposure, small, large = b.kinds.stage, b.kinds.exposure, b.kinds.small, b.kinds.large
        kind = b.kinds.of[runs]
        order = np.argsort(kind, kind="stable")
        used, begin, times = np.unique(kind[order], return_index=True, return_counts=True)
        moved = np.zeros(small.shape)
        moved[used] = np.add.reduceat(b.moved[tuple(v[order] for v in np.nonzero(runs))], begin, axis=0)
        whole = np.maximum(b.kinds.whole, 1e-300)
        few, many = moved * small / whole, moved * large / whole
        self.large += many.sum()
        self.gain += (moved - few - many)[:, width + 1 :].sum()
        self.days += (times * exposure[used]).sum()
        for i in used.tolist():
            key = (int(stage[i]), float(exposure[i]))
            seen = self.seen.setdefault(key, np.zeros(1))
            if len(seen) < width:
                self.seen[key] = seen = np.pad(seen, (0, width - len(seen)))
            seen[:width] += few[i, :width]
        self.lost += np.bincount(stage, few[:, :width] @ np.arange(width), STAGES)
        self.exposed += np.bincount(stage, few.sum(1) * exposure, STAGES)


def _clump(sums: _Sums, loss: Real) -> float:
    """The clumping of losses under which what was seen is most likely, its prior a log-normal about 2: where the slope over
    its logarithm is 0, by halving. Of a negative binomial the likelihood is a sum of the logs of shape + k, each as often as
    more than k were lost."""
    keys = [key for key in sums.seen if key[1] > 0]
    if not keys:
        return Rates.clump
    top = max(int(np.flatnonzero(sums.seen[key] > 1e-6).max(initial=0)) for key in keys) + 1
    seen = np.array([np.pad(sums.seen[key], (0, max(0, top - len(sums.seen[key]))))[:top] for key in keys])
    mean = np.array([max(loss[stage] * exposure, 1e-300) for stage, exposure in keys])
    beyond = seen[:, :0:-1].cumsum(1)[:, ::-1]
    total, lost, k = float(seen.sum(1) @ mean), float(beyond.sum()), np.arange(top - 1)

    def rises(log_clump: float) -> bool:
        clump = math.exp(log_clump)
        shape = (mean / clump)[:, None]
        by_count = lost / (1 + clump) - float((beyond * (shape / (shape + k))).sum())
        by_total = total / clump * (math.log1p(clump) - clump / (1 + clump))
        return by_count + by_total - 4.0 * (log_clump - math.log(Rates.clump)) > 0

    low, high = math.log(0.05), math.log(60.0)
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if rises(middle) else (low, middle)
    return math.exp((low + high) / 2)


def _maximise(sums: _Sums, start: Rates, prior: Prior) -> Learned:
    exact, near, gross = sums.exact.sum(), sums.near.sum(), sums.ways.sum()
    common = (exact + prior.exact * EXACT) / (exact + near + prior.exact)
    each = (sums.exact + prior.staff * common) / (sums.exact + sums.near + prior.staff)
    loss = (sums.lost.sum() + prior.loss * start.loss[0]) / (sums.exposed.sum() + prior.loss)
    losses = (sums.lost + prior.stage * loss) / (sums.exposed + prior.stage)
    shares = sums.ways + prior.ways * np.array(start.ways)
    return Learned(
        Rates(
            error=float(np.sqrt((sums.square + prior.error * start.error**2) / (sums.weight + prior.error))),
            gross=(gross + prior.gross * start.gross) / (gross + exact + near + prior.gross),
            ways=tuple((shares / shares.sum()).tolist()),
            loss=tuple(losses.tolist()),
            clump=_clump(sums, losses),
            large=(sums.large + prior.large * start.large) / (sums.days + prior.large),
            gain=(sums.gain + prior.gain * start.gain) / (sums.days + prior.gain),
            opening_exact=(sums.opening_exact + prior.opening * start.opening_exact) / (sums.opening + prior.opening),
            tail=(sums.tail + prior.tail * start.tail) / (sums.weight + prior.tail),
        ),
        each,
        common,
    )


def with_exact(chains: Chains, who: Whole, exact: Real, common: float) -> Chains:
    """The chains with the chance of an exact count: the mean over who counted (G, T, P; -1 for nobody)."""
    known = who >= 0
    each = np.where(known, exact[np.maximum(who, 0)] if len(exact) else common, 0.0).sum(2)
    return replace(chains, exact=np.where(known.any(2), each / np.maximum(known.sum(2), 1), common))


def round_off(learned: Learned) -> Learned:
    """To two figures: a rate is known no better, and stays the same when a few more counts come in."""

    def two(value: float) -> float:
        return float(f"{value:.2g}")

    r = learned.rates
    rates = Rates(
        error=two(r.error),
        gross=two(r.gross),
        ways=tuple(two(w) for w in r.ways),
        loss=tuple(two(x) for x in r.loss),
        clump=two(r.clump),
        large=two(r.large),
        gain=two(r.gain),
        opening_exact=1 - two(1 - r.opening_exact),
        tail=two(r.tail),
    )
    exact = np.array([1 - two(1 - x) for x in learned.exact])
    return Learned(rates, exact, 1 - two(1 - learned.common))


def fixed(learned: Learned, given: dict[str, float]) -> Learned:
    """The learned rates with those that the nursery has fixed: exact, error, gross, loss, large, gain."""
    r = learned.rates
    rates = replace(
        r,
        error=given.get("error", r.error),
        gross=given.get("gross", r.gross),
        large=given.get("large", r.large),
        gain=given.get("gain", r.gain),
        loss=(given["loss"],) * STAGES if "loss" in given else r.loss,
    )
    if "exact" in given:
        return Learned(rates, np.full_like(learned.exact, given["exact"]), given["exact"])
    return Learned(rates, learned.exact, learned.common)


def learn(
    chains: Chains, who: Whole, staff: int, crate_size: int, given: dict[str, float], rounds: int = 6, prior: Prior = Prior()
) -> Learned:
    """Rates from chains of G groups; `who` (G, T, P) says who counted, as numbers below `staff`, -1 for nobody.

    `given` fixes some of them. Raises nothing: with no counts at all the priors come out.
    """
    start = Rates()
    learned = fixed(Learned(start, np.full(staff, EXACT), EXACT), given)
    of_batches = [(batch, seen(batch.chains, batch.low, batch.width, crate_size)) for batch in batches(chains)]
    for _ in range(rounds):
        sums = _Sums(staff)
        for batch, said in of_batches:
            people = who[batch.rows, : batch.chains.counted.shape[1]]
            now = batch._replace(chains=with_exact(batch.chains, people, learned.exact, learned.common))
            sums.add(now, people, said, believe(now.chains, now.low, now.width, learned.rates, crate_size, said), learned.rates)
        learned = fixed(_maximise(sums, start, prior), given)
    return round_off(learned)
