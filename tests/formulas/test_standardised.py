"""Houses compared by losses: expected by hand, one bad house found among frail groups, nothing said of too little."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.formulas import standardised
from pipeline.formulas.standardised import Excess, compare_losses


def test_expected_is_the_exposure_at_the_rates_of_all() -> None:
    """By hand: cell 0 has 30 of 300, cell 1 has 40 of 100; house 1 had 100 and 50 of these, 10 and 20 to be expected."""
    rows = [(1, 1, 0, 100, 15), (1, 2, 1, 50, 25), (2, 3, 0, 200, 15), (2, 4, 1, 50, 15)]
    found, _ = compare_losses(*zip(*rows, strict=True))
    assert [found[1].lost, found[2].lost] == [40, 30]
    assert found[1].expected == pytest.approx(30) and found[2].expected == pytest.approx(40)
    assert found[1].ratio == pytest.approx(4 / 3) and not found[1].flag and math.isnan(found[1].q_value)


def _nursery(times: float, houses: int = 6, lines: int = 12) -> dict[int, Excess]:
    dice = np.random.default_rng(5)
    rows = []
    for line in range(houses * lines):
        house, own = line % houses, dice.gamma(10, 1 / 10)
        for cell, expected in ((line % 3, 30.0), (3 + line % 2, 15.0)):
            rows.append(
                (house, line, cell, int(expected * 100), int(dice.poisson(expected * own * (times if not house else 1))))
            )
    return compare_losses(*zip(*rows, strict=True))[0]


def test_a_house_that_loses_twice_as_much_is_found_and_the_others_look_as_they_are() -> None:
    assert not any(one.flag for one in _nursery(1.0).values())
    found = _nursery(2.0)
    assert {house for house, one in found.items() if one.flag} == {0} and found[0].flag == "worse"
    assert found[0].low < 2 < found[0].high and all(one.low < 1 < one.high for house, one in found.items() if house)


@pytest.mark.parametrize(
    "rows", [[], [(1, 1, 0, 100, 3)], [(1, 1, 0, 100, 0), (2, 2, 0, 100, 0)], [(1, 1, 0, 0, 3), (2, 1, 0, 50, 1)]]
)
def test_of_too_little_nothing_is_said(rows: list[tuple[int, ...]]) -> None:
    columns = zip(*rows, strict=True) if rows else [[]] * 5
    assert not any(one.flag for one in compare_losses(*columns)[0].values())


def test_of_many_houses_the_furthest_go_together_and_the_same_are_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """160 houses, a quarter of which lose half or twice as much: one at a time, or four."""
    dice = np.random.default_rng(8)
    house, line, cell = (np.ravel(v) for v in np.indices((160, 6, 2)))
    times = np.where(np.arange(160) % 4 == 0, dice.choice([0.5, 2.0], 160), 1.0)[house]
    lost = dice.poisson(20 * times * dice.gamma(20, 1 / 20, 160 * 6)[house * 6 + line])
    rounds = []
    judged = standardised._judged
    monkeypatch.setattr(standardised, "_judged", lambda *given: (rounds.append(0), judged(*given))[1])
    found, _ = compare_losses(house, line, cell, np.full(len(house), 1000), lost)
    together = len(rounds)
    monkeypatch.setattr(standardised, "_AT_ONCE", 10**9)
    alone, _ = compare_losses(house, line, cell, np.full(len(house), 1000), lost)
    assert together < 15 < len(rounds) - together
    assert [e.flag for e in found.values()] == [e.flag for e in alone.values()]
    assert sum(bool(e.flag) for h, e in found.items() if h % 4 == 0) >= 35
    assert sum(bool(e.flag) for h, e in found.items() if h % 4) <= 5
