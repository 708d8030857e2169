"""Completed counts and the book -> what stands, which count is doubtful and why: the chains of all groups, worked out.

Rates are learned from what is dated before the first of the month of the day asked for (from everything, while that is
little), so they hold for a month, and a group that nothing new was recorded of keeps what was worked out for it before:
`work.chain_cache` keeps that under a digest of all that it depends on, so it is never other than a fresh run would be.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass, fields, replace

import numpy as np

from pipeline.formulas.chain_rates import EXACT, Learned, batches, fixed, learn, with_exact
from pipeline.formulas.count_chain import Beliefs, Chains, Rates, believe, kernels, quantile
from pipeline.formulas.miscounts import Real, Whole
from pipeline.formulas.unrecorded_moves import Change, Match, pair_up
from pipeline.settings import Settings
from pipeline.store import Store

WRONG_SDS = 3.5
"""A count is wrong when it is off by more than so many standard deviations of a near count, and by more than 2 plants."""
_ENOUGH = 200
_MOST_TO_LEARN_FROM = 1500
_LATE_LOSS, _NOT_MADE, _PAIRED = 0.10, 0.005, 0.5
_SPREAD = {-2: 0.05, -1: 0.2, 0: 0.5, 1: 0.2, 2: 0.05}
_JUMPS = 3
MEASURES = ("expected", "expected_low", "expected_high", "stands", "stands_low", "stands_high", "p_wrong", "p_exact", "error",
            "way", "way_chance", "missing", "missing_low", "missing_high", "jump_1", "jump_2", "jump_3", "paired")  # fmt: skip
"""What is kept of each node; `way` is an index of near (0), then WAYS; `missing` is the fall without a record in the step."""


@dataclass(frozen=True)
class _Built:
    """The chains of a nursery with what names their parts. `codes` (G,); `day` (G, T) days since 1970."""

    codes: list[str]
    chains: Chains
    who: Whole
    staff: list[str]
    day: Whole
    final_book: Whole


def _exposures(days: Real, plants: Real) -> Real:
    """Days of a group of a thousand, in steps of a ninth, so that many steps share one kernel."""
    raw = days * plants / 1000
    return np.where(raw > 0, 2 ** (np.round(np.log2(np.maximum(raw, 1e-9)) * 8) / 8), 0.0)


def _build(store: Store) -> _Built:
    columns = store.connection.execute(
        "SELECT n.group_code, n.position, coalesce(n.counted, -1) AS counted, n.book, n.least, n.days, n.plants, n.rank,"
        " coalesce(n.shown_count, -1) AS shown, coalesce(n.staff_codes, '') AS staff, coalesce(o.chance, 0) AS others,"
        " (n.on_date - DATE '1970-01-01')::BIGINT AS on_day, n.taken_out"
        " FROM work.chain_nodes n LEFT JOIN work.of_others o USING (group_code, position) ORDER BY n.group_code, n.position"
    ).fetchnumpy()
    codes, g = np.unique(np.asarray(columns["group_code"], dtype=str), return_inverse=True)
    t = np.asarray(columns["position"], dtype=np.int64) - 1
    nodes = int(t.max(initial=0)) + 1
    length = np.bincount(g, minlength=len(codes)).astype(np.int64)

    def spread(name: str, empty: int) -> Whole:
        filled = np.full((len(codes), nodes), empty, dtype=np.int64)
        filled[g, t] = np.asarray(columns[name], dtype=np.int64)
        return filled

    exposure, others = np.zeros((len(codes), nodes)), np.zeros((len(codes), nodes))
    exposure[g, t] = _exposures(np.asarray(columns["days"], float), np.asarray(columns["plants"], float))
    chance = np.asarray(columns["others"], float)
    # to a power of two: the neighbours' next counts should not make this group's arithmetic new
    others[g, t] = np.where(chance > 0, 2 ** np.round(np.log2(np.maximum(chance, 1e-9))), 0.0)
    names = [str(s).split() for s in columns["staff"]]
    staff = sorted({s for row in names for s in row})
    number = {s: i for i, s in enumerate(staff)}
    who = np.full((len(codes), nodes, max([1, *map(len, names)])), -1, dtype=np.int64)
    for i, row in enumerate(names):
        who[g[i], t[i], : len(row)] = [number[s] for s in row]
    jump, jump_chance = _jumps(store, {c: i for i, c in enumerate(codes)}, nodes)
    opened = dict(store.rows(
        "SELECT f.group_code, sum(f.net)::BIGINT FROM work.flows f JOIN work.openings o ON o.group_code = f.group_code"
        " AND f.on_date = o.opened_on WHERE f.net > 0 GROUP BY f.group_code"
    ))  # fmt: skip
    final = dict(store.rows("SELECT group_code, sum(net)::BIGINT FROM work.flows GROUP BY group_code"))
    chains = Chains(
        length, np.array([opened.get(c, 0) for c in codes], dtype=np.int64), spread("counted", -1), spread("book", 0),
        spread("least", 0), exposure, spread("rank", 1), np.zeros((len(codes), nodes)), spread("shown", -1), others, jump,
        jump_chance,
    )  # fmt: skip
    return _Built(codes.tolist(), chains, who, staff, spread("on_day", 0),
                  np.array([final.get(c, 0) for c in codes], dtype=np.int64))  # fmt: skip


def _jumps(store: Store, index: dict[str, int], nodes: int) -> tuple[Whole, Real]:
    size = np.zeros((len(index), nodes, _JUMPS), dtype=np.int64)
    chance = np.zeros((len(index), nodes, _JUMPS))
    used: dict[tuple[int, int], int] = {}
    for code, position, _, is_loss, plants in store.rows("SELECT * FROM work.chain_jumps"):
        place = (index[code], position - 1)
        k = used[place] = used.get(place, -1) + 1
        size[(*place, k)], chance[(*place, k)] = plants, _LATE_LOSS if is_loss else _NOT_MADE
    return size, chance


def _rates(store: Store, settings: Settings, built: _Built, day: dt.date) -> Learned:
    """Learned from the months before this one, or as they were learned before from the very same."""
    given = {f.name: v for f in fields(settings.counting) if (v := getattr(settings.counting, f.name)) is not None}
    chains = built.chains
    until = (day.replace(day=1) - dt.date(1970, 1, 1)).days
    runs = np.arange(chains.counted.shape[1]) < chains.length[:, None]
    earlier = (runs & (built.day < until)).sum(1)
    if (chains.counted[runs & (built.day < until)] >= 0).sum() >= _ENOUGH:
        chains = replace(chains, length=earlier, counted=np.where(built.day < until, chains.counted, -1))
    rows = np.flatnonzero(chains.length > 0)
    if len(rows) > _MOST_TO_LEARN_FROM:
        drawn = np.array([int(hashlib.blake2b(built.codes[i].encode(), digest_size=6).hexdigest(), 16) for i in rows])
        rows = np.sort(rows[np.argsort(drawn)[:_MOST_TO_LEARN_FROM]])
    if not len(rows):
        return fixed(Learned(Rates(), np.full(len(built.staff), EXACT), EXACT), given)
    nodes = int(chains.length[rows].max())
    some, who = chains.take(rows, nodes), built.who[rows, :nodes]
    key = _digest(repr((sorted(given.items()), built.staff, settings.crate_size)), *vars(some).values(), who)
    kept = json.loads(store.get("counting_rates") or "{}")
    if kept.get("key") == key:
        values = kept["rates"]
        rates = Rates(**values | {k: tuple(values[k]) for k in ("ways", "loss")})
        return Learned(rates, np.array(kept["exact"]), kept["common"])
    learned = learn(some, who, len(built.staff), settings.crate_size, given)
    store.put("counting_rates", json.dumps({
        "key": key, "rates": vars(learned.rates), "exact": learned.exact.tolist(), "common": learned.common,
    }))  # fmt: skip
    return learned


def _digest(words: str, *arrays: object) -> str:
    mark = hashlib.blake2b(words.encode(), digest_size=16)
    for array in arrays:
        mark.update(np.ascontiguousarray(array).tobytes())
    return mark.hexdigest()


@dataclass(frozen=True)
class _Worked:
    """Of one group: MEASURES of each node (L, M), and P(D = low + i) at the last node."""

    measures: Real
    low: int
    last: Real


def _measures(chains: Chains, b: Beliefs, rates: Rates) -> Real:
    """(G, T, M) MEASURES of a batch."""
    width = b.state.shape[2]
    base = b.low[:, None] + chains.book
    stood = base[..., None] + np.arange(width)
    off = np.abs(chains.counted[..., None] - stood)
    state, without = b.state[:, 1:], b.without[:, 1:]
    made = chains.counted >= 0
    wrong = off > np.maximum(WRONG_SDS * rates.error * stood, 2)
    causes = b.ways[..., 1:]
    total = np.maximum(causes.sum(-1), 1e-12)
    losses = np.concatenate([b.moved[..., width:], b.moved[..., :width]], axis=-1)
    fall = [quantile(losses, q) - width for q in (0.5, 0.025, 0.975)]
    jumped = np.zeros((*made.shape, _JUMPS + len(_SPREAD)))
    jumped[..., : b.jumped.shape[2]] = b.jumped
    columns = [
        *(base + quantile(without, q) for q in (0.5, 0.025, 0.975)), *(base + quantile(state, q) for q in (0.5, 0.025, 0.975)),
        np.where(made, (state * wrong).sum(-1), 0), np.where(made, (state * (off == 0)).sum(-1), 0),
        np.where(made, (state * off).sum(-1), 0), causes.argmax(-1), causes.max(-1) / total, *fall,
        *np.moveaxis(jumped[..., :_JUMPS], -1, 0), jumped[..., _JUMPS:].sum(-1),
    ]  # fmt: skip
    stacked: Real = np.stack([np.asarray(c, dtype=np.float64) for c in columns], axis=-1)
    return stacked.round(4)


def _work_out(chains: Chains, rates: Rates, crate_size: int) -> Iterator[tuple[int, _Worked]]:
    for batch in batches(chains):
        beliefs = believe(batch.chains, batch.low, batch.width, rates, crate_size)
        measures = _measures(batch.chains, beliefs, rates)
        for i, row in enumerate(batch.rows):
            length = int(chains.length[row])
            last = beliefs.state[i, length]
            held = np.flatnonzero(last > 1e-9)
            yield int(row), _Worked(measures[i, :length], int(batch.low[i] + held[0]), last[held[0] : held[-1] + 1])


def _worked(store: Store, built: _Built, rows: Whole, chains: Chains, learned: Learned, crate: int) -> dict[int, _Worked]:
    """What is believed of the groups of these rows: from the cache where nothing it depends on has changed."""
    about = repr((learned.rates, crate, MEASURES, WRONG_SDS))
    keys = {}
    for row in rows.tolist():
        length = int(chains.length[row])
        own = [v[row] if v.ndim == 1 else v[row, :length] for v in vars(chains).values()]
        keys[row] = _digest(about, *own)
    store.connection.register("marks", _texts(sorted(set(keys.values()))))
    store.connection.execute("INSERT INTO asked SELECT mark FROM marks")
    store.connection.unregister("marks")
    found = {
        mark: _Worked(np.frombuffer(m).reshape(-1, len(MEASURES)), low, np.frombuffer(last))
        for mark, m, low, last in store.rows("SELECT * FROM work.chain_cache JOIN asked USING (mark)")
    }
    missing = np.array([row for row, key in keys.items() if key not in found], dtype=np.int64)
    if len(missing):
        new = {}
        for i, worked in _work_out(chains.take(missing, chains.counted.shape[1]), learned.rates, crate):
            new[keys[int(missing[i])]] = worked
        store.insert("work.chain_cache", ("mark", "measures", "low", "last"),
                     [(k, w.measures.tobytes(), w.low, w.last.tobytes()) for k, w in new.items()])  # fmt: skip
        found |= new
    return {row: found[key] for row, key in keys.items()}


def _texts(values: list[str]) -> object:
    import pyarrow as pa

    return pa.table({"mark": pa.array(values, type=pa.string())})


def _changes(built: _Built, worked: dict[int, _Worked], error: float) -> list[Change]:
    """Falls and rises that may be two ends of a move: changes nothing recorded explains, and last counts that stand out."""
    names = {name: i for i, name in enumerate(MEASURES)}
    found = []
    for row, w in worked.items():
        m, length = w.measures, len(w.measures)
        counted = built.chains.counted[row, :length]
        made = np.flatnonzero(counted >= 0)
        for t in range(length):
            since = int(built.day[row, t - 1]) if t else int(built.day[row, 0] - 400)
            sizes = [(m[t, names["missing"]], m[t, names["missing_low"]], m[t, names["missing_high"]])]
            if len(made) and t == made[-1] and m[t, names["p_wrong"]] > 0.2:
                sizes.append(tuple(m[t, names[n]] - counted[t] for n in ("expected", "expected_low", "expected_high")))
            fall, low, high = max(sizes, key=lambda s: abs(s[0]))
            usual = max(8.0, 3 * error * built.chains.opened[row])
            if abs(fall) >= usual:
                found.append(Change(row, t, int(fall), float(max(1.0, (high - low) / 4)), since, int(built.day[row, t])))
    return found


def _with_moves(built: _Built, chains: Chains, matches: list[Match]) -> tuple[Chains, Whole]:
    """The chains with each matched move as jumps of about its size, half likely; and the rows it touches."""
    groups, nodes, jumps = chains.jump.shape
    size = np.concatenate([chains.jump, np.zeros((groups, nodes, len(_SPREAD)), dtype=np.int64)], axis=2)
    chance = np.concatenate([chains.jump_chance, np.zeros((groups, nodes, len(_SPREAD)))], axis=2)
    for match in matches:
        for end, sign in ((match.fall, -1), (match.rise, 1)):
            for k, (by, share) in enumerate(_SPREAD.items()):
                size[end.row, end.step, jumps + k] = sign * (match.size + by)
                chance[end.row, end.step, jumps + k] = _PAIRED * share
    rows = sorted({end.row for match in matches for end in (match.fall, match.rise)})
    return replace(chains, jump=size, jump_chance=chance), np.array(rows, dtype=np.int64)


def _stand_now(built: _Built, row: int, w: _Worked, rank: int, rates: Rates, day: int) -> tuple[int, int, int, float]:
    """(estimate, low, high, mean) of plants on the day: the last node's, less what is lost without a record since."""
    top = int(built.final_book[row]) + w.low + len(w.last) - 1
    if top <= 0:
        return 0, 0, 0, 0.0
    chances = np.zeros(top + 1)
    index = int(built.final_book[row]) + w.low + np.arange(len(w.last))
    np.add.at(chances, np.maximum(index, 0), w.last)
    plants = max(1, int(chances @ np.arange(top + 1)))
    days = max(0, day - int(built.day[row, built.chains.length[row] - 1]))
    exposure = _exposures(np.array([float(days)]), np.array([float(plants)]))
    if exposure[0] > 0:
        whole, _, _ = kernels(rates, np.array([rank]), exposure, top + 1)
        chances = np.convolve(chances[::-1], whole[0, : top + 1])[top::-1]
    chances = chances / chances.sum()
    mean = float(chances @ np.arange(top + 1))
    middle, low, high = (int(quantile(chances, q)) for q in (0.5, 0.025, 0.975))
    return middle, low, high, round(mean, 4)


