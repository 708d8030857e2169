"""What a plan must allow for: few groups, groups that are frail in all their steps, a last group that is not whole."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special, stats

from pipeline.formulas.overdispersion import alike_in_steps, rho_within
from pipeline.formulas.requirement import StepRate, draw_through, enough_through

STEPS, GROUPS = 5, 400
MIDDLES, SPREADS = np.array([2.2, 2.8, 3.0, 2.5, 3.2]), np.array([0.5, 0.6, 0.4, 0.5, 0.6])


def lives(dice: np.random.Generator, groups: int, together: float, size: int = 1000) -> list[tuple[np.ndarray, np.ndarray]]:
    """(began, came through) of each step, of groups that are frail or strong alike in part."""
    n, found = np.full(groups, size), []
    fate = dice.standard_normal(groups)
    for middle, spread in zip(MIDDLES, SPREADS, strict=True):
        own = np.sqrt(together) * fate + np.sqrt(1 - together) * dice.standard_normal(groups)
        y = dice.binomial(n, special.expit(middle + spread * own))
        found.append((n, y))
        n = y
    return found


def found_together(happened: list[tuple[np.ndarray, np.ndarray]]) -> float:
    n, y = (np.concatenate(part) for part in zip(*happened, strict=True))
    many = len(happened[0][0])
    return alike_in_steps(y, n, np.repeat(np.arange(STEPS), many), np.tile(np.arange(many), STEPS), np.zeros(len(n)))


@pytest.mark.parametrize("together", [0.0, 0.3, 0.8])
def test_how_alike_a_group_does_in_its_steps(together: float) -> None:
    assert found_together(lives(np.random.default_rng(3), GROUPS, together)) == pytest.approx(together, abs=0.06)
    assert alike_in_steps([5, 4], [9, 9], ["a", "b"], ["g", "g"], ["", ""]) == 0.0
    assert alike_in_steps([], [], [], [], []) == 0.0


def test_groups_that_are_frail_throughout_need_more() -> None:
    steps = [StepRate(0.9, 0.02, 0.02, unit=1000.0) for _ in range(5)]
    alike = [s._replace(together=0.6) for s in steps]
    assert enough_through(500, alike, 1000, 0.95) > 1.05 * enough_through(500, steps, 1000, 0.95)


def test_few_groups_need_more_and_what_is_drawn_keeps_its_mean() -> None:
    steps = [StepRate(0.9, 0.05, 0.02, unit=1000.0) for _ in range(4)]
    few = [s._replace(freedom=3.0) for s in steps]
    assert enough_through(500, few, 1000, 0.95) > enough_through(500, steps, 1000, 0.95)
    left = draw_through(100_000, steps, 1000)
    assert left.mean() / 100_000 == pytest.approx(0.9**4, abs=0.005)


def test_a_last_group_that_is_not_whole() -> None:
    """1,050 plants are a group of 1,000 and one of 50, not two: their share varies nearly as that of one group."""
    one, both, two = (draw_through(n, [StepRate(0.9, 0.0, 0.02, unit=1000.0)], 1000).std() / n for n in (1000, 1050, 2000))
    assert both == pytest.approx(one * np.sqrt(1000**2 + 50**2) / 1050, rel=0.05) and two < 0.75 * one


def test_a_plan_at_95_percent_holds_in_95_of_100_cases() -> None:
    """Fifty nurseries of ten groups each that are frail or strong alike in their steps, which a model of steps by themselves
    does not know: by that the plans would hold in fewer than nine of ten."""
    held: dict[bool, list[float]] = {True: [], False: []}
    for seed in range(50):
        dice = np.random.default_rng([seed, 8])
        happened = lives(dice, 10, 0.5)
        steps = []
        for n, y in happened:
            rho = rho_within(y, n, np.zeros(len(n)))
            share = float(y.sum() / n.sum())
            error = float(np.sqrt((1 + (n.mean() - 1) * rho.rho) / (n.sum() * share * (1 - share))))
            steps.append(StepRate(share, error, rho.rho, float(rho.freedom), float((n * n).sum() / n.sum())))
        together = found_together(happened)
        for is_alike in held:
            known = [s._replace(together=together) for s in steps] if is_alike else [s._replace(freedom=1e9) for s in steps]
            n = enough_through(2000, known, 1000, 0.95)
            full, rest = divmod(n, 1000)
            came = sum(lives(dice, 200, 0.5, size)[-1][1] for size in [1000] * full + ([rest] if rest else []))
            held[is_alike].append(float((came >= 2000).mean()))
    assert 0.93 <= np.mean(held[True]) <= 0.975
    assert np.mean(held[False]) < 0.90
    assert stats.sem(held[True]) < 0.02
