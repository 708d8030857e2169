"""Sums of what stands: against sums worked out number by number, and against truth drawn from what is believed."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.formulas.sums import DRAWS, SHARES, Shared, cells, draw_sums, sum_intervals


def kept(chances: list[np.ndarray], lowest: list[int]) -> np.ndarray:
    """The cells of groups whose number is lowest + i with chances[i]."""
    found = [
        cells(np.append(0, p.cumsum())[None], np.array([at]), np.zeros(1))[0] for p, at in zip(chances, lowest, strict=True)
    ]
    return np.array(found)


def whole(chances: list[np.ndarray]) -> np.ndarray:
    """The chances of their sum."""
    found = np.ones(1)
    for p in chances:
        found = np.convolve(found, p)
    return found


CODES = [f"26{n:06}" for n in range(400)]


def test_cells_keep_the_mean_and_nearly_all_of_the_variance() -> None:
    dice = np.random.default_rng(1)
    for _ in range(50):
        p = dice.dirichlet(np.full(int(dice.integers(1, 400)), 0.3))
        x, found = np.arange(len(p)) + 500, kept([p], [500])[0]
        mean = found @ SHARES / DRAWS
        assert mean == pytest.approx(p @ x, abs=1e-6)
        variance = p @ (x - mean) ** 2
        assert variance * 0.96 - 1e-6 <= (found - mean) ** 2 @ SHARES / DRAWS <= variance + 1e-6
        assert (np.diff(found) >= -1e-6).all()


def test_what_is_below_the_window_is_one_cell_at_its_mean() -> None:
    upto = np.array([[0.02, 0.52, 1.0]])
    found = cells(upto, np.array([900]), np.array([400.0]))[0]
    assert found[0] == pytest.approx(400)
    assert found @ SHARES / DRAWS == pytest.approx(0.02 * 400 + 0.5 * 900 + 0.48 * 901)


@pytest.mark.parametrize("many", [1, 2, 7, 60])
def test_the_interval_of_a_sum_is_that_of_all_numbers_added_up(many: int) -> None:
    """Groups that are nearly sure, one that may have lost a lot, one of which little is known."""
    sure, lost, open_ = np.array([0.03, 0.94, 0.03]), np.zeros(121), np.zeros(81)
    lost[[0, 60, 120]] = 0.06, 0.04, 0.9
    open_[:] = np.exp(-0.5 * ((np.arange(81) - 40) / 12) ** 2)
    chances = ([lost, open_ / open_.sum()] + [sure] * 60)[:many]
    drawn = draw_sums(CODES[:many], kept(chances, [0] * many), np.zeros(many), np.zeros((1, many), dtype=int), 1, Shared())
    all_of_it = whole(chances)
    upto, found = all_of_it.cumsum(), sum_intervals(drawn)
    sd = np.sqrt(all_of_it @ (np.arange(len(all_of_it)) - all_of_it @ np.arange(len(all_of_it))) ** 2)
    assert found.mean[0] == pytest.approx(all_of_it @ np.arange(len(all_of_it)), abs=1e-6)
    assert found.sd[0] == pytest.approx(sd, rel=0.05)
    for bound, share in ((found.low[0], 0.025), (found.high[0], 0.975)):
        near = [int(np.searchsorted(upto, share + off)) for off in (-0.006, 0.006)]
        assert near[0] - 1 <= bound <= near[1] + 1


def test_a_groups_draws_do_not_depend_on_the_others() -> None:
    dice = np.random.default_rng(2)
    spread, unseen = np.sort(dice.normal(900, 9, (40, len(SHARES))), axis=1), np.zeros(40)
    level = (np.arange(40) % 3)[None]
    found = draw_sums(CODES[:40], spread, unseen, level, 3, Shared())
    assert np.allclose(found, draw_sums(CODES[:40], spread, unseen, level, 3, Shared(), block=7))
    only = np.flatnonzero(level[0] == 1)
    alone = draw_sums([CODES[i] for i in only], spread[only], unseen[only], np.zeros((1, len(only)), dtype=int), 1, Shared())
    assert np.allclose(alone[0], found[1])
    other_way = draw_sums(CODES[39::-1], spread[::-1], unseen, level[:, ::-1], 3, Shared())
    assert np.allclose(other_way, found)


def test_groups_are_drawn_apart_from_each_other() -> None:
    """The variance of a sum is that of its parts added up."""
    spread = np.repeat(np.linspace(-1, 1, len(SHARES))[None], 400, axis=0) + 900
    one = draw_sums(CODES[:1], spread[:1], np.zeros(1), np.zeros((1, 1), dtype=int), 1, Shared()).var()
    every = draw_sums(CODES, spread, np.zeros(400), np.zeros((1, 400), dtype=int), 1, Shared()).var()
    assert every == pytest.approx(400 * one, rel=0.1)


def test_what_groups_share_does_not_even_out() -> None:
    spread, unseen = np.full((400, len(SHARES)), 900.0), np.full(400, 3.0)
    level = np.zeros((1, 400), dtype=int)
    assert draw_sums(CODES, spread, unseen, level, 1, Shared()).std() == pytest.approx(0, abs=1e-6)
    lean = draw_sums(CODES, spread, unseen, level, 1, Shared(lean=0.001))
    assert lean.std() == pytest.approx(0.001 * 400 * 900, rel=0.01) and lean.mean() == pytest.approx(400 * 900)
    loss = draw_sums(CODES, spread, unseen, level, 1, Shared(loss=0.3))
    assert loss.std() == pytest.approx(0.3 * 1200, rel=0.03) and loss.mean() == pytest.approx(400 * 900, rel=1e-5)
    assert loss.max() < 400 * 900 + 1200, "no more comes back than was taken to be lost"


def test_intervals_hold_sums_that_are_drawn_from_what_is_believed() -> None:
    dice, held = np.random.default_rng(4), []
    shapes = [dice.dirichlet(np.full(int(n), 0.2)) for n in dice.integers(2, 150, 60)]
    shared = Shared(lean=0.0004)
    found = sum_intervals(
        draw_sums(CODES[:60], kept(shapes, [800] * 60), np.zeros(60), np.zeros((1, 60), dtype=int), 1, shared)
    )
    mean = sum(p @ (800 + np.arange(len(p))) for p in shapes)
    for _ in range(2000):
        true = sum(int(dice.choice(len(p), p=p)) + 800 for p in shapes) + dice.normal(0, shared.lean) * mean
        held.append(found.low[0] <= true <= found.high[0])
    assert 0.935 <= np.mean(held) <= 0.965
