"""What is worked out by a shorter way, against the long way."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, sparse, special, stats

from pipeline.formulas.chain_rates import WIDTHS, _clump, _Sums
from pipeline.formulas.count_chain import STAGES, Chains, Rates, believe, near, near_errors, seen, window
from pipeline.formulas.lot_model import fit
from pipeline.formulas.overdispersion import beta_binomial
from pipeline.formulas.survival import Losses, aalen_johansen, incidences


def odd_chains(dice: np.random.Generator, groups: int, nodes: int) -> Chains:
    """Groups of all sizes with counts near and far, gaps, floors, ceilings and jumps."""
    shape, length = (groups, nodes), dice.integers(1, nodes + 1, groups)
    opened = dice.choice([0, 40, 300, 1000, 1000], groups)
    book = np.maximum(opened[:, None] - dice.integers(0, 60, shape), -20)
    off = np.where(dice.random(shape) < 0.2, dice.integers(-300, 300, shape), dice.integers(-9, 9, shape))
    is_made = (dice.random(shape) < 0.8) & (np.arange(nodes) < length[:, None])
    counted = np.where(is_made, np.maximum(book + off, 0), -1)
    chance = np.where(dice.random((*shape, 2)) < 0.1, 0.05, 0.0)
    return Chains(
        length=length,
        opened=opened,
        counted=counted,
        book=book,
        floor=np.where(dice.random(shape) < 0.1, np.maximum(book - 5, 0), 0),
        ceiling=np.where(dice.random(shape) < 0.03, np.maximum(book, 0), -1),
        exposure=dice.choice([0.0, 5.0, 20.0], shape),
        stage=dice.integers(1, STAGES, shape),
        open_lean=np.zeros(groups),
        typed=counted[..., None],
        exact=dice.random(shape),
        rounds=dice.random(shape),
        copy=dice.choice([0.0, 0.1], shape),
        lean=dice.choice([0.0, 0.0, -0.01], shape),
        known=np.where(dice.random(shape) < 0.2, counted - 1, -1),
        alive=np.where(dice.random(shape) < 0.1, np.maximum(book - 9, -1), -1),
        shown=np.where(dice.random(shape) < 0.2, counted, -1),
        of_others=dice.choice([0.0, 0.01, 0.5], shape),
        jump=dice.integers(-20, 20, (*shape, 2)),
        jump_chance=chance,
    )


def window_of(chains: Chains, g: int) -> tuple[int, int]:
    length = int(chains.length[g])
    counted, book = chains.freed[g, :length], chains.book[g, :length]
    off = [0, *(counted - book)[counted >= 0].tolist()]
    far = max(40, int(0.06 * chains.opened[g]))
    kept = [0]
    for i in range(1, len(off)):
        near_by = [kept[-1], *off[i + 1 : i + 2]]
        is_lone = len(near_by) == 2 and min(abs(off[i] - v) for v in near_by) > far
        if not (is_lone and not min(near_by) <= off[i] <= max(near_by)):
            kept.append(off[i])
    kept += [int(c - b) for c, b in zip(chains.ceiling[g, :length], book, strict=True) if c >= 0]
    spread = 24 + int(0.02 * chains.opened[g])
    lowest = max(min(kept), -max(0, int(book.max()), int(chains.opened[g]))) - spread
    return lowest, max(*kept, 0, int((chains.floor[g, :length] - book).max())) + spread - lowest + 1


def test_windows_of_all_groups_at_once() -> None:
    chains = odd_chains(np.random.default_rng(1), 400, 9)
    assert list(zip(*(v.tolist() for v in window(chains)), strict=True)) == [window_of(chains, g) for g in range(400)]


def test_groups_that_share_their_tables_are_believed_as_each_alone() -> None:
    chains = odd_chains(np.random.default_rng(2), 60, 6)
    low, size = window(chains)[0], WIDTHS[int(np.searchsorted(np.array(WIDTHS), window(chains)[1].max()))]
    together = believe(chains, low, size, Rates(), 20)
    for g in range(60):
        own = np.array([g])
        alone = believe(chains.take(own, 6), low[own], size, Rates(), 20)
        assert (together.state[g] == alone.state[0]).all() and (together.without[g] == alone.without[0]).all()
        assert together.ways[g] == pytest.approx(alone.ways[0], abs=1e-14)


def test_errors_of_near_counts() -> None:
    """Of each count the chance that it is near, by what may have stood, times its error squared: one count at a time."""
    chains, rates = odd_chains(np.random.default_rng(3), 40, 5), Rates(error=0.01)
    low = np.full(40, -192)
    b = believe(chains, low, 384, rates, 20)
    square = weight = tail = 0.0
    for g, t in zip(*np.nonzero(chains.counted >= 0), strict=True):
        stood = np.arange(384) - 192 + chains.book[g, t]
        free = chains.freed[g, t]
        every, core = near(float(free) * np.ones(384), np.maximum(stood, 0).astype(float), rates)
        is_copied = chains.copy[g, t] * (max(chains.shown[g, t], chains.known[g, t]) >= 0)
        honest = (1 - rates.gross) * (1 - is_copied) * (1 - chains.rounds[g, t]) * (1 - chains.exact[g, t])
        likely = b.without[g, t + 1] * honest / b.written[g, t] * (stood >= 50)
        error = (free - stood) / np.maximum(stood, 1)
        square += float((likely * (core + (every - core) / 9) * error**2).sum())
        weight += float((likely * every).sum())
        tail += float((likely * (every - core)).sum())
    said = seen(chains, low, 384, 20)
    assert near_errors(chains, said, b, rates) == pytest.approx((square, weight, tail), rel=1e-9)


def test_clumping_is_the_most_likely() -> None:
    """Against scipy: negative binomial logarithms, the bounded search."""
    dice, sums = np.random.default_rng(4), _Sums(0)
    loss = np.full(STAGES, 0.08)
    for days in (10.0, 30.0, 60.0):
        sums.seen[1, days] = np.bincount(dice.negative_binomial(0.08 * days / 1.7, 1 / 2.7, 400), minlength=40).astype(float)
    sums.seen[2, 0.0] = np.array([99.0])

    def unlikely(x: float) -> float:
        clump = float(np.exp(x))
        said = sum(
            (v * stats.nbinom.logpmf(np.arange(len(v)), 0.08 * days / clump, 1 / (1 + clump))).sum()
            for (_, days), v in sums.seen.items()
            if days
        )
        return float(2 * (x - np.log(Rates.clump)) ** 2 - said)

    best = optimize.minimize_scalar(unlikely, bounds=(-2, 3), method="bounded", options={"xatol": 1e-9})
    assert _clump(sums, loss) == pytest.approx(np.exp(best.x), rel=1e-6)


def test_beta_binomial_by_gammas() -> None:
    """At the estimate the likelihood, written with beta functions, is as said and falls to all sides as the errors say."""
    dice = np.random.default_rng(6)
    n = dice.integers(200, 1000, 300)
    kind = dice.integers(0, 3, 300)
    mean = np.array([0.6, 0.8, 0.95])[kind]
    y = dice.binomial(n, dice.beta(mean * 30, (1 - mean) * 30))
    design = np.eye(3)[kind]
    found = beta_binomial(y, n, design)
    assert found.converged

    def likelihood(values: np.ndarray) -> float:
        p, rho = special.expit(design @ values[:-1]), special.expit(values[-1])
        a, b = p * (1 - rho) / rho, (1 - p) * (1 - rho) / rho
        return float(stats.betabinom.logpmf(y, n, a, b).sum())

    at = np.append(found.coefficients, special.logit(found.rho))
    assert found.log_likelihood == pytest.approx(likelihood(at), rel=1e-12)
    h = 1e-3
    units = h * np.eye(4)
    slope = [(likelihood(at + e) - likelihood(at - e)) / (2 * h) for e in units]
    assert np.abs(slope).max() < 1e-3
    curve = np.empty((4, 4))
    for i, e in enumerate(units):
        for j, f in enumerate(units):
            corners = likelihood(at + e + f) - likelihood(at + e - f) - likelihood(at - e + f) + likelihood(at - e - f)
            curve[i, j] = corners / (4 * h * h)
    assert found.errors == pytest.approx(np.sqrt(np.diag(np.linalg.inv(-curve))[:-1]), rel=1e-3)


def test_lots_that_differ_less_than_chance_have_no_rho() -> None:
    found = beta_binomial([90, 91, 89, 90], [100] * 4, np.ones((4, 1)))
    assert not found.converged and found.rho < 1e-6
    assert found.coefficients[0] == pytest.approx(special.logit(0.9), abs=1e-4)


def test_a_design_is_of_zeros_and_ones() -> None:
    with pytest.raises(ValueError, match="zeros and ones"):
        fit([1, 2], [3, 4], sparse.csr_array([[1.0, 0.5], [1.0, 0.0]]), [0.1, 0.1], 0.0)


def test_losses_listed_or_in_a_table() -> None:
    dice = np.random.default_rng(8)
    entered, left = np.zeros((2, 30, 12), dtype=np.int64)
    entered[:, 0], left[:, 7] = 200, 20
    cause, group, step, plants = (
        dice.integers(0, 3, 90),
        dice.integers(0, 30, 90),
        dice.integers(1, 12, 90),
        dice.integers(1, 5, 90),
    )
    table = np.zeros((3, 30, 12), dtype=np.int64)
    np.add.at(table, (cause, group, step), plants)
    one, other = aalen_johansen(entered, table, left, 9), incidences(entered, Losses(cause, group, step, plants), 3, left, 9)
    for a, b in zip(one, other, strict=True):
        assert a == pytest.approx(b, rel=1e-12)
    assert one.cumulative.sum() + one.survival == pytest.approx(1.0, abs=1e-12)
