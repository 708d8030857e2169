"""Teams compared fairly: what each was given is allowed for, that lots differ, and that lots share batches and months.

The model: logit(take of a lot) = level + rootstock + scion + pair + season + attempt + batch + team + team within month, as
`lot_model.py` fits it. Pairs are drawn strongly towards nothing (they are what rootstock and scion do not explain), the rest
weakly, so that sparse and all-green cells stay finite; batches and teams within months are random parts. Batches and houses
are compared in the same manner, the teams being among what they were given.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special
from scipy.sparse import csgraph, csr_array

from pipeline.formulas.lot_model import Design, Learned, fit_with_rho, one_hot
from pipeline.formulas.proportions import Z95

Real = NDArray[np.float64]
Whole = NDArray[np.int64]

SPREAD = {"rootstock": 0.8, "scion": 0.8, "pair": 0.4, "season": 0.5, "attempt": 1.5, "team": 0.5}
"""Standard deviation, on the logit, that each kind of effect is expected to have; of attempt it stays so, for the others it is
learned from the nursery's own lots, with this as good as four effects seen."""
_COMPARED = 1.5
"""The same of what is compared; it stays so."""


class Compared(NamedTuple):
    """Of one team: its take had it budded the whole mix with a 95 % interval, the q-value of "differs from the mean of the
    others", whether it is `better`, `worse` or neither (empty), and the degrees of freedom of both. Numbers are NaN where it
    cannot be compared."""

    adjusted: float
    low: float
    high: float
    q_value: float
    flag: str
    freedom: float


class Parts(NamedTuple):
    """The random parts that were learned, by name, with their variances on the logit (k,), the covariance of these (k, k), and
    the correlation of the buds of one lot beside them."""

    names: tuple[str, ...]
    variances: Real
    doubt: Real
    rho: float


CANNOT = "cannot be compared"
NOT_FROM = "cannot be told from "
_LEARNED = 1.2
"""What random parts add to a variance counts for so much more, because they are learned too (R. N. Kackar & D. A. Harville,
JASA 79 (1984) 853-862); how much was set by simulation, tests/bench/rates_bench.py."""
_FEW = 3
"""With fewer degrees of freedom among all batches, beside the teams, a team that shares none cannot be told from its own."""
_POINTS = 512
"""Rows of the whole mix, alike in take, are put together into so many."""


def apart(team: Whole, *levels: Whole) -> set[int]:
    """The teams that share no level of any of the factors (each (m,)) with another team."""
    names, who = np.unique(team, return_inverse=True)
    alone = np.ones(len(names), dtype=bool)
    for factor in levels:
        _, level = np.unique(factor, return_inverse=True)
        is_there = np.bincount(level * len(names) + who, minlength=(level.max(initial=-1) + 1) * len(names)) > 0
        is_there = is_there.reshape(-1, len(names))
        alone &= ~is_there[is_there.sum(1) > 1].any(0)
    return set(names[alone].tolist())


def only_its_own(who: Whole, factor: Whole) -> dict[int, list[int]]:
    """Of those compared (m,) the levels of a factor (m,; below 0 for none), where nobody else has any of them."""
    pairs = np.unique(np.stack([who, factor], 1), axis=0)
    level, times = np.unique(pairs[:, 1], return_counts=True)
    is_own = (times[np.searchsorted(level, pairs[:, 1])] == 1) & (pairs[:, 1] >= 0)
    shares = set(pairs[~is_own, 0].tolist())
    found: dict[int, list[int]] = {}
    for one, own in pairs.tolist():
        if one not in shares:
            found.setdefault(one, []).append(own)
    return found


def _numbered(values: Sequence[str | None]) -> tuple[list[str], Whole]:
    """The names in order and the number of each value (m,) among them, -1 for none."""
    names = sorted({v for v in values if v is not None})
    number: dict[str | None, int] = {None: -1} | {name: i for i, name in enumerate(names)}
    return names, np.fromiter(map(number.__getitem__, values), np.int64, len(values))


