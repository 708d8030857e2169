"""The chain of counts against enumeration by hand, and in the limits where the answer is known otherwise."""

from __future__ import annotations

import functools
import itertools
import math
import os
from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize, stats

from pipeline.formulas.chain_rates import batches, fixed, learn
from pipeline.formulas.count_chain import (
    OPENING_SLIPS,
    SOUND,
    STAGES,
    Chains,
    Rates,
    believe,
    kernels,
    loss_chances,
    near,
    quantile,
    quantiles,
    rounded,
)
from pipeline.formulas.miscounts import ANY, OTHER, WAYS, sources
from pipeline.formulas.people import with_people

NO_LOSS = replace(Rates(), loss=(1e-12,) * STAGES, large=0.0, gain=0.0)


def chain(
    opened: int, counted: list[int], book: list[int] | None = None, days: float = 30.0, exact: float = 0.7, **more: object
) -> Chains:
    """One group of a thousand with these counts, every `days` days."""
    n = len(counted)
    filled = {
        "length": np.array([n]),
        "opened": np.array([opened]),
        "open_lean": np.zeros(1),
        "counted": np.array([counted]),
        "typed": np.array([counted])[..., None],
        "rounds": np.zeros((1, n)),
        "copy": np.zeros((1, n)),
        "lean": np.zeros((1, n)),
        "known": np.full((1, n), -1),
        "alive": np.full((1, n), -1),
        "book": np.array([book or [opened] * n]),
        "floor": np.zeros((1, n), int),
        "ceiling": np.full((1, n), -1),
        "exposure": np.full((1, n), days),
        "stage": np.ones((1, n), int),
        "exact": np.full((1, n), exact),
        "shown": np.full((1, n), -1),
        "of_others": np.zeros((1, n)),
        "jump": np.zeros((1, n, 0), int),
        "jump_chance": np.zeros((1, n, 0)),
    }
    return Chains(**(filled | {k: np.array([v]) for k, v in more.items()}))  # type: ignore[arg-type]


def written_chance(
    typed: list[int],
    x: int,
    exact: float,
    rates: Rates,
    rounds: float,
    copy: float,
    lean: float,
    known: set[int],
    of_others: float,
) -> float:
    """P(these numbers are typed | x stand), one number at a time; the chance of what is known."""
    y = sum(typed)
    gross = rates.gross * np.array(rates.ways)
    slips = 0.0
    for part in typed:
        found = sources(np.array([part]), 20)
        for s, c, w in zip(found.stood[0].tolist(), found.chance[0].tolist(), found.way.tolist(), strict=True):
            if s >= 0 and round((s + y - part) / (1 + lean)) == x:
                slips += gross[w] * c / len(typed)
    free = round(y / (1 + lean))
    spread = (free <= 2 * x + 1000) / (2 * x + 1001) / 2 + 0.5 / (2 * (abs(free - x) + 3) * np.log(1 + x / 3 + 1))
    one, stood = np.array([float(free)]), np.array([float(x)])
    sound = (1 - rounds) * (exact * (x == free) + (1 - exact) * near(one, stood, rates)[0][0])
    for unit, share in zip((5, 10, 20), rates.units, strict=True):
        if y > 0 and all(part % unit == 0 for part in typed):
            sound += rounds * share * rounded(one, stood, unit, rates)[0]
    wrong = slips + gross[OTHER] * of_others + gross[ANY] * spread
    copies = copy if known else 0.0
    return float((1 - copies) * ((1 - rates.gross) * sound + wrong) + copies * (y in known) / max(1, len(known)))


def lives(alive: int, x: int, rates: Rates) -> float:
    """P(so many are reported alive | x stand), but for a factor."""
    return float((1 - rates.gross) * stats.norm.cdf((x - alive + 0.5) / max(rates.error * alive, 0.5)) + rates.gross / 2)


