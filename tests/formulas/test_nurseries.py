"""Nurseries compared at a body: bodies whose truth is known, reference libraries, and what cannot be said."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special, stats
from statsmodels.stats.meta_analysis import combine_effects

from pipeline.formulas.nurseries import Cells, Compared, between, compare_nurseries, pooled_shares, pooled_survival
from pipeline.formulas.proportions import wilson


def body(seed: int, many: int, odd: float = 0.0, month: float = 0.5, first: int = 1, lots: int = 4) -> Cells:
    """`many` nurseries of so many lots of 200 buds in each of 24 months (the last in one only), two rootstocks and three scions
    in unlike shares, the first nursery with `first` times the lots, and `odd` on the logit."""
    dice = np.random.default_rng(seed)
    nursery, when = (np.ravel(v) for v in np.indices((many, 24)))
    times = np.where(nursery == 0, lots * first, lots) * ((nursery < many - 1) | (when == 7))
    shock = month * dice.normal(size=(many, 24)) + odd * (np.arange(many) == 0)[:, None]
    nursery, when = np.repeat(nursery, times), np.repeat(when, times)
    stock = (dice.random(len(nursery)) < (nursery % 3 + 1) / 4).astype(np.int64)
    scion = np.minimum(2, (3 * dice.random(len(nursery)) ** (1 + nursery % 2)).astype(np.int64))
    pair = 0.3 * dice.normal(size=(many, 2, 3))
    p = special.expit(1.5 + 0.8 * stock - 0.5 * scion + pair[nursery, stock, scion] + shock[nursery, when])
    return summed(nursery, when, stock, scion, np.full(len(p), 200), dice.binomial(200, dice.beta(p * 49, (1 - p) * 49)))


def summed(*lots: np.ndarray) -> Cells:
    """The cells of lots: nursery, month, rootstock, scion, read, taken."""
    *named, n, y = (np.asarray(v, dtype=np.int64) for v in lots)
    cells, place = np.unique(np.stack([*named, np.ones_like(n)]), axis=1, return_inverse=True)
    sums = (np.bincount(np.ravel(place), v).astype(np.int64) for v in (np.ones_like(n), n, y, n * n, n * y, y * y))
    return Cells(*cells, *sums)


def flags(found: Compared) -> int:
    return int(np.isin(found.takes.flag, ("better", "worse")).sum())


@pytest.mark.parametrize(("many", "first"), [(3, 1), (8, 7)])
def test_nurseries_that_are_alike_are_let_be_and_held(many: int, first: int) -> None:
    """True takes by the mean over months and pairs (sd 0.58), by Gauss and Hermite's nodes."""
    node, weight = np.polynomial.hermite_e.hermegauss(15)
    flagged, held, drawn, pairs, errors = 0, [], [], [], []
    for seed in range(10):
        cells = body(seed, many, first=first)
        found = compare_nurseries(cells)
        base = 1.5 + 0.8 * cells.rootstock - 0.5 * cells.scion
        each = special.expit(base[:, None] + np.hypot(0.5, 0.3) * node) @ weight / weight.sum()
        true, t, q = (cells.read @ each) / cells.read.sum(), found.takes, found.pairs
        flagged += flags(found) > 0
        held += ((t.low < true) & (true < t.high)).tolist()
        drawn += ((t.pooled_low < true) & (true < t.pooled_high)).tolist()
        errors.append([((v - true) ** 2).sum() for v in (t.pooled, t.adjusted)])
        for k in range(6):
            of = each[(cells.rootstock == q.rootstock[k]) & (cells.scion == q.scion[k])][0]
            pairs.append(q.low[k] < of < q.high[k])
    assert flagged <= 2  # 1 in 20 gives three or more in one of eighty cases
    assert min(np.mean(held), np.mean(drawn), np.mean(pairs)) >= 0.92
    assert np.sum(errors, 0)[0] < np.sum(errors, 0)[1]