def _tells(who: Whole, part: Whole) -> int:
    """Degrees of freedom that the levels of a part (below 0: none) have beside those of another factor."""
    a, b = np.unique(who, return_inverse=True)[1], np.unique(part, return_inverse=True)[1]
    have = part >= 0
    if not have.any():
        return 0
    size, a, b = int(a.max()) + 1, a[have], b[have]
    linked = csr_array((np.ones(len(a)), (a, size + b)), shape=(size + int(b.max()) + 1,) * 2)
    parted = csgraph.connected_components(linked, directed=False)[1]
    return len(np.unique(b)) - len(np.unique(parted[np.concatenate([a, size + b])]))


def compare_teams(
    taken: ArrayLike, read: ArrayLike, factors: dict[str, Sequence[str]], team: Sequence[str], least: int
) -> dict[str, Compared]:
    """Each team's adjusted take from lots (m,), as `compare` has it. `factors` may have a `batch`; with a `season` teams may
    differ from month to month."""
    given = {k: v for k, v in factors.items() if k != "batch"}
    return compare(taken, read, given, "team", team, least, team_parts(factors, team))[0]


def team_parts(factors: dict[str, Sequence[str]], team: Sequence[str]) -> dict[str, Sequence[str | None]]:
    """The random parts that teams are compared beside: batches, and teams within months, where these are known."""
    parts: dict[str, Sequence[str | None]] = {"batch": factors["batch"]} if "batch" in factors else {}
    if "season" in factors:
        parts["team in month"] = [f"{t} {s}" for t, s in zip(team, factors["season"], strict=True)]
    return parts


def compare(
    taken: ArrayLike,
    read: ArrayLike,
    factors: Mapping[str, Sequence[str | None]],
    kind: str,
    compared: Sequence[str],
    least: int,
    parts: Mapping[str, Sequence[str | None]],
) -> tuple[dict[str, Compared], Parts]:
    """The adjusted take of each of those compared, from lots (m,): marginal standardisation over the buds read of the whole
    nursery; and the random parts.

    `factors` names columns of `SPREAD`. What has fewer than `least` buds read gets no flag; what shares neither rootstock nor
    scion with another, or has only one batch (rootstock, scion, team, month), and that alone, gets no number. Q-values:
    Y. Benjamini & Y. Hochberg, JRSS B 57 (1995) 289-300.
    """
    y, n = np.asarray(taken, dtype=float), np.asarray(read, dtype=float)
    keep = n > 0
    y, n = y[keep], n[keep]
    nothing = Parts((), np.zeros(0), np.zeros((0, 0)), 0.0)
    if not len(n):
        return {}, nothing
    names, who = _numbered(compared)
    named = {k: _numbered(v) for k, v in (*factors.items(), *parts.items())}
    who, indices = who[keep], {k: v[keep] for k, (_, v) in named.items()}
    said = dict.fromkeys(apart(who, indices["rootstock"], indices["scion"]), CANNOT)
    owned: dict[int, tuple[str, str]] = {}
    for other, word, words in _CONFUSED[kind]:
        for t, levels in only_its_own(who, indices[other]).items() if other in indices else ():
            told = NOT_FROM + (word if len(levels) == 1 else words) + " " + ", ".join(named[other][0][k] for k in levels)
            if len(levels) == 1:
                said.setdefault(t, told)
            owned.setdefault(t, (other, told))
    teams = np.array(sorted(set(who.tolist()) - set(said)), dtype=np.int64)
    if len(teams) < 2:
        said |= dict.fromkeys(teams.tolist(), CANNOT)
    found = {names[t]: Compared(math.nan, math.nan, math.nan, math.nan, said[t], math.nan) for t in sorted(said)}
    others = [who, *(indices[k] for k in factors)]
    shared = {k: indices[k] for k in parts if all(_tells(other, indices[k]) > 0 for other in others)}
    if len(teams) < 2 and not shared:
        return found, nothing
    design, where = one_hot({k: indices[k] for k in factors} | {kind: who} | shared)
    spread, family = np.full(design.width, 5.0), np.zeros(design.width, dtype=np.int64)
    # the level too is held, very loosely: where all buds are green nothing else would
    for i, k in enumerate(where, 1):
        spread[where[k]] = _COMPARED if k == kind else SPREAD.get(k, 0.5)
        family[where[k]] = i if k not in ("attempt", kind, *shared) else 0
    learned = fit_with_rho(y, n, design, spread, family, [where[k] for k in shared])
    known = Parts(tuple(shared), learned.found, learned.doubt, learned.rho)
    if len(teams) < 2:
        return found, known
    mix = design.of_lots(np.where(np.isin(who, teams), n, 0.0))
    left_out = [where[k] for k in shared if k == "team in month"]
    shares, slopes = _standardised(design, learned, mix / mix.sum(), where[kind], where[kind].start + teams, left_out)
    buds = np.bincount(who, n, len(names))[teams].astype(float)
    judged = _judged([names[t] for t in teams], shares, slopes, learned, [where[k] for k in shared], buds, least)
    for t, (other, told) in owned.items():
        if t not in said and not judged[names[t]].flag and _tells(who, indices[other]) < _FEW:
            judged[names[t]] = judged[names[t]]._replace(flag=told)
    return found | judged, known


