"""How each person counts: what they find too many or too few, whether they round, whether they copy.

A lean shows where a person counts after or before others, or after the opening: each step between two counts changes the
number by what was lost and by the difference of two leans. All steps together are a linear regression, its leans drawn
towards none by as much as leans of that nursery are alike, its errors heavy-tailed. What all lean by alike cannot be told
from plants that vanish after the opening, and is taken for those. Random coefficients: C. R. Henderson, Biometrics 31 (1975)
423-447; t errors by reweighting: K. L. Lange, R. J. A. Little & J. M. G. Taylor, JASA 84 (1989) 881-896.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from pipeline.formulas.count_chain import Chains, copied, rounded_to
from pipeline.formulas.miscounts import Real, Whole

EXACT, ROUNDS, COPY = 0.7, 0.02, 0.004
"""Shares of exact, rounded and copied counts before anything is known of a nursery."""
LEAN = 0.001
"""Standard deviation of leans before anything is known of a nursery."""
_LEANS_WORTH, _T, _FIRST, _LEAST_PLANTS = 4, 4.0, 0.01, 100
_SURE, _LEAST_LEAN, _DIFFER, _SEEN = 3.0, 0.002, 0.0015, 0.5
"""A lean is one that is three times its error and 2 in 1,000 at least. Where leans of a nursery differ by more than 1.5 in
1,000, those of people of whom less than half as much is known are open."""
SUSPECT, _USUAL, _FEW, _BY_CHANCE = 0.25, 0.2, 5, 0.005
"""Whose counts are known numbers in a quarter more of the cases than is usual, in five at least, by a chance of one in two
hundred, may copy; of everybody else it is taken that they hardly ever do, since quiet groups look alike."""
_LAST = 3
"""How many of the last counts of a group say whose leans its number rests on."""


@dataclass(frozen=True)
class People:
    """Of each person (S,): the chance of an exact count, of a rounded one, of writing a number they know; the lean, as a share
    of what stands, and the standard deviation of what is not known of it."""

    exact: Real
    rounds: Real
    copy: Real
    lean: Real
    open_lean: Real


class Common(NamedTuple):
    """The same of anybody else."""

    exact: float = EXACT
    rounds: float = ROUNDS
    copy: float = COPY
    lean: float = 0.0
    open_lean: float = 0.0


def unknown(staff: int) -> People:
    """So many people of whom nothing is known."""
    return People(*(np.full(staff, value) for value in Common()))


def with_people(chains: Chains, who: Whole, people: People, common: Common) -> Chains:
    """The chains with the chances of each count: the means over who counted (G, T, P; -1 for nobody)."""
    known = who >= 0
    many, some = known.sum(2), known.any(2)

    def mean(values: Real, of_others: float) -> Real:
        each = np.where(known, values[np.maximum(who, 0)] if len(values) else of_others, 0.0).sum(2)
        chance: Real = np.where(some, each / np.maximum(many, 1), of_others)
        return chance

    return replace(
        chains,
        exact=mean(people.exact, common.exact),
        rounds=mean(people.rounds, common.rounds),
        copy=mean(people.copy, common.copy),
        lean=mean(people.lean, common.lean),
    )


def with_open_leans(chains: Chains, who: Whole, people: People, common: Common) -> Chains:
    """The chains with the standard deviation, as a share of what stands, of what nobody knows of the leans of those who
    counted each group last: two who lean each in their own way know more than one."""
    is_made = chains.counted >= 0
    is_last = is_made & (is_made[:, ::-1].cumsum(1)[:, ::-1] <= _LAST)
    variance = np.maximum(np.append(people.open_lean, common.open_lean), 1e-5) ** 2
    g, t, k = np.nonzero((who >= 0) & is_last[..., None])
    each = np.unique(np.stack([g, who[g, t, k]]), axis=1)
    known = np.bincount(each[0], 1 / variance[each[1]], len(chains.length)) if len(g) else np.zeros(len(chains.length))
    open_lean = np.where(known > 0, 1 / np.sqrt(np.maximum(known, 1e-300)), common.open_lean * is_made.any(1))
    return replace(chains, open_lean=np.where(open_lean > 1e-4, open_lean, 0.0))


def shares(of: Real, who: Whole, staff: int) -> tuple[Real, Real]:
    """(S,) the sums over each person's counts of a number of each count (G, T), each person of a count having an equal part of
    it; and how many counts they made, in the same way."""
    g, t, k = np.nonzero(who >= 0)
    part = 1 / np.maximum((who >= 0).sum(2), 1)[g, t]
    sums: Real = np.bincount(who[g, t, k], of[g, t] * part, staff).astype(float)
    return sums, np.bincount(who[g, t, k], part, staff).astype(float)


def first_guess(chains: Chains, who: Whole, staff: int, crate_size: int) -> tuple[People, Common]:
    """What shows without a model: how often each person's counts are multiples of ten, beyond one in ten; how often they are a
    number that was known, where that is far more often than with half of all people and no work of chance; and leans."""
    made = np.where((chains.counted >= 0)[..., None], who, -1)
    tens = rounded_to(chains, crate_size)[..., 1].astype(float)
    multiples, many = shares(tens, made, staff)
    rounds = np.clip((multiples - 0.1 * many) / (0.9 * np.maximum(many, 1)), ROUNDS, 0.95)
    asked = np.where(((chains.shown >= 0) | (chains.known >= 0))[..., None], made, -1)
    agrees, times = shares((copied(chains) > 0).astype(float), asked, staff)
    share = agrees / np.maximum(times, 1)
    usual = max(_USUAL, float(np.median(share[times >= _FEW]))) if (times >= _FEW).any() else 1.0
    beyond = (share - usual) / max(1 - usual, 0.05)
    is_suspect = (beyond >= SUSPECT) & (at_least(agrees, times, usual) < _BY_CHANCE)
    copy = np.where((times >= _FEW) & is_suspect, np.minimum(beyond, 0.95), COPY)
    lean, open_lean, of_others = leans(chains, made, staff, copy)
    return People(np.full(staff, EXACT), rounds, copy, lean, open_lean), Common(open_lean=of_others)


def leans(chains: Chains, who: Whole, staff: int, copy: Real) -> tuple[Real, Real, float]:
    """(S,) the lean of each person, none where it may as well be none, and the standard deviation of what is not known of it;
    and that of anybody else's. Counts of people who may have copied, by their chance of it (S,), say nothing."""
    steps = _steps(chains, who, staff, copy)
    none = np.zeros(staff)
    if len(steps.fall) < 10:
        return none, none, 0.0
    rate = np.stack([-steps.exposure, steps.is_first], axis=1)
    design = np.concatenate([rate, steps.after - steps.before], axis=1)
    mean, error, spread = _regression(steps.fall, design)
    mean, error = mean[2:], error[2:]
    is_lean = (np.abs(mean) > _SURE * error) & (np.abs(mean) >= _LEAST_LEAN)
    is_open = (error > _SEEN * spread) & (spread > _DIFFER)
    # who leans is no longer taken to be like the others: without what drew the lean towards none
    own = np.maximum(1 - (error / spread) ** 2, 0.2)
    mean, error = np.where(is_lean, mean / own, mean), np.where(is_lean, error / np.sqrt(own), error)
    of_others = spread if spread > _DIFFER else 0.0
    return np.where(is_lean, mean, 0.0), np.where(is_lean | is_open, error, 0.0), of_others


