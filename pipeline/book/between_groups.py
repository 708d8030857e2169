"""What only two groups together show: counts that were exchanged, and plants moved from one to the other unrecorded."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from pipeline.book.chains import JUMPS, MEASURES, Built, Worked, build, work_out, work_out_once, write_down
from pipeline.book.reconcile import counted_by, rates_of
from pipeline.formulas.count_chain import Chains, Rates, exposures
from pipeline.formulas.unrecorded_moves import Change, Match, candidates, log_prior, settled
from pipeline.stages import Work

_SPREAD = {by: (5 - abs(by)) / 25 for by in range(-4, 5)}
_DAYS_OF_A_ROUND = 3
_NAMES = {name: i for i, name in enumerate(MEASURES)}
_TEXT, _WHOLE = "VARCHAR", "BIGINT"
_LEAST, _SDS = 8.0, 3.0
"""Changes of a group up to so many plants, or so many standard deviations of a near count, are not looked into."""


@dataclass(frozen=True)
class Far:
    """A count far from what was expected of its group: `position` in its chain, `on_day` since 1970."""

    on_day: int
    group_code: str
    position: int
    counted: int
    expected: int
    walk: str | None
    location: str | None
    house: str | None

    @property
    def rounds(self) -> list[tuple[str, ...]]:
        """What it shares with counts that it may have been exchanged with: the place, the house, the walk of that day."""
        shared = (("place", self.location), ("house", self.house), ("walk", self.walk))
        return [(kind, name) for kind, name in shared if name]


def find_exchanged(work: Work) -> None:
    """work.exchanged: counts of two groups of a place, a house or a walk within three days, each far from what was expected of
    its own group and near what was expected of the other; and what is believed of these groups then (exchanged_beliefs,
    exchanged_ends)."""
    in_force = rates_of(work)
    rates = in_force.rates
    far = [
        Far(*row)
        for row in work.rows(
            "SELECT i.on_day, i.group_code, i.position, i.counted, a.expected::BIGINT, n.walk, n.location, n.house"
            " FROM work.alone a"
            " JOIN work.chain_input i USING (group_code, position) JOIN work.chain_nodes n USING (group_code, position)"
            " WHERE i.counted > 0 AND a.expected > 0 AND abs(i.counted - a.expected) >= greatest($1, $2 * i.opened_with)"
            " ORDER BY i.on_day, i.group_code, i.position",
            [_LEAST, _SDS * rates.error],
        )
    ]
    pairs = _exchanges(far, rates.error)
    rows = [(a.group_code, a.position, b.group_code) for x in pairs for a, b in (x, x[::-1])]
    work.put("exchanged", {"group_code": _TEXT, "position": _WHOLE, "other_group": _TEXT}, rows)
    built = _built(work, {code for code, _, _ in rows})
    chains = counted_by(built, in_force)
    chains = _with_exchanges(chains, built, rows)
    write_down(work, "exchanged", built, work_out(chains, rates, work.context.workspace.settings.crate_size))


def _built(work: Work, codes: set[str]) -> Built:
    """The chains of some groups."""
    work.store.connection.execute(
        "CREATE OR REPLACE TEMP TABLE chosen AS SELECT unnest($1::VARCHAR[]) AS code", [sorted(codes)]
    )
    return build(work, chosen="group_code IN (SELECT code FROM chosen)")


def _exchanges(far: list[Far], error: float) -> list[tuple[Far, Far]]:
    by_number: dict[tuple[tuple[str, ...], int], list[Far]] = {}
    for item in far:
        for shared in item.rounds:
            by_number.setdefault((shared, item.counted // 8), []).append(item)
    found: list[tuple[Far, Far]] = []
    used: set[Far] = set()
    for one in far:
        near = []
        for key in range(one.expected // 8 - 2, one.expected // 8 + 3):
            for other in (o for shared in one.rounds for o in by_number.get((shared, key), ())):
                apart = max(abs(other.counted - one.expected), abs(one.counted - other.expected))
                tolerance = max(3.0, 3 * error * float(max(one.expected, other.expected)))
                is_of_round = abs(other.on_day - one.on_day) <= _DAYS_OF_A_ROUND
                if other.group_code != one.group_code and is_of_round and apart <= tolerance:
                    near.append((apart, other.group_code, other.position, other))
        if near and one not in used:
            other = min(near, key=lambda n: n[:3])[3]
            if other not in used:
                used |= {one, other}
                found.append((one, other))
    return found


def _with_exchanges(chains: Chains, built: Built, ends: Iterable[tuple[str, int, str]]) -> Chains:
    """The chains where such counts are taken to be those of the other group as likely as not."""
    index = {code: row for row, code in enumerate(built.codes)}
    of_others = chains.of_others.copy()
    for code, position, _ in ends:
        if code in index:
            of_others[index[code], position - 1] = 0.5
    return replace(chains, of_others=of_others)


_CHANGES = """
WITH believed AS (
    SELECT * FROM work.alone WHERE group_code NOT IN (SELECT group_code FROM work.exchanged_ends)
    UNION ALL
    SELECT * FROM work.exchanged_beliefs
),
nodes AS (
    SELECT i.*, b.expected, b.expected_low, b.expected_high, b.missing, b.missing_low, b.missing_high,
        i.position = max(i.position) FILTER (WHERE i.counted >= 0) OVER own AS is_last,
        coalesce(lag(i.on_day) OVER (own ORDER BY i.position), i.on_day - 400) AS since_day
    FROM believed b JOIN work.chain_input i USING (group_code, position)
    WINDOW own AS (PARTITION BY i.group_code)
),
sized AS (
    SELECT *, coalesce(is_last AND abs(expected - counted) > abs(missing), false) AS is_count FROM nodes
),
changes AS (
    SELECT *, CASE WHEN is_count THEN expected - counted ELSE missing END AS fall,
        CASE WHEN is_count THEN expected_low - counted ELSE missing_low END AS low,
        CASE WHEN is_count THEN expected_high - counted ELSE missing_high END AS high
    FROM sized
)
SELECT c.group_code, c.position, c.fall, c.low, c.high, c.since_day, c.on_day, c.rank, c.days, c.plants, o.rootstock, n.location
FROM changes c
JOIN work.chain_nodes n USING (group_code, position)
LEFT JOIN work.origins o USING (group_code)
WHERE abs(c.fall) >= greatest($1, $2 * c.opened_with)
    AND (c.group_code, c.position) NOT IN (SELECT group_code, position FROM work.exchanged)