_CONFUSED = {
    "team": (("batch", "batch", "batches"),),
    "age": (("batch", "batch", "batches"),),
    "batch": (
        ("scion", "scion", "scions"),
        ("rootstock", "rootstock", "rootstocks"),
        ("team", "team", "teams"),
        ("season", "month", "months"),
    ),
    "house": (("team", "team", "teams"), ("scion", "scion", "scions"), ("rootstock", "rootstock", "rootstocks")),
}
"""What those compared may be mistaken for, with its name: one, several."""


def _standardised(
    design: Design, learned: Learned, mix: Real, own: slice, places: Whole, left_out: Sequence[slice]
) -> tuple[Real, Real]:
    """Shares (k,) that come of the whole mix (c,) in the hands of each of those compared, their `places` (k,) among the
    coefficients; and their slopes (k, p). `own` and what is `left_out` are not part of the mix."""
    coefficients = learned.fitted.coefficients.copy()
    effects = coefficients[places]
    for gone in (own, *left_out):
        coefficients[gone] = 0.0
    base = design.times(coefficients)
    order = np.argsort(base, kind="stable")
    order = order[mix[order] > 0]
    point = np.arange(len(order))
    if len(order) > _POINTS:
        point = np.unique(np.minimum(np.cumsum(mix[order]) * _POINTS, _POINTS - 1).astype(np.int64), return_inverse=True)[1]
    weight = np.bincount(point, mix[order])
    middle = np.bincount(point, mix[order] * base[order]) / weight
    rows = np.zeros((len(weight), design.width + 1))
    for column in design.column:
        np.add.at(rows, (point, column[order]), mix[order] / weight[point])
    for gone in (own, *left_out):
        rows[:, gone] = 0.0
    mean = special.expit(middle + effects[:, None])
    gain = weight * mean * (1 - mean)
    slopes = gain @ rows[:, :-1]
    slopes[np.arange(len(places)), places] = gain.sum(1)
    return mean @ weight, slopes


def q_values(chances: ArrayLike) -> Real:
    """The least rate of false discoveries at which each of these p-values (k,) is among what is found: of each and all above
    it the least p k / rank. Y. Benjamini & Y. Hochberg, JRSS B 57 (1995) 289-300."""
    p = np.asarray(chances, dtype=float)
    order = np.argsort(p)[::-1]
    found = np.empty(len(p))
    found[order] = np.minimum.accumulate(p[order] * len(p) / np.arange(len(p), 0, -1))
    return np.minimum(found, 1.0)


