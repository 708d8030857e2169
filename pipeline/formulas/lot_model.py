"""Lots' take on the logit: penalised effects, lots that differ, and random parts that lots share, all learned.

The model: logit(take of a lot) = the effects that it takes up, fitted by weighted penalised likelihood. A lot of n buds
weighs n / (1 + (n - 1) rho), as D. A. Williams, Applied Statistics 31 (1982) 144-148. The penalty draws each effect towards
nothing as so many lots would. A random part (batches, teams within months) is a factor whose spread is learned by
restricted likelihood and may be nothing. The largest factor is never inverted: no lot takes up two of its levels,
so its block is diagonal.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

if TYPE_CHECKING:
    from scipy import sparse

Real = NDArray[np.float64]
Whole = NDArray[np.int64]
_FLOOR = 1e-4
"""The variance of a random part that counts as none (sd 0.01 on the logit)."""
_WIDEST = 1.0
"""How large the variance of a random part may be expected to be where the lots say nothing about it."""
_CAUTION = 0.25
"""How far what is used of a variance goes from the likeliest to the mean of what is possible; set by simulation."""


@dataclass(frozen=True)
class Inverse:
    """The inverse of an information matrix (p, p) whose last q columns are one factor: `small` (p - q, p - q) is that of the
    others with the factor taken out (Schur's complement), `cross` (p - q, q) what each level gives of them, `own` (q,) the
    inverse of its own diagonal."""

    small: Real
    cross: Real
    own: Real

    @cached_property
    def _carried(self) -> Real:
        carried: Real = self.small @ self.cross
        return carried

    @cached_property
    def _carried_own(self) -> Real:
        own: Real = np.einsum("ij,ij->j", self.cross, self._carried)
        return own

    def diagonal(self) -> Real:
        """(p,)"""
        return np.append(np.diag(self.small), self.own + self._carried_own)

    def times(self, rows: Real) -> Real:
        """(k, p) rows times the inverse."""
        many = len(self.small)
        first = (rows[:, :many] - rows[:, many:] @ self.cross.T) @ self.small
        return np.hstack([first, rows[:, many:] * self.own - first @ self.cross])

    def squares(self, one: slice, other: slice) -> float:
        """The sum of the squares of the block of two factors' columns."""
        many = len(self.small)
        if one.start >= many and other.start >= many:
            around = self._carried @ self.cross.T
            return float((self.own**2).sum() + 2 * (self.own * self._carried_own).sum() + (around * around.T).sum())
        if one.start >= many or other.start >= many:
            return float((self._carried[other if one.start >= many else one] ** 2).sum())
        return float((self.small[one, other] ** 2).sum())


class Fit(NamedTuple):
    """`coefficients` (p,) on the logit and the `inverse` of their information."""

    coefficients: Real
    inverse: Inverse

    @property
    def covariance(self) -> Real:
        """(p, p)"""
        return self.inverse.times(np.eye(len(self.coefficients)))


@dataclass(frozen=True)
class Design:
    """The distinct rows of a design of zeros and ones: `column` (k, c) the coefficients that a row takes up, out of `width`
    (`width` itself where it takes up fewer than k); `row` (m,) says which of them each lot has. Sums over the lots of each
    row are all that a fit needs. The last of the k may be a factor of the last `levels` coefficients."""

    column: Whole
    row: Whole
    width: int
    levels: int = 0

    def times(self, b: Real) -> Real:
        """(c,) the rows times the coefficients."""
        product: Real = np.append(b, 0.0)[self.column].sum(0)
        return product

    def gathered(self, v: Real) -> Real:
        """(p,) the transposed rows times (c,) numbers."""
        found = np.zeros(self.width + 1)
        for own in self.column:
            found += np.bincount(own, v, self.width + 1)
        return found[:-1]

    def squared(self, v: Real) -> tuple[Real, Real, Real]:
        """The transposed rows times the rows, each weighing v (c,): (p - q, p - q) of the others, (p - q, q) of these with the
        last factor, (q,) its own; a table for each two of the k."""
        many = self.width - self.levels
        half, cross = np.zeros((many + 1, many + 1)), np.zeros((many + 1, self.levels + 1))
        for with_last, block, place in self._tables:
            whole = cross if with_last else half
            whole[block] += np.bincount(place, v, whole[block].size).reshape(whole[block].shape)
        half = half[:-1, :-1]
        own = self.gathered(v)
        return half + half.T + np.diag(own[:many]), cross[:-1, :-1], own[many:]

    @cached_property
    def _tables(self) -> list[tuple[bool, tuple[slice, slice], Whole]]:
        many, last = self.width - self.levels, len(self.column) - 1 if self.levels else len(self.column)
        # what a row does not take up stands after the columns of its own table
        local = []
        for i, c in enumerate(self.column):
            start, stop = (many, self.levels) if i == last else (0, many)
            local.append(np.where(c == self.width, stop, c - start))
        least, most = [int(c.min()) for c in local], [int(c.max()) + 1 for c in local]
        return [
            (
                j == last,
                (slice(least[i], most[i]), slice(least[j], most[j])),
                (local[i] - least[i]) * (most[j] - least[j]) + local[j] - least[j],
            )
            for i, j in combinations(range(len(local)), 2)
        ]

    def of_lots(self, values: Real) -> Real:
        """(c,) sums of the values (m,) of the lots of each row."""
        sums: Real = np.bincount(self.row, values, self.column.shape[1]).astype(float)
        return sums


def _design(matrix: sparse.csr_array | Design) -> Design:
    if isinstance(matrix, Design):
        return matrix
    is_in = matrix.toarray()
    if not np.isin(is_in, (0, 1)).all():
        raise ValueError("a design is of zeros and ones")
    rows, row = np.unique(is_in, axis=0, return_inverse=True)
    column = np.where(rows > 0, np.arange(rows.shape[1]), rows.shape[1]).T
    return Design(column, row, rows.shape[1])


def one_hot(factors: dict[str, Whole], last: str = "") -> tuple[Design, dict[str, slice]]:
    """The design of a level common to all and one coefficient for each level of each factor (m,), numbered from 0, below 0 for
    none of them; with the columns of each factor. Lots alike in all factors share a row. The factor `last` stands last,
    else the largest."""
    ordered = dict(sorted(factors.items(), key=lambda item: (item[0] == last, item[1].max(initial=-1))))
    row = np.zeros(len(next(iter(factors.values()))), dtype=np.int64)
    for factor in ordered.values():
        _, row = np.unique(row * (factor.max() + 2) + factor + 1, return_inverse=True)
    _, first = np.unique(row, return_index=True)
    width, where = 1, {}
    for kind, factor in ordered.items():
        where[kind] = slice(width, width + int(factor.max(initial=-1)) + 1)
        width = where[kind].stop
    columns = [np.where(ordered[k][first] < 0, width, where[k].start + ordered[k][first]) for k in ordered]
    own = where[list(ordered)[-1]]
    return Design(np.stack([np.zeros(len(first), dtype=np.int64), *columns]), row, width, own.stop - own.start), where


def fit(
    taken: ArrayLike,
    read: ArrayLike,
    design: sparse.csr_array | Design,
    penalty: ArrayLike,
    rho: float,
    start: Real | None = None,
    near: float = 1e-8,
) -> Fit:
    """Penalised logistic regression of lots (m,) on a design (m, p), each lot weighing 1 / (1 + (n - 1) rho) a bud.

    `penalty` (p,) is 1 / spread^2 of each coefficient, 0 for none. With no penalty and rho from Williams' rule these are his
    estimates. Newton steps until none is above `near`, halved where they would overshoot. Raises ValueError where the design
    cannot be told apart.
    """
    y, n, ridge = (np.asarray(v, dtype=float) for v in (taken, read, penalty))
    weight, x = 1 / (1 + rho * np.maximum(n - 1, 0)), _design(design)
    y, n = x.of_lots(weight * y), x.of_lots(weight * n)
    many = x.width - x.levels

    def loss(b: Real, eta: Real) -> float:
        return float((n * np.logaddexp(0, eta) - y * eta).sum() + (ridge * b * b).sum() / 2)

    b = np.zeros(x.width) if start is None else start
    eta = x.times(b)
    now = loss(b, eta)
    for _ in range(60):
        mean = special.expit(eta)
        rest, cross, own = x.squared(n * mean * (1 - mean))
        own = 1 / (own + ridge[many:])
        small = rest + np.diag(ridge[:many]) - (cross * own) @ cross.T
        cross = cross * own
        slope = x.gathered(y - n * mean) - ridge * b
        try:
            inverse = np.linalg.inv(small).astype(float)
        except np.linalg.LinAlgError:
            raise ValueError("the effects cannot be told apart") from None
        first = inverse @ (slope[:many] - cross @ slope[many:])
        step = np.append(first, slope[many:] * own - first @ cross)
        along, size, before = x.times(step), 1.0, now
        while (now := loss(b + size * step, eta + size * along)) > before + 1e-12 and size > 1e-4:
            size /= 2
        b, eta = b + size * step, eta + size * along
        if abs(before - now) < 1e-2 * near * (1 + abs(now)) and np.abs(size * step).max() < near:
            break
    return Fit(b, Inverse(inverse, cross, own))


class Learned(NamedTuple):
    """A fit with what was learned for it. `free` is the degrees of freedom of `rho` (lots less the coefficients that the
    penalty leaves free). Of the random parts (k,): `found` their variances by restricted likelihood, 0 for none; `variances`
    those that the fit uses; `doubt` (k, k) the covariance of what the lots leave possible."""

    fitted: Fit
    rho: float
    free: float
    found: Real
    variances: Real
    doubt: Real


def fit_with_rho(
    taken: ArrayLike,
    read: ArrayLike,
    design: sparse.csr_array | Design,
    spread: ArrayLike,
    kind: ArrayLike,
    parts: Sequence[slice] = (),
    rounds: int = 20,
) -> Learned:
    """The fit with its rho, its spreads and its random parts.

    rho is Williams': that at which the weighted squares of what is left over are as many as the degrees of freedom. `spread`
    (p,) is the standard deviation that each coefficient is expected to have (infinite for none). Coefficients of one `kind`
    (p,) from 1 on are a family whose own spread is learned, the one given standing for four of them; kind 0 is left as it is.
    The spreads are those of expectation and maximisation, N. E. Breslow & D. G. Clayton, JASA 88 (1993) 9-25.

    `parts` are the columns of the random parts. Their variances climb the restricted likelihood of the same working model by
    Fisher's scoring, down to nothing. That a part is found to be nothing does not show that it is: the fit goes some way to
    the mean of the normal curve that score and information describe, cut off at 0: what is little known counts for more.
    """
    y, n, expected = (np.asarray(v, dtype=float) for v in (taken, read, spread))
    family, x = np.asarray(kind), _design(design)
    ridge, rho, variances = 1 / expected**2, 0.0, np.full(len(parts), 0.05)
    _penalise(ridge, parts, variances)
    sizes, of_size = np.unique(np.maximum(n - 1, 0), return_inverse=True)
    found, doubt, is_found = variances, np.zeros((len(parts), len(parts))), not parts
    fitted, free = fit(y, n, x, ridge, rho, near=1e-2), float(len(y))
    for turn in range(2 * rounds if parts else rounds):
        mean = special.expit(x.times(fitted.coefficients))[x.row]
        squares = np.bincount(of_size, (y - n * mean) ** 2 / (n * mean * (1 - mean)), len(sizes)).astype(float)
        variance = fitted.inverse.diagonal()
        free = len(y) - (len(ridge) - float(variance @ ridge))
        before = (rho, ridge)
        rho = _williams(squares, sizes, free)
        seen = fitted.coefficients**2 + variance
        for k in np.unique(family[family > 0]):
            own = family == k
            ridge = np.where(own, (own.sum() + 4) / (seen[own].sum() + 4 * expected[own][0] ** 2), ridge)
        was = variances
        if not is_found:
            score, information = _restricted(fitted, parts, variances)
            variances = np.maximum(_FLOOR, variances + _scored(score, information, variances))
            ridge = ridge.copy()
            _penalise(ridge, parts, variances)
        fitted = fit(y, n, x, ridge, rho, fitted.coefficients, near=1e-2)
        is_still = abs(rho - before[0]) < 1e-7 + 1e-4 * rho
        is_still &= bool((np.abs(ridge - before[1]) <= 3e-3 * before[1])[family > 0].all())
        is_still &= bool(np.abs(variances - was).max(initial=0) <= _FLOOR + 1e-2 * variances.max(initial=0))
        if not is_found and (is_still or turn + 1 >= rounds):
            score, information = _restricted(fitted, parts, variances)
            found, is_found = np.where(variances > _FLOOR, variances, 0.0), True
            variances, doubt = _possible(score, information, variances)
            ridge = ridge.copy()
            _penalise(ridge, parts, variances)
            fitted = fit(y, n, x, ridge, rho, fitted.coefficients, near=1e-2)
        elif is_still:
            break
    return Learned(fit(y, n, x, ridge, rho, fitted.coefficients), rho, free, found, variances, doubt)


def _penalise(ridge: Real, parts: Sequence[slice], variances: Real) -> None:
    for own, variance in zip(parts, variances, strict=True):
        ridge[own] = 1 / variance


def _restricted(fitted: Fit, parts: Sequence[slice], variances: Real) -> tuple[Real, Real]:
    """(k,) score and (k, k) expected information of the variances of the random parts in the restricted likelihood of the
    working model (D. A. Harville, JASA 72 (1977) 320-338), with a very wide half-normal prior."""
    diagonal, inverse = fitted.inverse.diagonal(), fitted.inverse
    score, information = np.empty(len(parts)), np.empty((len(parts), len(parts)))
    for i, (own, v) in enumerate(zip(parts, variances, strict=True)):
        effects, trace, many = fitted.coefficients[own], diagonal[own].sum() / v, own.stop - own.start
        score[i] = ((effects @ effects) / v - (many - trace)) / (2 * v) - v / _WIDEST**2
        information[i, i] = (many - 2 * trace + inverse.squares(own, own) / v**2) / (2 * v * v) + 1 / _WIDEST**2
        for j in range(i):
            shared = inverse.squares(own, parts[j]) / (2 * v**2 * variances[j] ** 2)
            information[i, j] = information[j, i] = shared
    return score, information


def _scored(score: Real, information: Real, variances: Real) -> Real:
    """The step of Fisher's scoring; variances at the floor that would fall further stay where they are."""
    moves = np.ones(len(score), dtype=bool)
    while True:
        step = np.zeros(len(score))
        step[moves] = np.linalg.solve(information[np.ix_(moves, moves)], score[moves])
        stuck = moves & (variances <= _FLOOR) & (step < 0)
        if not stuck.any():
            return step
        moves &= ~stuck


def _possible(score: Real, information: Real, variances: Real) -> tuple[Real, Real]:
    """Variances to be used (k,), and the covariance (k, k) of what is possible: normal about what one further step would give
    without the floor, each cut off at 0."""
    covariance: Real = np.linalg.inv(information).astype(float)
    spread = np.sqrt(np.diag(covariance))
    middle = variances + np.where(variances > _FLOOR, 0.0, covariance @ score)
    hazard, share = cut_off(-middle / spread)
    used: Real = np.maximum(_FLOOR, variances + _CAUTION * (middle + spread * hazard - variances))
    return used, covariance * np.outer(share, share)


def cut_off(at: Real) -> tuple[Real, Real]:
    """Of normal curves cut off below `at` (k,), in standard deviations from their middles: how far above these the mean of what
    is left lies, and what its spread is."""
    hazard = np.exp(-at * at / 2 - math.log(math.sqrt(2 * math.pi)) - special.log_ndtr(-at))
    return hazard, np.sqrt(np.maximum(1 + at * hazard - hazard**2, 1e-6))


def _williams(squares: Real, sizes: Real, free: float) -> float:
    """The rho in 0 to 1 at which squares / (1 + rho sizes), both (s,), add up to the degrees of freedom. What is left over
    falls ever less steeply as rho rises, so Newton's steps from 0 come near without going past."""
    rho = 0.0
    for _ in range(100):
        below = 1 + rho * sizes
        over = (squares / below).sum() - free
        slope = (squares * sizes / below**2).sum()
        if free <= 0 or over <= 0 or slope <= 0 or rho >= 1:
            break
        rho += over / slope
        if over / slope < 1e-14:
            break
    return float(min(1.0, rho)) if free > 0 else 0.0