TINY: list[tuple[list[int], list[int], dict[str, object]]] = [
    ([10, 9, 9], [10, 10, 10], {}),
    ([10, 4, 9], [10, 10, 10], {"shown": [-1, 4, 9], "copy": [0.1, 0.3, 0.5], "of_others": [0.0, 0.2, 0.0]}),
    ([10, 7, 9], [10, 10, 10], {"shown": [-1, 9, 8], "known": [10, 7, 9], "copy": [0.1, 0.3, 0.5]}),
    ([10, 5, 10], [10, 10, 10], {"rounds": [0.3, 0.8, 0.5]}),
    ([10, 9, 9], [10, 10, 10], {"typed": [[10, -1], [4, 5], [9, 0]], "lean": [0.0, -0.1, 0.0]}),
    ([12, -1, 5], [12, 10, 8], {"alive": [-1, 9, -1]}),
    ([12, 7, 7], [12, 8, 8], {"floor": [4, 0, 6]}),
    ([12, -1, 5], [12, 8, 8], {}),
    ([12, -1, 5], [12, 8, 8], {"ceiling": [-1, 6, -1]}),
    ([10, 7, 7], [10, 10, 10], {"jump": [[0, 0], [-3, 2], [0, 0]], "jump_chance": [[0, 0], [0.1, 0.05], [0, 0]]}),
]


@pytest.mark.parametrize(("counted", "book", "more"), TINY if os.environ.get("CI") else TINY[3:6])
def test_a_tiny_chain_is_as_enumerated(counted: list[int], book: list[int], more: dict[str, object]) -> None:
    rates, opened, low, width = Rates(loss=(0.05,) * STAGES, large=0.003, gain=0.002), counted[0], -12, 24
    c = chain(opened, counted, book, exact=0.6, **more)
    whole, _, _ = kernels(rates, np.array([1]), np.array([30.0]), width)
    jumps = list(zip(c.jump[0].tolist(), c.jump_chance[0].tolist(), strict=True))

    def step(t: int, before: int, after: int) -> float:
        fall = before - after
        base = 1 - sum(jumps[t][1])
        parts = [(0, base), *zip(*jumps[t], strict=True)]
        return sum(chance * whole[0, fall + by] for by, chance in parts if -width < fall + by < width)

    @functools.cache
    def seen(t: int, n: int) -> float:
        chance = 1.0
        if counted[t] >= 0:
            typed = [int(v) for v in c.typed[0, t] if v >= 0]
            known = {int(v[0, t]) for v in (c.shown, c.known) if v[0, t] >= 0}
            chances = (float(v[0, t]) for v in (c.rounds, c.copy, c.lean))
            chance = written_chance(typed, n, 0.6, rates, *chances, known, float(c.of_others[0, t]))
        return chance * lives(int(c.alive[0, t]), n, rates) if c.alive[0, t] >= 0 else chance

    sd = max(rates.error * opened, 1.0)
    thin = {d: 1 / (abs(d) + 5) for d in range(low, low + width)}
    all_thin, start = sum(thin.values()), {}
    for d in thin:
        near_by = stats.norm.cdf((d + 0.5) / sd) - stats.norm.cdf((d - 0.5) / sd)
        inexact = (1 - rates.tail) * near_by + rates.tail * thin[d] / all_thin
        start[d] = (1 - rates.opening_exact) * inexact + rates.opening_exact * (d == 0)
    found = sources(np.array([opened]), 20)
    for x, chance, way in zip(found.stood[0], found.chance[0], found.way, strict=True):
        if x >= 0 and x - opened in start:
            start[int(x) - opened] += OPENING_SLIPS * rates.gross * rates.ways[way] * chance
    totals = np.zeros((4, width))
    for path in itertools.product(range(low, low + width), repeat=3):
        stood = [b + d for b, d in zip(book, path, strict=True)]
        if any(n < f for n, f in zip(stood, c.floor[0].tolist(), strict=True)):
            continue
        if any(0 <= m < n for n, m in zip(stood, c.ceiling[0].tolist(), strict=True)):
            continue
        inner = step(1, path[0], path[1]) * step(2, path[1], path[2]) * math.prod(seen(t, n) for t, n in enumerate(stood))
        if inner == 0:
            continue
        for d0, first in start.items():
            weight = first * step(0, d0, path[0]) * inner
            totals[0, d0 - low] += weight
            for t, d in enumerate(path):
                totals[t + 1, d - low] += weight
    b = believe(c, np.array([low]), width, rates, 20)
    # a jump back from beyond the edge of the window is not followed
    assert b.state[0] == pytest.approx(totals / totals.sum(1, keepdims=True), abs=1e-8 if more.get("jump") else 1e-12)


def test_without_losses_normal_errors_give_the_mean() -> None:
    """Counts of one unchanging number, normal errors only: the posterior is normal about their mean, sd / sqrt(n)."""
    rates = replace(NO_LOSS, gross=1e-300, tail=0.0, opening_exact=0.0, error=0.004)
    c = chain(1000, [1004, 998, 1003, 1001], exact=0.0)
    b = believe(replace(c, opened=np.array([10**7])), np.array([-48]), 96, rates, 20)
    stood = 1000 - 48 + np.arange(96)
    mean = b.state[0, -1] @ stood
    # errors are a share of what stands, which makes the likelihood lean by a fraction of a plant
    assert mean == pytest.approx(1001.5, abs=0.05)
    assert b.state[0, -1] @ (stood - mean) ** 2 == pytest.approx(4.0**2 / 4, rel=0.03)