ORDER BY c.group_code, c.position"""


def find_moves(work: Work) -> None:
    """work.paired_moves: unrecorded moves that are more likely than that the two changes came about apart, with the prior
    chances to give each end so that its own chain comes to believe the move just as much as both together do; and what is
    believed of these groups then (paired_beliefs, paired_ends)."""
    in_force = rates_of(work)
    rates = in_force.rates
    crate_size = work.context.workspace.settings.crate_size
    rows = work.rows(_CHANGES, [_LEAST, _SDS * rates.error])
    codes = sorted({row[0] for row in rows})
    index = {code: i for i, code in enumerate(codes)}
    about: dict[tuple[int, int], tuple[Any, ...]] = {}
    changes = []
    for code, position, fall, low, high, since, on_day, rank, days, plants, rootstock, location in rows:
        exposure = float(exposures(np.array([float(days)]), np.array([float(plants)]))[0])
        mean = rates.loss[rank] * exposure
        usual = mean + 2 * math.sqrt(mean * (1 + rates.clump))
        about[index[code], position - 1] = (rootstock or "", location, exposure)
        changes.append(Change(index[code], position - 1, int(fall), max(1.0, (high - low) / 4), usual, since, on_day))
    pairs = candidates(changes)
    matches: list[tuple[Match, tuple[float, float]]] = []
    touched = {codes[end.row] for m in pairs for end in (m.fall, m.rise)}
    built = _built(work, touched)
    own = {code: row for row, code in enumerate(built.codes)}
    chains = counted_by(built, in_force)
    chains = _with_exchanges(chains, built, work.rows("SELECT * FROM work.exchanged"))
    if pairs:
        evidence = _tried(
            work, chains, [(own[codes[m.fall.row]], own[codes[m.rise.row]]) for m in pairs], pairs, rates, crate_size
        )
        matches = _moves(work, pairs, evidence, about, rates)
    ends = [(a, b, m) for m, _ in matches for a, b in ((m.fall, m.rise), (m.rise, m.fall))]
    kinds = {"group_code": _TEXT, "position": _WHOLE, "other_group": _TEXT, "size": _WHOLE}
    work.put("paired_moves", kinds, [(codes[a.row], a.step + 1, codes[b.row], m.size) for a, b, m in ends])
    mine = [(_at(m, own[codes[m.fall.row]], own[codes[m.rise.row]]), chances) for m, chances in matches]
    rework = {end.row for m, _ in mine for end in (m.fall, m.rise)}
    write_down(work, "paired", built, work_out(with_moves(chains, mine), rates, crate_size, rework))


def _at(match: Match, fall_row: int, rise_row: int) -> Match:
    return Match(replace(match.fall, row=fall_row), replace(match.rise, row=rise_row), match.size)


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


def _tried(
    work: Work, chains: Chains, at: list[tuple[int, int]], pairs: list[Match], rates: Rates, crate_size: int
) -> list[tuple[float, float]]:
    """The natural log odds that each end gives its move by itself, had it been as likely as not."""
    rows = np.array([row for ends in at for row in ends])
    alone = [_at(m, 2 * i, 2 * i + 1) for i, m in enumerate(pairs)]
    trial = with_moves(chains.take(rows, chains.counted.shape[1]), ((m, (0.5, 0.5)) for m in alone))
    tried = work_out_once(work.store, trial, rates, crate_size)

    def odds(worked: Worked, step: int) -> float:
        return float(worked.measures[step, _NAMES["paired_odds"]])

    return [(odds(tried[m.fall.row], m.fall.step), odds(tried[m.rise.row], m.rise.step)) for m in alone]


def _moves(
    work: Work,
    pairs: list[Match],
    evidence: list[tuple[float, float]],
    about: dict[tuple[int, int], tuple[Any, ...]],
    rates: Rates,
) -> list[tuple[Match, tuple[float, float]]]:
    neighbours = dict(
        work.rows(
            "SELECT location, count(DISTINCT group_code) FROM work.chain_nodes WHERE location IS NOT NULL GROUP BY location"
        )
    )
    kin = dict(
        work.rows(
            "SELECT coalesce(o.rootstock, ''), count(*) FROM work.alone_ends"
            " LEFT JOIN work.origins o USING (group_code) GROUP BY ALL"
        )
    )
    judged, told = [], {}
    for m, (one, other) in zip(pairs, evidence, strict=True):
        stock, place, _ = about[m.fall.row, m.fall.step]
        its_stock, its_place, exposure = about[m.rise.row, m.rise.step]
        gain = -math.expm1(-rates.gain * exposure)
        near = place is not None and place == its_place
        prior = log_prior(m.size, gain, kin[its_stock] - 1, neighbours.get(place, 1), its_stock == stock, near)
        judged.append((m, one + other + prior))
        told[m.fall.row, m.fall.step, m.rise.row, m.rise.step] = (one, other)
    found = []
    for m, odds in settled(judged):
        one, other = told[m.fall.row, m.fall.step, m.rise.row, m.rise.step]
        found.append((m, (_chance(odds - one), _chance(odds - other))))
    return found


def _chance(odds: float) -> float:
    return 1 / (1 + math.exp(-min(13.8, max(-13.8, odds))))