def test_a_nursery_that_is_off_is_found_and_its_months_are_learned() -> None:
    found = [compare_nurseries(body(seed, 30, odd=-1.0, lots=3)) for seed in range(4)]
    assert sum(f.takes.flag[0] == "worse" for f in found) >= 3 and all(flags(f) <= 2 for f in found)
    assert np.mean([f.parts["month"] for f in found]) == pytest.approx(0.25, abs=0.05)
    assert np.mean([f.parts["pair"] for f in found]) == pytest.approx(0.09, abs=0.04)
    assert np.mean([f.rho for f in found]) == pytest.approx(0.02, abs=0.004)
    # the one with one month is known so much less
    t = found[0].takes
    assert t.high[-1] - t.low[-1] > 2 * (t.high[5] - t.low[5]) and t.lots[-1] == 3
    assert t.pooled_high[-1] - t.pooled_low[-1] < t.high[-1] - t.low[-1]


def test_numbers_stand_with_their_nurseries_whatever_they_are_called() -> None:
    cells = body(3, 6)
    one, other = compare_nurseries(cells), compare_nurseries(cells._replace(nursery=90 - 7 * cells.nursery))
    assert other.takes.nursery.tolist() == [55, 62, 69, 76, 83, 90]
    assert other.takes.adjusted[::-1] == pytest.approx(one.takes.adjusted, abs=1e-4)
    assert one.takes.read.sum() == cells.read.sum() == one.pairs.read[one.pairs.scion == -1].sum()


def test_what_shares_nothing_cannot_be_compared_and_one_alone_neither() -> None:
    cells = body(5, 4)
    apart = cells.nursery == 2
    other = compare_nurseries(cells._replace(rootstock=cells.rootstock + 9 * apart, scion=cells.scion + 9 * apart)).takes
    assert other.flag.tolist()[2] == "cannot be compared" and np.isnan([other.adjusted[2], other.pooled[2]]).all()
    assert not np.isnan(other.adjusted[[0, 1, 3]]).any()
    alone = compare_nurseries(Cells(*(v[apart] for v in cells)))
    assert alone.takes.flag.tolist() == ["cannot be compared"] and np.isnan(alone.spread) and not len(alone.pairs.read)
    nothing = compare_nurseries(Cells(*(v[:0] for v in cells)))
    assert not len(nothing.takes.nursery)


def test_all_green_and_single_lots_stay_finite() -> None:
    zero, one = np.zeros(4, dtype=np.int64), np.array([0, 1, 2, 3])
    found = compare_nurseries(summed(one, zero + 24300, zero, zero, zero + 250, np.array([250, 250, 240, 0])))
    t = found.takes
    for numbers in (t.adjusted, t.low, t.high, t.pooled, t.pooled_low, t.pooled_high, t.q_value, found.pairs.low):
        assert np.isfinite(numbers).all()
    assert (t.low < t.adjusted).all() and t.flag[0] == "" and t.high[0] - t.low[0] > 0.05


def test_the_variance_between_is_paule_and_mandel_s() -> None:
    """statsmodels' iterated (Paule-Mandel) tau^2; the limits are those at which its Q has the quantiles of chi-squared."""
    dice = np.random.default_rng(4)
    own = dice.uniform(0.01, 0.2, 12)
    x = dice.normal(1, np.sqrt(0.1 + own))
    level = np.zeros(12, dtype=np.int64)
    found = between(x, own, level, np.array([11.0]))[0]
    assert found == pytest.approx(combine_effects(x, own, method_re="iterated", atol=1e-12).tau2, rel=1e-6)
    for chance in (0.025, 0.975):
        at = between(x, own, level, np.array([stats.chi2.ppf(chance, 11)]))[0]
        weight = 1 / (own + at)
        assert weight @ (x - weight @ x / weight.sum()) ** 2 == pytest.approx(stats.chi2.ppf(chance, 11), rel=1e-6)
    # two sets at once, the second alike: nothing between
    both = between(np.append(x, [1, 1, 1]), np.append(own, [1, 1, 1]), np.append(level, [1, 1, 1]), np.array([11.0, 2.0]))
    assert both == pytest.approx([found, 0.0])