def test_a_count_of_another_weight_counts_by_its_weight() -> None:
    """After 750 of 1,000 have left a near count has sd 1 in place of 4: the precision-weighted mean of what differs
    from the book, (4 / 16 - 2 / 16 + 5) / (1 / 16 + 1 / 16 + 1)."""
    rates = replace(NO_LOSS, gross=1e-300, tail=0.0, opening_exact=0.0, error=0.004)
    c = chain(1000, [1004, 998, 255], [1000, 1000, 250], exact=0.0)
    b = believe(replace(c, opened=np.array([10**7])), np.array([-48]), 96, rates, 20)
    assert b.state[0, -1] @ (np.arange(96) - 48) == pytest.approx(5.125 / 1.125, abs=0.05)


def test_free_losses_and_normal_errors_meet_isotonic_regression() -> None:
    """With losses that cost nothing and normal errors, the most probable path is the weighted isotonic regression of the
    counts (here by scipy.optimize.isotonic_regression), to the nearest whole plant."""
    from pipeline.formulas.count_chain import most_probable_path

    generator = np.random.default_rng(20261102)
    for _ in range(20):
        counts = 1000 - np.cumsum(generator.integers(0, 6, 10)) + generator.normal(0, 4, 10)
        sd = generator.uniform(2, 6, 10)
        states = np.arange(900, 1040)
        logs = -0.5 * ((counts[:, None] - states) / sd[:, None]) ** 2
        free = np.zeros(2 * len(states))
        free[len(states) :] = -np.inf
        path = states[most_probable_path(logs, np.tile(free, (9, 1)))]
        wanted = optimize.isotonic_regression(counts, weights=1 / sd**2, increasing=False).x
        # whole plants cost a little: each may be the whole number on either side
        assert np.abs(path - wanted).max() < 1.0
        assert (np.diff(path) <= 0).all()


def test_losses_are_negative_binomial() -> None:
    """Against scipy.stats: mean m, variance (1 + clump) m, and two halves of an interval add up to the whole."""
    said = loss_chances(np.array([3.0, 1.5]), 2.0, 400)
    assert said[0] == pytest.approx(stats.nbinom.pmf(np.arange(400), 1.5, 1 / 3), abs=1e-12)
    assert np.convolve(said[1], said[1])[:400] == pytest.approx(said[0], abs=1e-12)


def test_near_counts_round_a_normal() -> None:
    core = near(np.array([7.0]), np.array([10.0]), replace(NO_LOSS, error=0.2, tail=0.0))[0]
    assert core[0] == pytest.approx(stats.norm.cdf(-2.5, 0, 2) - stats.norm.cdf(-3.5, 0, 2))


@pytest.mark.parametrize(
    ("counted", "shown", "way", "stands"),
    [
        ([997, 994, 949, 992], -1, "digits swapped", 994),
        ([997, 994, 594, 992], -1, "one digit wrong", 994),
        ([997, 994, 933, 992], -1, "crates left out", 993),
        ([997, 994, 1033, 992], -1, "crates counted twice", 993),
        ([997, 994, 99, 992], -1, "a digit too many or too few", 992),
        ([997, 994, 871, 992], 871, "shown number copied", 993),
    ],
)
def test_a_wrong_count_is_told_apart(counted: list[int], shown: int, way: str, stands: int) -> None:
    c = chain(1000, counted, shown=[-1, -1, shown, -1], copy=[0.004] * 4)
    b = next(believe(x.chains, x.low, x.width, Rates(), 20) for x in batches(c))
    assert WAYS[b.ways[0, 2, SOUND:].argmax()] == way
    assert b.ways[0, 2, SOUND:].sum() > 0.8
    base = int(b.low[0]) + 1000
    assert abs(base + int(quantile(b.state[0, 3], 0.5)) - stands) <= 2


