"""The chains of all groups, put together from the books, and what is worked out of them, kept from run to run.

`work.chain_cache` holds what was worked out of a chain under a digest of all that it depends on, so what comes from it is
never other than what would be worked out anew.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from pipeline.formulas.chain_rates import batches
from pipeline.formulas.count_chain import Beliefs, Chains, Rates, believe, quantile
from pipeline.formulas.miscounts import Real, Whole
from pipeline.store import Store

WRONG_SDS = 3.5
"""A count is wrong when it is off by more than so many standard deviations of a near count, and by more than 2 plants."""
_LATE_LOSS, _NOT_MADE = 0.10, 0.005
JUMPS = 3
"""Recorded movements of a step that may be otherwise than recorded; jumps after these are moves between groups."""
MEASURES = ("expected", "expected_low", "expected_high", "stands", "stands_low", "stands_high", "p_wrong", "p_exact", "error",
            "way", "way_chance", "missing", "missing_low", "missing_high", "jump_1", "jump_2", "jump_3", "paired",
            "paired_odds", "opening", "opening_wrong")  # fmt: skip
"""What is kept of each node; `way` is an index of near (0), then WAYS; `missing` is the fall without a record in the step;
`paired` the chance of a move to or from another group, `paired_odds` its natural log odds;
`opening` what the group really opened with and `opening_wrong` the chance that this is not what was written."""


@dataclass(frozen=True)
class Built:
    """The chains of a nursery with what names their parts. `codes` (G,); `day` (G, T) days since 1970, `place` (G, T) a
    number for each place (-1 for none), `final_book` (G,) what the book says at the end, `kind` its rootstock."""

    codes: list[str]
    chains: Chains
    who: Whole
    staff: list[str]
    day: Whole
    place: Whole
    final_book: Whole
    kind: list[str]


def exposures(days: Real, plants: Real) -> Real:
    """Days of a group of a thousand, in steps of a ninth, so that many steps share one kernel."""
    raw = days * plants / 1000
    return np.where(raw > 0, 2 ** (np.round(np.log2(np.maximum(raw, 1e-9)) * 8) / 8), 0.0)


def build(store: Store) -> Built:
    """The chains of all groups, from work.chain_nodes, work.of_others and work.chain_jumps."""
    columns = store.connection.execute(
        "SELECT n.group_code, n.position, coalesce(n.counted, -1) AS counted, n.book, n.least, n.days, n.plants, n.rank,"
        " coalesce(n.shown_count, -1) AS shown, coalesce(n.staff_codes, '') AS staff, coalesce(o.chance, 0) AS others,"
        " (n.on_date - DATE '1970-01-01')::BIGINT AS on_day, CASE n.kind WHEN 'merge' THEN 0 ELSE -1 END AS ceiling,"
        " coalesce(dense_rank() OVER (ORDER BY n.location), 0) * (n.location IS NOT NULL)::BIGINT - 1 AS place FROM work.chain_nodes n LEFT JOIN work.of_others o USING (group_code, position) ORDER BY n.group_code, n.position"
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
    exposure[g, t] = exposures(np.asarray(columns["days"], float), np.asarray(columns["plants"], float))
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
    books = {code: rest for code, *rest in store.rows("SELECT group_code, opened_with, book_count FROM work.books")}
    opened, final = (np.array([books[c][i] for c in codes], dtype=np.int64) for i in (0, 1))
    kinds = dict(store.rows("SELECT group_code, rootstock FROM work.origins"))
    chains = Chains(
        length, opened, spread("counted", -1), spread("book", 0),
        spread("least", 0), spread("ceiling", -1), exposure, spread("rank", 1), np.zeros((len(codes), nodes)), spread("shown", -1), others, jump,
        jump_chance,
    )  # fmt: skip
    return Built(codes.tolist(), chains, who, staff, spread("on_day", 0), spread("place", -1),
                 final, [kinds.get(c) or "" for c in codes])  # fmt: skip


def _jumps(store: Store, index: dict[str, int], nodes: int) -> tuple[Whole, Real]:
    size = np.zeros((len(index), nodes, JUMPS), dtype=np.int64)
    chance = np.zeros((len(index), nodes, JUMPS))
    used: dict[tuple[int, int], int] = {}
    for code, position, _, is_loss, plants in store.rows("SELECT * FROM work.chain_jumps"):
        place = (index[code], position - 1)
        k = used[place] = used.get(place, -1) + 1
        size[(*place, k)], chance[(*place, k)] = plants, _LATE_LOSS if is_loss else _NOT_MADE
    return size, chance


def digest(words: str, *arrays: object) -> str:
    """A mark that is another whenever the words or a number of the arrays is."""
    mark = hashlib.blake2b(words.encode(), digest_size=16)
    for array in arrays:
        mark.update(np.ascontiguousarray(array).tobytes())
    return mark.hexdigest()


@dataclass(frozen=True)
class Worked:
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
    usual = WRONG_SDS * rates.error * np.sqrt(1 + 8 * rates.tail)  # the tail is three times as wide
    wrong = off > np.maximum(usual * stood, 2)
    causes = b.ways[..., 1:]
    total = np.maximum(causes.sum(-1), 1e-12)
    losses = np.concatenate([b.moved[..., width:], b.moved[..., :width]], axis=-1)
    fall = [quantile(losses, q) - width for q in (0.5, 0.025, 0.975)]
    paired = b.jumped[..., JUMPS:].sum(-1)
    first = b.low[:, None] + np.arange(width)
    misstated = np.abs(first) > np.maximum(usual * chains.opened[:, None], 2)
    opening = (chains.opened + b.low + quantile(b.state[:, 0], 0.5), (b.state[:, 0] * misstated).sum(1))
    columns = [
        *(np.maximum(0, base + quantile(without, q)) for q in (0.5, 0.025, 0.975)),
        *(np.maximum(0, base + quantile(state, q)) for q in (0.5, 0.025, 0.975)),
        np.where(made, (state * wrong).sum(-1), 0), np.where(made, (state * (off == 0)).sum(-1), 0),
        np.where(made, (state * off).sum(-1), 0), causes.argmax(-1), causes.max(-1) / total, *fall,
        *np.moveaxis(b.jumped[..., :JUMPS], -1, 0), paired,
        np.log(np.maximum(paired, 1e-12) / np.maximum(1 - paired, 1e-12)),
        *(np.broadcast_to(v[:, None], made.shape) for v in opening),
    ]  # fmt: skip
    stacked: Real = np.stack([np.asarray(c, dtype=np.float64) for c in columns], axis=-1)
    return stacked.round(4)


def _anew(chains: Chains, rates: Rates, crate_size: int) -> Iterator[tuple[int, Worked]]:
    for batch in batches(chains):
        beliefs = believe(batch.chains, batch.low, batch.width, rates, crate_size)
        measures = _measures(batch.chains, beliefs, rates)
        for i, row in enumerate(batch.rows):
            length = int(chains.length[row])
            last = beliefs.state[i, length]
            held = np.flatnonzero(last > 1e-9)
            yield int(row), Worked(measures[i, :length], int(batch.low[i] + held[0]), last[held[0] : held[-1] + 1])


def work_out(
    store: Store, chains: Chains, rates: Rates, crate_size: int, rows: Iterable[int] | None = None
) -> dict[int, Worked]:
    """What is believed of these chains (of all, or of some), by their number: from the cache where nothing it depends on
    has changed."""
    about = repr((rates, crate_size, MEASURES, WRONG_SDS))
    keys = {}
    for row in range(len(chains.length)) if rows is None else sorted(rows):
        length = int(chains.length[row])
        own = [v[row] if v.ndim == 1 else v[row, :length] for k, v in vars(chains).items() if not k.startswith("jump")]
        jumps = np.nonzero(chains.jump_chance[row, :length])
        own += [np.stack(jumps), chains.jump[row][jumps], chains.jump_chance[row][jumps]]
        keys[row] = digest(about, *own)
    store.connection.register("marks", _texts(sorted(set(keys.values()))))
    store.connection.execute("INSERT INTO asked SELECT mark FROM marks")
    found = {
        mark: Worked(np.frombuffer(m).reshape(-1, len(MEASURES)), low, np.frombuffer(last))
        for mark, m, low, last in store.rows("SELECT * FROM work.chain_cache JOIN marks USING (mark)")
    }
    store.connection.unregister("marks")
    missing = np.array([row for row, key in keys.items() if key not in found], dtype=np.int64)
    if len(missing):
        new = {}
        for i, worked in _anew(chains.take(missing, chains.counted.shape[1]), rates, crate_size):
            new[keys[int(missing[i])]] = worked
        store.insert("work.chain_cache", ("mark", "measures", "low", "last"),
                     [(k, w.measures.tobytes(), w.low, w.last.tobytes()) for k, w in new.items()])  # fmt: skip
        found |= new
    return {row: found[key] for row, key in keys.items()}


def _texts(values: list[str]) -> object:
    import pyarrow as pa

    return pa.table({"mark": pa.array(values, type=pa.string())})