def test_shares_of_sums_are_held_whatever_one_large_nursery_does() -> None:
    dice, reps, many = np.random.default_rng(7), 400, 12
    n = dice.integers(100, 900, (reps, many))
    n[:, 0] = n[:, 1:].sum(1)
    y = dice.binomial(n, special.expit(1 + 0.5 * dice.normal(size=(reps, many))))
    node, weight = np.polynomial.hermite_e.hermegauss(15)
    true = special.expit(1 + 0.5 * node) @ weight / weight.sum()
    level, nursery = (np.ravel(v) for v in np.indices((reps, many)))
    found = pooled_shares(level, nursery, np.ravel(y), np.ravel(n), reps + 1)
    held = ((found.low < true) & (true < found.high))[:-1]
    assert 0.92 <= held.mean() <= 0.99 and found.nurseries.tolist() == [12] * reps + [0]
    assert np.isnan([found.share[-1], found.low[-1], found.high[-1]]).all() and found.counted[0] == y[0].sum()


def test_of_one_nursery_there_is_no_interval_and_of_two_alike_that_of_wilson_with_student_s_t() -> None:
    found = pooled_shares([0, 1, 1, 2, 2], [7, 7, 8, 7, 8], [5, 30, 30, 0, 0], [10, 60, 60, 50, 50], 3)
    assert np.isnan([found.low[0], found.high[0]]).all() and found.share.tolist() == [0.5, 0.5, 0.0]
    assert (found.low[1], found.high[1]) == pytest.approx(wilson(60, 120, stats.t.ppf(0.975, 1)))
    assert found.low[2] == 0 and found.high[2] == pytest.approx(wilson(0, 100, stats.t.ppf(0.975, 1))[1])


def test_survival_of_nurseries_alike_is_greenwood_s_and_frail_ones_widen_it() -> None:
    """Two alike: the product and Greenwood's variance by hand, on log(-log), t with one degree of freedom."""
    rows = [(i, t, *v) for i in (3, 9) for t, v in enumerate([(100, 10), (90, 9), (40, 0)])]
    found = pooled_survival(*zip(*rows, strict=True), 4)
    assert found.survival == pytest.approx([0.9, 0.81, 0.81, 0.81]) and found.at_risk.tolist() == [200, 180, 80, 0]
    error = np.sqrt(20 / (200 * 180) + 18 / (180 * 162)) / -np.log(0.81)
    assert found.low[1] == pytest.approx(0.81 ** np.exp(stats.t.ppf(0.975, 1) * error))
    assert found.high[1] == pytest.approx(0.81 ** np.exp(-stats.t.ppf(0.975, 1) * error))
    unlike = pooled_survival(*zip(*[(i, t, n, (n // 5 if i == 3 else 0)) for i, t, n, _ in rows], strict=True), 4)
    assert unlike.high[1] - unlike.low[1] > 0.99
    alone = pooled_survival(*zip(*rows[:3], strict=True), 4)
    assert np.isnan(alone.low).all() and alone.nurseries.tolist() == [1, 1, 1, 0]


def test_curves_of_frail_nurseries_are_held() -> None:
    dice, hazard, held = np.random.default_rng(9), [0.05, 0.04, 0.02, 0.01], []
    node, weight = np.polynomial.hermite_e.hermegauss(15)
    true = np.cumprod(1 - np.outer(hazard, np.exp(0.5 * node - 0.125)), 0) @ weight / weight.sum()
    for _ in range(150):
        frail, stands, rows = np.exp(0.5 * dice.normal(size=15) - 0.125), dice.integers(100, 900, 15), []
        for step, rate in enumerate(hazard):
            lost = dice.binomial(stands, rate * frail)
            rows += [(i, step, stands[i], lost[i]) for i in range(15) if step < 3 or i % 2]
            stands = stands - lost
        found = pooled_survival(*np.array(rows).T, 4)
        held.append((found.low < true) & (true < found.high))
    assert np.mean(held) >= 0.92