def reconcile(store: Store, settings: Settings, day: dt.date) -> None:
    """work.chain_beliefs (one row a node), work.stands_now (one row a group), work.staff_exact, work.paired_moves."""
    store.build("placings", "chain_nodes", "of_others", "chain_jumps")
    built = _build(store)
    learned = _rates(store, settings, built, day)
    store.connection.execute("CREATE TABLE IF NOT EXISTS work.chain_cache (mark VARCHAR, measures BLOB, low BIGINT, last BLOB)")
    store.connection.execute("CREATE OR REPLACE TEMP TABLE asked (mark VARCHAR)")
    chains = with_exact(built.chains, built.who, learned.exact, learned.common)
    worked = _worked(store, built, np.arange(len(built.codes)), chains, learned, settings.crate_size)
    matches = pair_up(_changes(built, worked, learned.rates.error))
    if matches:
        moved, touched = _with_moves(built, chains, matches)
        worked |= _worked(store, built, touched, moved, learned, settings.crate_size)
    # only what this run asked for is kept
    store.connection.execute("DELETE FROM work.chain_cache WHERE mark NOT IN (SELECT mark FROM asked)")
    _write(store, built, worked, learned, matches, (day - dt.date(1970, 1, 1)).days)


def _write(store: Store, built: _Built, worked: dict[int, _Worked], learned: Learned, matches: list[Match], day: int) -> None:
    run = store.connection.execute
    run("CREATE OR REPLACE TABLE work.chain_beliefs (group_code VARCHAR, position BIGINT, "
        + ", ".join(f"{m} DOUBLE" for m in MEASURES) + ")")  # fmt: skip
    store.insert("work.chain_beliefs", ("group_code", "position", *MEASURES), [
        (built.codes[row], t + 1, *values) for row, w in worked.items() for t, values in enumerate(w.measures.tolist())
    ])  # fmt: skip
    ranks = dict(store.rows("SELECT group_code, rank FROM work.stages"))
    run("CREATE OR REPLACE TABLE work.stands_now (group_code VARCHAR, estimate BIGINT, low BIGINT, high BIGINT,"
        " mean DOUBLE)")  # fmt: skip
    store.insert("work.stands_now", ("group_code", "estimate", "low", "high", "mean"), [
        (built.codes[row], *_stand_now(built, row, w, ranks.get(built.codes[row], 1), learned.rates, day))
        for row, w in worked.items()
    ])  # fmt: skip
    run("CREATE OR REPLACE TABLE work.staff_exact (staff_code VARCHAR, exact DOUBLE)")
    store.insert("work.staff_exact", ("staff_code", "exact"), list(zip(built.staff, learned.exact.tolist(), strict=True)))
    run("CREATE OR REPLACE TABLE work.paired_moves (group_code VARCHAR, position BIGINT, other_group VARCHAR, size BIGINT)")
    store.insert("work.paired_moves", ("group_code", "position", "other_group", "size"), [
        (built.codes[a.row], a.step + 1, built.codes[b.row], m.size)
        for m in matches for a, b in ((m.fall, m.rise), (m.rise, m.fall))
    ])  # fmt: skip
