"""How a nursery counts and loses plants, learned from its own chains by expectation and maximisation.

Priors stand for so many counts, groups or plant-days of common practice, so that ten groups are enough to begin with
and ten thousand are not held back. A. P. Dempster, N. M. Laird & D. B. Rubin, JRSS B 39 (1977) 1-38.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np

from pipeline.formulas.count_chain import (
    NEAR,
    ROUNDED,
    SOUND,
    STAGES,
    Beliefs,
    Chains,
    Flags,
    Rates,
    Seen,
    believe,
    near_errors,
    rounded_to,
    seen,
    window,
)
from pipeline.formulas.miscounts import SHOWN, WAYS, Real, Whole
from pipeline.formulas.people import COPY, EXACT, ROUNDS, SUSPECT, Common, People, first_guess, shares, unknown, with_people

WIDTHS = tuple(int(2**k * m) for k in range(5, 20) for m in (1, 1.5))
_CELLS = 1_500_000


class Prior(NamedTuple):
    """How many counts (or groups, or days of a group of a thousand) each prior is worth."""

    exact: float = 10.0
    staff: float = 12.0
    rounds: float = 20.0
    rounder: float = 6.0
    units: float = 10.0
    copier: float = 8.0
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
    """Rates of the nursery, of each person who counts, and of anybody else."""

    rates: Rates
    people: People
    common: Common


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
        self.staff = staff
        self.exact, self.near, self.rounded, self.copied, self.asked = np.zeros((5, staff))
        self.ways, self.units = np.zeros(len(WAYS)), np.zeros(3)
        self.square = self.weight = self.tail = 0.0
        self.lost, self.exposed = np.zeros(STAGES), np.zeros(STAGES)
        self.seen: dict[tuple[int, float], Real] = {}
        self.large = self.gain = self.days = 0.0
        self.opening_exact = self.opening = 0.0

    def add(self, batch: Batch, people: Whole, said: Seen, b: Beliefs, rates: Rates, crate_size: int) -> None:
        chains, width = batch.chains, batch.width
        made = np.where((chains.counted >= 0)[..., None], people, -1)
        asked = np.where(((chains.shown >= 0) | (chains.known >= 0))[..., None], made, -1)
        self.exact += shares(b.ways[..., 0], made, self.staff)[0]
        self.near += shares(b.ways[..., NEAR], made, self.staff)[0]
        self.rounded += shares(b.ways[..., ROUNDED], made, self.staff)[0]
        copied, many = shares(b.ways[..., SOUND + SHOWN], asked, self.staff)
        self.copied, self.asked = self.copied + copied, self.asked + many
        self.ways += b.ways[..., SOUND:].sum((0, 1))
        may_be = rounded_to(chains, crate_size) * np.asarray(rates.units)
        self.units += (b.ways[..., ROUNDED, None] * may_be / np.maximum(may_be.sum(2, keepdims=True), 1e-300)).sum((0, 1))
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


def _maximise(sums: _Sums, first: Learned, prior: Prior) -> Learned:
    start = first.rates
    exact, near, rounded = sums.exact.sum(), sums.near.sum(), sums.rounded.sum()
    ways = np.where(np.arange(len(WAYS)) == SHOWN, 0.0, sums.ways)
    gross = ways.sum()
    common = Common(
        exact=(exact + prior.exact * EXACT) / (exact + near + prior.exact),
        rounds=(rounded + prior.rounds * ROUNDS) / (exact + near + rounded + prior.rounds),
        open_lean=first.common.open_lean,
    )
    copy = (sums.copied + prior.copier * COPY) / (sums.asked + prior.copier)
    people = replace(
        first.people,
        exact=(sums.exact + prior.staff * common.exact) / (sums.exact + sums.near + prior.staff),
        rounds=(sums.rounded + prior.rounder * common.rounds) / (sums.exact + sums.near + sums.rounded + prior.rounder),
        copy=np.where((first.people.copy >= SUSPECT) & (copy >= SUSPECT), copy, COPY),
    )
    loss = (sums.lost.sum() + prior.loss * start.loss[0]) / (sums.exposed.sum() + prior.loss)
    losses = (sums.lost + prior.stage * loss) / (sums.exposed + prior.stage)
    by_way = ways + prior.ways * np.array(start.ways)
    units = sums.units + prior.units * np.array(start.units)
    return Learned(
        Rates(
            error=float(np.sqrt((sums.square + prior.error * start.error**2) / (sums.weight + prior.error))),
            gross=(gross + prior.gross * start.gross) / (gross + exact + near + rounded + prior.gross),
            ways=tuple((by_way / by_way.sum()).tolist()),
            units=tuple((units / units.sum()).tolist()),
            loss=tuple(losses.tolist()),
            clump=_clump(sums, losses),
            large=(sums.large + prior.large * start.large) / (sums.days + prior.large),
            gain=(sums.gain + prior.gain * start.gain) / (sums.days + prior.gain),
            opening_exact=(sums.opening_exact + prior.opening * start.opening_exact) / (sums.opening + prior.opening),
            tail=(sums.tail + prior.tail * start.tail) / (sums.weight + prior.tail),
        ),
        people,
        common,
    )


def round_off(learned: Learned) -> Learned:
    """To two figures: a rate is known no better, and stays the same when a few more counts come in."""

    def two(value: float) -> float:
        return float(f"{value:.2g}")

    def kept(name: str, value: float) -> float:
        return 1 - two(1 - value) if name == "exact" else two(value)

    rates: dict[str, Any] = {k: tuple(map(two, v)) if isinstance(v, tuple) else two(v) for k, v in vars(learned.rates).items()}
    rates["opening_exact"] = 1 - two(1 - learned.rates.opening_exact)
    people = {k: np.array([kept(k, x) for x in v.tolist()]) for k, v in vars(learned.people).items()}
    common = Common(**{k: kept(k, v) for k, v in learned.common._asdict().items()})
    return Learned(Rates(**rates), People(**people), common)


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
    if "exact" not in given:
        return Learned(rates, learned.people, learned.common)
    people = replace(learned.people, exact=np.full_like(learned.people.exact, given["exact"]))
    return Learned(rates, people, learned.common._replace(exact=given["exact"]))


def learn(
    chains: Chains, who: Whole, staff: int, crate_size: int, given: dict[str, float], rounds: int = 6, prior: Prior = Prior()
) -> Learned:
    """Rates from chains of G groups; `who` (G, T, P) says who counted, as numbers below `staff`, -1 for nobody.

    `given` fixes some of them. Raises nothing: with no counts at all the priors come out.
    """
    guess = first_guess(chains, who, staff, crate_size) if staff else (unknown(0), Common())
    first = learned = fixed(Learned(Rates(), *guess), given)
    chains = with_people(chains, who, *guess)
    of_batches = [(batch, seen(batch.chains, batch.low, batch.width, crate_size)) for batch in batches(chains)]
    for _ in range(rounds):
        sums = _Sums(staff)
        for batch, said in of_batches:
            by = who[batch.rows, : batch.chains.counted.shape[1]]
            now = batch._replace(chains=with_people(batch.chains, by, learned.people, learned.common))
            beliefs = believe(now.chains, now.low, now.width, learned.rates, crate_size, said)
            sums.add(now, by, said, beliefs, learned.rates, crate_size)
        learned = fixed(_maximise(sums, first, prior), given)
    return round_off(learned)