class _Steps(NamedTuple):
    """Of each step between two counts, or the opening and the first: the change that no record explains as a share of what
    stood, the days by thousand, whether it is the first, and who counted before and after (N, S)."""

    fall: Real
    exposure: Real
    is_first: Real
    before: Real
    after: Real


def _steps(chains: Chains, who: Whole, staff: int, copy: Real) -> _Steps:
    g, t = np.nonzero(chains.counted >= 0)
    off = chains.counted[g, t] - chains.book[g, t]
    upto = chains.exposure.cumsum(1)[g, t]
    is_first = np.diff(g, prepend=-1) != 0
    before = np.where(is_first, 0, np.roll(off, 1))
    since = np.where(is_first, 0.0, np.roll(upto, 1))
    plants = chains.book[g, t].astype(float)
    people = np.zeros((len(g), staff))
    row, k = np.nonzero(who[g, t] >= 0)
    many = np.maximum((who[g, t] >= 0).sum(1), 1)
    np.add.at(people, (row, who[g, t][row, k]), 1 / many[row])
    copies = people @ copy
    earlier = np.where(is_first[:, None], 0.0, np.roll(people, 1, axis=0))
    doubt = np.maximum(copies, np.where(is_first, 0.0, np.roll(copies, 1)))
    use = (plants >= _LEAST_PLANTS) & (doubt < 0.2)
    plants = np.maximum(plants, 1)
    every = (off - before) / plants, (upto - since) / plants, is_first.astype(float), earlier, people
    return _Steps(*(v[use] for v in every))


def _regression(fall: Real, design: Real) -> tuple[Real, Real, float]:
    """Coefficients, their standard errors, and the spread of leans (all columns but two)."""
    people = design.shape[1] - 2
    spread, scale = LEAN, max(float(np.median(np.abs(fall))), 1e-4)
    found = np.zeros(design.shape[1])
    for _ in range(30):
        off = fall - design @ found
        weight = (_T + 1) / (_T + (off / scale) ** 2)
        scale = max(float(np.sqrt((weight * off**2).mean())), 1e-5)
        prior = np.concatenate([[1e-12, 1 / _FIRST**2], np.full(people, 1 / spread**2)])
        weighted = design * (weight / scale**2)[:, None]
        variance = np.linalg.inv(weighted.T @ design + np.diag(prior))
        found = variance @ (weighted.T @ fall)
        square = (found[2:] ** 2 + np.diag(variance)[2:]).sum()
        spread = float(np.sqrt((square + _LEANS_WORTH * LEAN**2) / (people + _LEANS_WORTH)))
    return found, np.sqrt(np.diag(variance)), spread


def at_least(hits: ArrayLike, trials: ArrayLike, chance: ArrayLike) -> Real:
    """P(so many hits or more in so many trials), by the incomplete beta function (M. Abramowitz & I. A. Stegun, Handbook of
    Mathematical Functions, 26.5.24); hits of 0 come always. Parts of a hit or a trial are allowed."""
    k, n, p = (np.asarray(v, dtype=float) for v in (hits, trials, chance))
    tail: Real = np.where(k <= 0, 1.0, special.betainc(np.maximum(k, 1e-9), np.maximum(n - k + 1, 1e-9), p))
    return tail
