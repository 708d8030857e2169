"""What is learned of each person, against numbers made with what is to be found, and by the long way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from pipeline.formulas.count_chain import Chains, widened
from pipeline.formulas.people import (
    COPY,
    Common,
    People,
    at_least,
    first_guess,
    leans,
    unknown,
    with_open_leans,
    with_people,
)
from tests.formulas.test_count_chain import chain


def counted_by_six(
    dice: np.random.Generator, lean: np.ndarray, groups: int, own_places: bool = False
) -> tuple[Chains, np.ndarray]:
    """Groups of a thousand, eight counts each, a plant lost a month; each of six people finds 1 + lean of what stands."""
    shape = (groups, 8)
    stood = 1000 - dice.poisson(1.0, shape).cumsum(1)
    who = np.repeat(np.arange(groups)[:, None] % 6, 8, axis=1) if own_places else dice.integers(0, 6, shape)
    off = np.where(dice.random(shape) < 0.3, dice.standard_t(3, shape) * 4, 0)
    counted = np.rint(stood * (1 + lean[who]) + off).astype(int)
    one = chain(1000, [1000] * 8)
    many = Chains(**{k: np.repeat(v, groups, axis=0) for k, v in vars(one).items()})
    return replace(many, counted=counted, typed=counted[..., None]), who[..., None]


@pytest.mark.parametrize("own_places", [False, True])
def test_leans_are_found_and_none_where_there_is_none(own_places: bool) -> None:
    lean = np.array([-0.01, 0.006, 0, 0, 0, 0])
    chains, who = counted_by_six(np.random.default_rng(1), lean, 120, own_places)
    found, error, _ = leans(chains, who, 6, np.zeros(6))
    assert found[2:].tolist() == [0, 0, 0, 0]
    assert found[:2] == pytest.approx(lean[:2], abs=0.0025)
    assert (np.abs(found - lean)[:2] < 3 * error[:2]).all()


def test_what_all_find_too_few_is_nobody_s_lean() -> None:
    """It cannot be told from plants that go in the first weeks."""
    chains, who = counted_by_six(np.random.default_rng(2), np.full(6, -0.01), 120)
    assert not leans(chains, who, 6, np.zeros(6))[0].any()


def test_counts_that_may_be_copied_say_nothing_of_leans() -> None:
    chains, who = counted_by_six(np.random.default_rng(3), np.array([-0.01, 0, 0, 0, 0, 0]), 120)
    assert leans(chains, who, 6, np.array([0.9, 0, 0, 0, 0, 0]))[0][0] == 0


def test_rounding_and_copying_show_beforehand() -> None:
    dice = np.random.default_rng(4)
    chains, who = counted_by_six(dice, np.zeros(6), 120)
    counted = np.where(who[..., 0] == 1, np.rint(chains.counted / 10).astype(int) * 10, chains.counted)
    shown = np.concatenate([np.full((120, 1), 1000), counted[:, :-1]], axis=1)
    counted = np.where(who[..., 0] == 2, shown, counted)
    guess, common = first_guess(replace(chains, counted=counted, typed=counted[..., None], shown=shown), who, 6, 20)
    assert guess.rounds[1] == pytest.approx(0.95) and (guess.rounds[[0, 3, 4, 5]] < 0.35).all()
    assert guess.copy[2] == pytest.approx(0.95) and guess.copy[[0, 1, 3, 4, 5]] == pytest.approx(COPY)
    assert common.open_lean == 0.0


def test_chances_are_means_over_who_counted() -> None:
    people = replace(unknown(2), exact=np.array([0.9, 0.5]), lean=np.array([0.02, 0.0]))
    who = np.array([[[0, 1], [1, -1], [-1, -1]]])
    said = with_people(chain(1000, [1, 2, 3]), who, people, Common(exact=0.6))
    assert said.exact[0] == pytest.approx([0.7, 0.5, 0.6]) and said.lean[0] == pytest.approx([0.01, 0.0, 0.0])


def test_two_who_lean_each_in_their_own_way_know_more_than_one() -> None:
    people = replace(unknown(3), open_lean=np.array([0.004, 0.003, 0.0]))

    def of(*who: int) -> float:
        made = with_open_leans(chain(1000, [999] * len(who)), np.array([[[w] for w in who]]), people, Common(open_lean=0.005))
        return float(made.open_lean[0])

    assert of(0, 0, 0) == pytest.approx(0.004)
    assert of(0, 1, 0) == pytest.approx(0.0024)
    assert of(0, 2) == 0.0
    assert of(2, 0, 0, 0) == pytest.approx(0.004)  # the last three say
    assert of(-1) == pytest.approx(0.005)


def test_what_is_open_widens_what_is_believed() -> None:
    chances = np.zeros((2, 3, 60))
    chances[:, :, 30], chances[:, :, 34] = 0.25, 0.75
    found = widened(chances, np.array([0.4, 2.0]))
    assert (found[0] == chances[0]).all()
    normal = stats.norm.cdf(np.arange(-29, 30) + 0.5, 0, 2) - stats.norm.cdf(np.arange(-29, 30) - 0.5, 0, 2)
    wanted = np.convolve(chances[1, 0], normal)[29:89]
    assert found[1, 0] == pytest.approx(wanted / wanted.sum(), abs=1e-6)


def test_so_many_or_more() -> None:
    """Against scipy's binomial."""
    assert at_least([0, 3, 30], [5, 5, 30], 0.3) == pytest.approx([1.0, stats.binom.sf(2, 5, 0.3), 0.3**30])


def test_nobody_is_known() -> None:
    assert isinstance(unknown(0), People) and len(unknown(0).exact) == 0
