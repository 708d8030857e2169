"""What only two groups together show: counts that were exchanged, and plants moved from one to the other unrecorded."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from pipeline.book.chains import JUMPS, MEASURES, Built, Worked, work_out
from pipeline.formulas.count_chain import Chains, Rates
from pipeline.formulas.unrecorded_moves import Change, Match, candidates, log_prior, settled
from pipeline.store import Store

_SPREAD = {by: (5 - abs(by)) / 25 for by in range(-4, 5)}
_DAYS_OF_A_ROUND = 3
_NAMES = {name: i for i, name in enumerate(MEASURES)}


@dataclass(frozen=True)
class Exchange:
    """Two counts, each as (group, step), of which each holds the number of the other's group."""

    one: tuple[int, int]
    other: tuple[int, int]


def _measure(w: Worked, t: int, name: str) -> float:
    return float(w.measures[t, _NAMES[name]])


def _usual(built: Built, row: int, error: float) -> float:
    """Changes of a group up to so many plants are not looked into."""
    return max(8.0, 3 * error * float(built.chains.opened[row]))


def exchanged(built: Built, worked: dict[int, Worked], error: float) -> list[Exchange]:
    """Counts of two groups of a place within three days, each far from what was expected of its own group and near what
    was expected of the other."""
    far = []
    for row, w in worked.items():
        should, said = w.measures[:, _NAMES["expected"]], built.chains.counted[row, : len(w.measures)]
        for t in np.flatnonzero((said > 0) & (should > 0) & (np.abs(said - should) >= _usual(built, row, error))).tolist():
            far.append((int(built.day[row, t]), row, t, int(said[t]), int(should[t])))
    by_number: dict[int, list[tuple[int, int, int, int, int]]] = {}
    for item in far:
        by_number.setdefault(item[3] // 8, []).append(item)
    found, used = [], set()
    for day, row, t, counted, expected in sorted(far):
        near = []
        for key in range(expected // 8 - 2, expected // 8 + 3):
            for other_day, other, u, its_count, its_expected in by_number.get(key, ()):
                apart = max(abs(its_count - expected), abs(counted - its_expected))
                tolerance = max(3.0, 3 * error * float(max(expected, its_expected)))
                there = built.place[other, u] == built.place[row, t]
                if other != row and there and abs(other_day - day) <= _DAYS_OF_A_ROUND and apart <= tolerance:
                    near.append((apart, other, u))
        if near and (row, t) not in used:
            _, other, u = min(near)
            if (other, u) not in used:
                used |= {(row, t), (other, u)}
                found.append(Exchange((row, t), (other, u)))
    return found


def with_exchanges(chains: Chains, exchanges: Iterable[Exchange]) -> Chains:
    """The chains where such counts are taken to be those of the other group as likely as not."""
    of_others = chains.of_others.copy()
    for x in exchanges:
        of_others[x.one] = of_others[x.other] = 0.5
    return replace(chains, of_others=of_others)


def _changes(built: Built, worked: dict[int, Worked], exchanges: list[Exchange], rates: Rates) -> list[Change]:
    """Falls and rises that may be two ends of a move: changes nothing recorded explains, and last counts that stand out."""
    known = {end for x in exchanges for end in (x.one, x.other)}
    found = []
    for row, w in worked.items():
        counted = built.chains.counted[row, : len(w.measures)]
        last = int(np.flatnonzero(counted >= 0).max(initial=-1))
        for t in range(len(w.measures)):
            if (row, t) in known:
                continue
            since = int(built.day[row, t - 1]) if t else int(built.day[row, 0] - 400)
            sizes = [tuple(_measure(w, t, n) for n in ("missing", "missing_low", "missing_high"))]
            if t == last:
                sizes.append(tuple(_measure(w, t, n) - int(counted[t]) for n in ("expected", "expected_low", "expected_high")))
            fall, low, high = max(sizes, key=lambda s: abs(s[0]))
            if abs(fall) >= _usual(built, row, rates.error):
                mean = rates.loss[int(built.chains.stage[row, t])] * float(built.chains.exposure[row, t])
                usual = mean + 2 * math.sqrt(mean * (1 + rates.clump))
                sd = max(1.0, (high - low) / 4)
                found.append(Change(row, t, int(fall), sd, usual, since, int(built.day[row, t])))
    return found


def with_moves(chains: Chains, ends: Iterable[tuple[Match, tuple[float, float]]]) -> Chains:
    """The chains with each move as jumps of about its size, given the chance of it at the group that fell and that rose."""
    groups, nodes, _ = chains.jump.shape
    size = np.concatenate([chains.jump, np.zeros((groups, nodes, len(_SPREAD)), dtype=np.int64)], axis=2)
    chance = np.concatenate([chains.jump_chance, np.zeros((groups, nodes, len(_SPREAD)))], axis=2)
    for match, chances in ends:
        for end, sign, p in ((match.fall, -1, chances[0]), (match.rise, 1, chances[1])):
            chance[end.row, end.step, :JUMPS] *= 1 - p
            for k, (by, share) in enumerate(_SPREAD.items()):
                size[end.row, end.step, JUMPS + k] = sign * (match.size + by)
                chance[end.row, end.step, JUMPS + k] = p * share
    return replace(chains, jump=size, jump_chance=chance)


def moved(
    store: Store, built: Built, chains: Chains, worked: dict[int, Worked], exchanges: list[Exchange], rates: Rates,
    crate_size: int,
) -> list[tuple[Match, tuple[float, float]]]:  # fmt: skip
    """Unrecorded moves that are more likely than that the two changes came about apart, with the prior chances to give
    each end so that its own chain comes to believe the move just as much as both together do."""
    pairs = candidates(_changes(built, worked, exchanges, rates))
    if not pairs:
        return []
    rows = np.array([end.row for m in pairs for end in (m.fall, m.rise)])
    trial = chains.take(rows, chains.counted.shape[1])
    alone = [Match(replace(m.fall, row=2 * i), replace(m.rise, row=2 * i + 1), m.size) for i, m in enumerate(pairs)]
    tried = work_out(store, with_moves(trial, ((m, (0.5, 0.5)) for m in alone)), rates, crate_size)
    each = [(_measure(tried[m.fall.row], m.fall.step, "paired_odds"), _measure(tried[m.rise.row], m.rise.step, "paired_odds"))
            for m in alone]  # fmt: skip
    evidence = {(m.fall.row, m.fall.step, m.rise.row, m.rise.step): e for m, e in zip(pairs, each, strict=True)}
    neighbours, kin = _neighbours(built), Counter(built.kind)
    judged = []
    for m, (one, other) in zip(pairs, each, strict=True):
        place = int(built.place[m.fall.row, m.fall.step])
        near = place >= 0 and place == int(built.place[m.rise.row, m.rise.step])
        gain = -math.expm1(-rates.gain * float(chains.exposure[m.rise.row, m.rise.step]))
        judged.append((m, one + other + log_prior(
            m.size, gain, kin[built.kind[m.rise.row]] - 1, neighbours.get(place, 1),
            built.kind[m.rise.row] == built.kind[m.fall.row], near)))  # fmt: skip
    found = []
    for m, odds in settled(judged):
        one, other = evidence[(m.fall.row, m.fall.step, m.rise.row, m.rise.step)]
        found.append((m, (_chance(odds - one), _chance(odds - other))))
    return found


def _neighbours(built: Built) -> Counter[int]:
    """How many groups ever stood at each place."""
    row, step = np.nonzero(np.arange(built.place.shape[1]) < built.chains.length[:, None])
    return Counter(place for _, place in set(zip(row.tolist(), built.place[row, step].tolist(), strict=True)))


def _chance(odds: float) -> float:
    return 1 / (1 + math.exp(-min(13.8, max(-13.8, odds))))