def _errors(rows: Real, learned: Learned, parts: Sequence[slice]) -> tuple[Real, Real]:
    """Standard errors of combinations (k, p) of the coefficients, and their degrees of freedom (k,) after F. E. Satterthwaite,
    Biometrics Bulletin 2 (1946) 110-114: what the random parts give to each variance has the freedom of these parts, the rest
    that of the lots."""
    turned = learned.fitted.inverse.times(rows)
    variance = np.maximum(np.einsum("ij,ij->i", turned, rows), 1e-300)
    by_part = [(turned[:, own] ** 2).sum(1) / v**2 for own, v in zip(parts, learned.variances, strict=True)]
    slope = np.stack(by_part, 1) if by_part else np.zeros((len(rows), 0))
    by_all = slope @ learned.variances
    rest = np.maximum(variance - by_all, 0.0)
    variance = variance + (_LEARNED - 1) * by_all
    doubt = _LEARNED**2 * np.einsum("ij,jk,ik->i", slope, learned.doubt, slope) + 2 * rest**2 / max(1.0, learned.free)
    return np.sqrt(variance), np.maximum(2 * variance**2 / np.maximum(doubt, 1e-300), 1.0)


def _judged(
    names: list[str], shares: Real, slopes: Real, learned: Learned, parts: Sequence[slice], buds: Real, least: int
) -> dict[str, Compared]:
    """Intervals and contrasts with the mean of the others, on the logit; flags."""
    many, logits = len(names), special.logit(shares)
    rows = slopes / (shares * (1 - shares))[:, None]
    error, freedom = _errors(rows, learned, parts)
    half = special.stdtrit(freedom, 0.975) * error
    # each less the mean of the others: many / (many - 1) times itself less the mean of all
    scale = many / (many - 1)
    error, freedom = _errors(scale * (rows - rows.mean(0)), learned, parts)
    difference = scale * (logits - logits.mean())
    q = q_values(2 * special.stdtr(freedom, -np.abs(difference) / error))
    found = {}
    for i, name in enumerate(names):
        flag = ("better" if difference[i] > 0 else "worse") if q[i] < 0.05 and buds[i] >= least else ""
        low, high = float(special.expit(logits[i] - half[i])), float(special.expit(logits[i] + half[i]))
        found[name] = Compared(float(shares[i]), low, high, float(q[i]), flag, float(freedom[i]))
    return found


class Ratio(NamedTuple):
    """An odds ratio with its 95 % interval; NaN where it cannot be said."""

    ratio: float
    low: float
    high: float


def odds_ratio(taken: Real, failed: Real, others_taken: Real, others_failed: Real, deff: float = 1.0) -> Ratio:
    """The Mantel-Haenszel odds ratio over strata (each (s,)) with the interval of J. Robins, N. Breslow & S. Greenland,
    Biometrics 42 (1986) 311-323, its variance widened by `deff`."""
    total = taken + failed + others_taken + others_failed
    kept = total > 0
    a, b, c, d, t = (v[kept].astype(float) for v in (taken, failed, others_taken, others_failed, total))
    r, s, p, q = a * d / t, b * c / t, (a + d) / t, (b + c) / t
    if r.sum() <= 0 or s.sum() <= 0:
        return Ratio(math.nan, math.nan, math.nan)
    variance = (
        (p * r).sum() / (2 * r.sum() ** 2)
        + ((p * s + q * r).sum()) / (2 * r.sum() * s.sum())
        + (q * s).sum() / (2 * s.sum() ** 2)
    )
    ratio = r.sum() / s.sum()
    half = Z95 * math.sqrt(variance * max(1.0, deff))
    return Ratio(float(ratio), float(ratio * math.exp(-half)), float(ratio * math.exp(half)))


def funnel(share: float, read: Real, deff: float = 1.0, quantile: float = Z95) -> tuple[Real, Real]:
    """Limits within which a share of so many (k,) is expected to lie when nothing but chance is at work, widened by `deff`.

    D. J. Spiegelhalter, Statistics in Medicine 24 (2005) 1185-1202; with `deff` 1 and `quantile` 3 those of a p-chart.
    """
    half = quantile * np.sqrt(share * (1 - share) * deff / read)
    return np.maximum(0.0, share - half), np.minimum(1.0, share + half)