def test_a_last_count_that_may_be_right_leaves_it_open() -> None:
    """940 fell to 904: swapped digits, or 36 plants gone? One more count decides."""
    c = chain(1000, [945, 941, 904], [945] * 3)
    b = next(believe(x.chains, x.low, x.width, Rates(), 20) for x in batches(c))
    base = int(b.low[0]) + 945
    low, high = (base + int(quantile(b.state[0, -1], q)) for q in (0.025, 0.975))
    assert low <= 904 and high >= 937
    c = chain(1000, [945, 941, 904, 938], [945] * 4)
    b = next(believe(x.chains, x.low, x.width, Rates(), 20) for x in batches(c))
    base = int(b.low[0]) + 945
    assert base + int(quantile(b.state[0, -1], 0.025)) >= 935 and WAYS[b.ways[0, 2, SOUND:].argmax()] == "digits swapped"


def test_a_batch_does_not_change_what_is_believed_of_a_group() -> None:
    one, other = chain(1000, [997, 994, 949, 992]), chain(1000, [997, 994, 949, -1])
    two = Chains(**{k: np.concatenate([v, getattr(other, k)]) for k, v in vars(one).items()})
    two.length[1] = 3
    alone = next(believe(x.chains, x.low, x.width, Rates(), 20) for x in batches(one))
    (both,) = batches(two)
    row = both.rows.tolist().index(0)
    assert (believe(both.chains, both.low, both.width, Rates(), 20).state[row] == alone.state[0]).all()


def test_rates_are_found_again() -> None:
    """A nursery made by the model's own rule, with other rates than the priors: learning comes near them."""
    generator = np.random.default_rng(7)
    groups, times = 250, 10
    rate, exact, error = 0.1, np.array([0.9, 0.5]), 0.008
    lost = generator.negative_binomial(rate * 30 / 1.0, 0.5, (groups, times)).cumsum(1)
    stood = 1000 - lost
    who = generator.integers(0, 2, (groups, times, 1))
    off = np.rint(generator.normal(0, error * stood)).astype(int)
    counted = np.where(generator.random((groups, times)) < exact[who[..., 0]], stood, stood + off)
    shape = (groups, times)
    c = Chains(
        length=np.full(groups, times),
        opened=np.full(groups, 1000),
        open_lean=np.zeros(groups),
        counted=counted,
        typed=counted[..., None],
        rounds=np.zeros(shape),
        copy=np.zeros(shape),
        lean=np.zeros(shape),
        known=np.full(shape, -1),
        alive=np.full(shape, -1),
        book=np.full(shape, 1000),
        floor=np.zeros(shape, int),
        ceiling=np.full(shape, -1),
        exposure=np.full(shape, 30.0),
        stage=np.ones(shape, int),
        exact=np.zeros(shape),
        shown=np.full(shape, -1),
        of_others=np.zeros(shape),
        jump=np.zeros((*shape, 0), int),
        jump_chance=np.zeros((*shape, 0)),
    )
    learned = learn(c, who, 2, 20, {}, rounds=15)
    assert learned.rates.loss[1] == pytest.approx(rate, rel=0.1)
    assert learned.rates.clump == pytest.approx(1.0, abs=0.35)
    spread = learned.rates.error * np.sqrt(1 + 8 * learned.rates.tail)
    assert spread == pytest.approx(error, rel=0.1)
    assert learned.people.exact == pytest.approx(exact, abs=0.06)
    assert learned.rates.gross < 0.01


def test_what_is_given_is_not_learned_and_nothing_gives_the_priors() -> None:
    c = chain(1000, [999, 998])
    who = np.zeros((1, 2, 1), dtype=np.int64)
    learned = learn(c, who, 1, 20, {"exact": 0.5, "loss": 1.0, "gross": 0.2})
    assert (learned.common.exact, learned.people.exact.tolist(), learned.rates.gross) == (0.5, [0.5], 0.2)
    assert set(learned.rates.loss) == {1.0}
    nothing = chain(1000, [-1])
    learned = learn(nothing, who[:, :1] - 1, 0, 20, {})
    assert learned.rates.error == Rates().error and learned.rates.gross == Rates().gross
    assert fixed(learned, {}) == learned
    assert with_people(nothing, who[:, :1] - 1, learned.people, learned.common).exact.tolist() == [[0.7]]


def test_quantiles() -> None:
    """Of several shares as of each, at the very sum and past it."""
    chances = np.array([[0.5, 0.25, 0.25, 0.0], [0.0, 0.1, 0.2, 0.7]])
    assert [v.tolist() for v in quantiles(chances, 0.5, 0.51, 1.0)] == [[0, 3], [1, 3], [2, 3]]
    assert quantile(chances, 0.1).tolist() == [0, 1]
