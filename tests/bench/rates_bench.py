"""By hand: `python tests/bench/rates_bench.py [NURSERIES]`. Nurseries of our own making, 200 by default, with hidden truth: how
often intervals of take hold it and how wide they are, whether teams are told apart fairly, whether curves keep within two
errors of the truth; and the whole estimate stage on 100,000 lots and a million events beside a baseline in the same run.
"""

from __future__ import annotations

import resource
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import pipeline  # noqa: E402, F401, I001  (before numpy: it says with how many threads)
import numpy as np  # noqa: E402
import pyarrow as pa  # noqa: E402
from scipy import stats  # noqa: E402

from pipeline.formulas.comparison import compare_teams  # noqa: E402
from pipeline.formulas.overdispersion import cautious, design_effect, pooled_interval, rho_within  # noqa: E402
from pipeline.formulas.proportions import wilson  # noqa: E402
from pipeline.formulas.survival import kaplan_meier  # noqa: E402
from pipeline.rates import followed, losses, takes  # noqa: E402
from pipeline.rates.losses import DAYS_A_STEP  # noqa: E402
from pipeline.stages import Work, sql_text  # noqa: E402
from pipeline.store import Store  # noqa: E402


_NOWHERE = (
    "CREATE TABLE work.lot_places AS SELECT group_code, team_code, attempt, NULL::VARCHAR AS location, NULL::VARCHAR AS house"
    " FROM work.lots"
)
"""Lots of which no place is known."""


def logistic(x):
    return 1 / (1 + np.exp(-x))


def take(seed: int, rho: float) -> tuple[float, float, float]:
    """(coverage, width against an oracle that knows rho, coverage of the plain interval) over the pairs of a nursery."""
    dice = np.random.default_rng([seed, int(rho * 1000)])
    pairs = int(dice.integers(4, 30))
    lots = dice.integers(5, 61, pairs)
    p = logistic(dice.normal(2, 0.6, pairs))
    cell = np.repeat(np.arange(pairs), lots)
    n = dice.integers(30, 500, len(cell))
    y = dice.binomial(n, dice.beta(p[cell] * (1 - rho) / rho, (1 - p[cell]) * (1 - rho) / rho))
    moments = cautious(rho_within(y, n, cell))
    held, wide, plain = [], [], []
    for k in range(pairs):
        own = cell == k
        taken, read = int(y[own].sum()), int(n[own].sum())
        low, high = pooled_interval(taken, read, design_effect(n[own], moments.rho), moments.freedom)
        oracle = pooled_interval(taken, read, design_effect(n[own], rho), 10**9)
        held.append(low <= p[k] <= high)
        wide.append((high - low) / (oracle[1] - oracle[0]))
        plain.append(wilson(taken, read)[0] <= p[k] <= wilson(taken, read)[1])
    return float(np.mean(held)), float(np.mean(wide)), float(np.mean(plain))


def teams(seed: int, difference: float, is_hard: bool = False) -> tuple[float, float, bool, bool, bool]:
    """(error of adjusted, error of crude, any team flagged, the odd team flagged rightly, the same by who knows all but the
    teams); eight teams of 20 lots of 150 to 600 buds with unlike mixes, rho 0.01 to 0.03; hard: rho 0.03, lots of 60 to 400
    buds, most of a team's work on two or three rootstocks and scions."""
    dice = np.random.default_rng([seed, int(difference * 10)])
    stocks, scions, many, rho = 6, 7, 8, 0.03 if is_hard else dice.uniform(0.01, 0.03)
    mixed, sizes = (0.5, (60, 400)) if is_hard else (1.5, (150, 600))
    by_stock, by_scion = dice.normal(0, 0.5, stocks), dice.normal(0, 0.5, scions)
    by_pair, by_month = dice.normal(0, 0.2, (stocks, scions)), dice.normal(0, 0.3, 10)
    effect = np.zeros(many)
    effect[0] = difference * dice.choice([-1, 1])
    team = np.repeat(np.arange(many), 20)
    likes = dice.dirichlet(np.full(stocks, mixed), many), dice.dirichlet(np.full(scions, mixed), many)
    a = np.array([dice.choice(stocks, p=likes[0][t]) for t in team])
    b = np.array([dice.choice(scions, p=likes[1][t]) for t in team])
    month, attempt = dice.integers(10, size=len(team)), 1 + (dice.random(len(team)) < 0.15)
    n = dice.integers(*sizes, len(team))
    base = 2.1 + by_stock[a] + by_scion[b] + by_pair[a, b] + by_month[month] - 0.5 * (attempt == 2)
    p = logistic(base + effect[team])
    y = dice.binomial(n, dice.beta(p * (1 - rho) / rho, (1 - p) * (1 - rho) / rho))
    factors = {
        "rootstock": [str(i) for i in a],
        "scion": [str(i) for i in b],
        "pair": [f"{i}+{j}" for i, j in zip(a, b, strict=True)],
        "season": [str(i) for i in month],
        "attempt": [str(i) for i in attempt],
    }
    found = compare_teams(y, n, factors, [str(t) for t in team], 200)
    adjusted = np.array([found[str(t)].adjusted for t in range(many)])
    crude = np.bincount(team, y) / np.bincount(team, n)
    true = np.array([(n / n.sum()) @ logistic(base + effect[t]) for t in range(many)])

    def error(v):
        return float(np.abs((v - v.mean()) - (true - true.mean())).mean())

    right = found["0"].flag == ("better" if effect[0] > 0 else "worse")
    weight = n * p * (1 - p) / (1 + rho * (n - 1))
    each = np.bincount(team, (y - n * logistic(base)) / (1 + rho * (n - 1))) / np.bincount(team, weight)
    chance = 2 * stats.norm.sf(np.abs(each - each[1:].mean()) * np.sqrt(np.bincount(team, weight)))
    known = bool(stats.false_discovery_control(chance)[0] < 0.05)
    return error(adjusted), error(crude), any(t.flag in ("better", "worse") for t in found.values()), right, known


SHARED = {
    "drawn": "each scion has 2 to 8 batches, lots draw one",
    "own": "up to four lots of a team and scion share a batch",
    "few own": "a team's lots share three batches",
    "common": "twelve batches for all",
    "two teams": "two teams share six batches",
}
"""How lots come by their batches."""


def shared(seed: int, layout: str, batch: float, month: float, difference: float = 0.0) -> dict[str, list[float]]:
    """A nursery of eight teams of 20 lots as in `teams`, in whose batches (sd `batch` on the logit) and teams within months
    (sd `month`) lots share what befalls them, by way of the tables. Of it: any team flagged, any batch flagged, the odd team
    flagged rightly; whether the intervals hold what is expected of the level of more batches and months; their width against
    those of who knows all spreads."""
    dice = np.random.default_rng([seed, 77])
    stocks, scions, many, rho = 6, 7, 8, dice.uniform(0.01, 0.03)
    by_stock, by_scion = dice.normal(0, 0.5, stocks), dice.normal(0, 0.5, scions)
    by_pair, by_month = dice.normal(0, 0.2, (stocks, scions)), dice.normal(0, 0.3, 10)
    effect = np.zeros(many)
    effect[0] = difference * dice.choice([-1, 1])
    team = np.repeat(np.arange(many), 20)
    likes = dice.dirichlet(np.full(stocks, 1.5), many), dice.dirichlet(np.full(scions, 1.5), many)
    a = np.array([dice.choice(stocks, p=likes[0][t]) for t in team])
    b = np.array([dice.choice(scions, p=likes[1][t]) for t in team])
    when, attempt = dice.integers(10, size=len(team)), 1 + (dice.random(len(team)) < 0.15)
    n = dice.integers(150, 600, len(team))
    seen: dict[tuple[int, int], int] = {}
    some, names = dice.integers(2, 9, scions), []
    for t, k in zip(team.tolist(), b.tolist(), strict=True):
        seen[t, k] = seen.get((t, k), 0) + 1
        names.append(
            {
                "drawn": f"{k}-{dice.integers(some[k])}",
                "own": f"{t}-{k}-{(seen[t, k] - 1) // 4}",
                "few own": f"{t}-{dice.integers(3)}",
                "common": f"{dice.integers(12)}",
                "two teams": f"{t // 2}-{dice.integers(6)}",
            }[layout]
        )
    _, of = np.unique(names, return_inverse=True)
    base = 2.1 + by_stock[a] + by_scion[b] + by_pair[a, b] + by_month[when] - 0.5 * (attempt == 2) + effect[team]
    p = logistic(base + batch * dice.normal(size=of.max() + 1)[of] + (month * dice.normal(size=(many, 10)))[team, when])
    y = dice.binomial(n, dice.beta(p * (1 - rho) / rho, (1 - p) * (1 - rho) / rho))
    columns = {
        "group_code": [f"{i:08}" for i in range(len(team))],
        "team_code": [f"T{t}" for t in team],
        "attempt": attempt,
        "rootstock": [f"R{i}" for i in a],
        "scion": [f"S{i}" for i in b],
        "budwood_batch": [f"B{i}" for i in names],
        "budded_on": [f"2026-{m + 1:02}-10" for m in when],
        "buds_set": n,
        "green": y,
        "brown": n - y,
    }
    rates = take_rates(columns)
    flags = {by: [r["flag"] for r in rates if r["by"] == by] for by in ("team", "budwood_batch")}
    found: dict[str, list[float]] = {k: [any(f in ("better", "worse") for f in v)] for k, v in flags.items()}
    found["right"] = [flags["team"][0] == ("better" if effect[0] > 0 else "worse")]
    node, weight = np.polynomial.hermite_e.hermegauss(15)
    expected = logistic(base[:, None] + np.hypot(batch, month) * node) @ (weight / weight.sum())
    for row in rates:
        column = {"scion": "scion", "rootstock": "rootstock", "team": "team_code"}.get(row["by"])
        if column:
            own = np.array(columns[column]) == row["level"]
            truth = (n[own] @ expected[own]) / n[own].sum()
            found.setdefault(row["by"] + " held", []).append(row["low"] <= truth <= row["high"])
            spread = expected[own] * (1 - expected[own])
            variance = (n[own] * spread * (1 + rho * (n[own] - 1))).sum()
            for sd, cluster in ((batch, of), (month, team * 10 + when)):
                variance += sd**2 * (np.bincount(cluster[own], n[own] * spread) ** 2).sum()
            size = truth * (1 - truth) * n[own].sum() ** 2 / variance
            low, high = wilson(y[own].sum() / n[own].sum() * size, size)
            found.setdefault(row["by"] + " width", []).append((row["high"] - row["low"]) / (high - low))
    return found


def take_rates(columns) -> list[dict]:
    """The table of these lots."""
    with Store.in_memory() as store:
        store.connection.register("given", pa.table(columns))
        store.connection.execute(
            "CREATE TABLE work.lots AS SELECT * REPLACE (budded_on::DATE AS budded_on), budded_on::DATE + 21 AS read_on,"
            " 21 AS days, 0::BIGINT AS unsure, 0::BIGINT AS missing, green / (green + brown) AS take_rate FROM given"
        )
        store.connection.execute(_NOWHERE)
        takes.estimate_takes(Work(store, None, None))
        cursor = store.connection.execute("SELECT * FROM work.new_take_rates")
        names = [c[0] for c in cursor.description]
        return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]


def sharing(many: int) -> None:
    """Lots that share batches and months, and lots that do not."""
    cases = [(layout, sd, 0.0, difference) for layout in SHARED for sd, difference in ((0.5, 0.0), (0.0, 0.0), (0.0, 0.5))]
    cases += [("drawn", 0.0, 0.5, 0.0), ("own", 0.5, 0.5, 0.0)]
    for layout, batch, month, difference in cases:
        found: dict[str, list[float]] = {}
        for seed in range(many):
            for k, values in shared(seed, layout, batch, month, difference).items():
                found.setdefault(k, []).extend(values)
        said = {k: float(np.mean(v)) for k, v in found.items()}
        what = f"{SHARED[layout]}; sd of batches {batch}, of teams by month {month}"
        if difference:
            print(f"| {what}; one team {difference} off: flagged rightly | {said['right']:.3f} |  |")
            continue
        print(f"| {what}: any team, any batch flagged | {said['team']:.3f}, {said['budwood_batch']:.3f} | 0.06 |")
        held = ", ".join(f"{said[by + ' held']:.3f}" for by in ("scion", "rootstock", "team"))
        wide = ", ".join(f"{said[by + ' width']:.2f}" for by in ("scion", "rootstock", "team"))
        print(
            f"| {what}: takes of scions, rootstocks, teams held; width against who knows | {held}; {wide} | 0.92 |", flush=True
        )


def curve(seed: int, days: tuple[int, ...] = (100, 200, 300, 450)) -> list[bool]:
    """Whether the curve of a nursery of 30 to 90 groups keeps within two errors of the truth on each day."""
    dice = np.random.default_rng(seed)
    groups = int(dice.integers(30, 90))
    shape = dice.uniform(2, 6)
    rates = [(0, 0.0022), (60, 0.0009), (200, 0.0003)]
    frailty = dice.gamma(shape, 1 / shape, groups)

    def hazard(day):
        return max(r for start, r in rates if day >= start and r == dict(rates)[max(s for s, _ in rates if s <= day)])

    total = np.cumsum([hazard(d) for d in range(600)])
    entered, lives_lost, left = (np.zeros((groups, 600 // DAYS_A_STEP + 1), dtype=np.int64) for _ in range(3))

    for g in range(groups):
        stands, age = int(dice.choice([300, 600, 1000])), 0
        entered[g, 0] = stands
        end = int(dice.integers(150, 590))
        while age < end and stands:
            step = min(end - age, int(dice.integers(15, 45)))
            q = 1 - np.exp(-frailty[g] * (total[age + step - 1] - (total[age - 1] if age else 0)))
            lost = int(dice.binomial(stands, q))
            lives_lost[g, -(-(age + step - step // 2) // DAYS_A_STEP)] += lost
            stands, age = stands - lost, age + step
        left[g, -(-end // DAYS_A_STEP)] += stands
    found = kaplan_meier(entered, lives_lost, left)
    # of all groups' plants the mean over their frailty: (1 + H / shape) ^ -shape
    return [
        bool(abs(found.survival[d // DAYS_A_STEP] - (1 + total[d - 1] / shape) ** -shape) <= 2 * found.error[d // DAYS_A_STEP])
        for d in days
        if found.at_risk[d // DAYS_A_STEP] > 0
    ]


def speed(lots: int = 100_000, events: int = 1_000_000) -> None:
    groups = lots // 5
    with Store.in_memory() as store:
        run = store.connection.execute
        run(
            f"CREATE TABLE work.g AS SELECT printf('%08d', i) AS group_code, 'R' || (i % 12) AS rootstock, 'S' ||"
            f" (i % 10) AS scion,"
            f" DATE '2024-01-01' + (i % 500)::INTEGER AS opened_on, 1 + i % 7 AS rank FROM range({groups}) t(i)"
        )
        run("CREATE TABLE work.openings AS SELECT group_code, opened_on FROM work.g")
        run(
            "CREATE TABLE work.origins AS SELECT group_code, rootstock, NULL::VARCHAR AS seed_lot, opened_on - 60 AS sow_date,"
            " NULL::VARCHAR AS from_group, NULL::DATE AS moved_on FROM work.g"
        )
        run("CREATE TABLE work.inherited AS SELECT group_code, 1 AS rank FROM work.g")
        run("CREATE TABLE work.stages AS SELECT group_code, rank FROM work.g")
        run(
            "CREATE TABLE work.settings AS SELECT DATE '2026-11-02' AS as_of, 18 AS earliest_bud_take, 35 AS"
            " latest_bud_take, 7 AS cut_back"
        )
        run(
            "CREATE TABLE work.stage_events AS SELECT group_code, opened_on + 40 * k::INTEGER AS on_date, '' AS"
            " ended, '' AS instance_id,"
            " ['bag', 'budded', 'read', 'cut_back', 'staked', 'topped'][k] AS stage, k + 1 AS rank FROM work.g,"
            " range(1, 7) t(k) WHERE k < rank"
        )
        run(
            f"CREATE TABLE work.movements AS SELECT printf('%08d', i % {groups}) AS group_code,"
            f" DATE '2024-01-01' + ((i % {groups}) % 500 + 7 * (i // {groups}))::INTEGER AS on_date, '' AS ended,"
            " 'f' AS form_id,"
            f" CASE WHEN i < {groups} THEN 'opened' WHEN i % 97 = 0 THEN 'despatched' ELSE 'culled' END AS kind,"
            " ['weak', 'off_type', 'dead', 'disease', 'frost'][1 + i % 5] AS cause,"
            f" (CASE WHEN i < {groups} THEN 1000 ELSE 1 + i % 9 END)::BIGINT AS quantity, NULL AS other_group,"
            f" 'i' || i AS instance_id"
            f" FROM range({events}) t(i)"
        )
        run(
            "CREATE TABLE work.accepted AS SELECT instance_id, instance_id AS reading_id, group_code, on_date AS"
            " visit_date, '' AS ended,"
            " NULL::VARCHAR AS team_code FROM work.movements"
        )
        run("CREATE TABLE work.bookings (reading_id VARCHAR, word VARCHAR, quantity BIGINT)")
        run(
            "CREATE TABLE work.flows AS SELECT group_code, on_date, '' AS ended, instance_id,"
            " (CASE WHEN kind = 'opened' THEN quantity ELSE -quantity END)::BIGINT AS net FROM work.movements"
        )
        run(
            "CREATE TABLE work.standing AS SELECT group_code, rootstock, scion, 'read' AS stage, 1000 AS"
            " opened_with FROM work.g"
        )
        run(
            f"CREATE TABLE work.lots AS SELECT printf('%08d', i // 5) AS group_code, 'T' || ((i * 7919) % 50) AS"
            f" team_code, 1 + i % 5 % 2 AS"
            " attempt, 'R' || ((i // 5) % 12) AS rootstock, 'S' || ((i // 5) % 10) AS scion, 'B' || (i % 200) AS budwood_batch,"
            " DATE '2024-06-01' + ((i // 5) % 500)::INTEGER AS budded_on, DATE '2024-06-22' + ((i // 5) %"
            " 500)::INTEGER AS read_on, 21 AS days,"
            " 200::BIGINT AS buds_set, (170 + (i * 31) % 30)::BIGINT AS green, (30 - (i * 31) % 30)::BIGINT AS"
            " brown, 0::BIGINT AS unsure,"
            f" 0::BIGINT AS missing, 0.9 AS take_rate FROM range({lots}) t(i)"
        )
        run("CREATE TABLE work.day AS SELECT DATE '2026-11-02' AS as_of")
        run("CREATE TABLE work.vanished (group_code VARCHAR, on_date DATE, quantity BIGINT, doubt BIGINT)")
        run("CREATE TABLE work.quiet_moves (group_code VARCHAR, other_group VARCHAR, on_date DATE, moved BIGINT)")
        run("CREATE TABLE work.placings (group_code VARCHAR, location VARCHAR, from_on DATE, from_ended VARCHAR)")
        for name in ("books", "lineage", "life_events", "budded_from", "budded_life", "placed_changes", "stage_losses"):
            run(f"CREATE TABLE work.{name} AS {sql_text(name)}")
        work = Work(store, None, None)
        begin = time.perf_counter()
        followed.follow_plants(work)
        run("ALTER TABLE work.new_stage_plants RENAME TO stage_plants")
        print(f"plants followed from stage to stage: {time.perf_counter() - begin:.1f} s")
        begin = time.perf_counter()
        store.rows("SELECT group_code, cause, sum(quantity) FROM work.movements GROUP BY ALL ORDER BY ALL")
        base = time.perf_counter() - begin
        begin = time.perf_counter()
        store.connection.execute(_NOWHERE)
        takes.estimate_takes(work)
        middle = time.perf_counter()
        losses.estimate_losses(work)
        whole = time.perf_counter() - begin
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{lots:,} lots, {events:,} events: takes {middle - begin:.1f} s, losses {whole - (middle - begin):.1f} s, together"
        f" {whole / base:.0f} times summing the events by group and cause; {memory:.0f} MB at most"
    )


def main() -> None:
    many = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    print(f"| over {many} nurseries | found | bar |\n| --- | --- | --- |")
    for rho in (0.01, 0.02, 0.05):
        held, wide, plain = np.mean([take(seed, rho) for seed in range(many)], axis=0)
        print(f"| take, rho {rho}: intervals that hold the truth | {held:.3f} (plain ones {plain:.3f}) | 0.93 to 0.975 |")
        print(f"| take, rho {rho}: width against an oracle's | {wide:.3f} | 1.25 |")
    alike = [teams(seed, 0.0) for seed in range(many)]
    apart = [teams(seed, 0.5) for seed in range(many)]
    hard = [teams(seed, 0.5, True) for seed in range(many)]
    error = sum(t[0] for t in alike + apart) / sum(t[1] for t in alike + apart)
    print(f"| teams: error of adjusted takes against that of crude ones | {error:.2f} | 0.6 |")
    print(f"| teams alike: nurseries with any flag | {np.mean([t[2] for t in alike]):.3f} | 0.05 |")
    for name, rows, bar in (("", apart, "0.80"), (", hard case", hard, "")):
        right, known = np.mean([t[3] for t in rows]), np.mean([t[4] for t in rows])
        print(
            f"| one team 0.5 off on the logit, 20 lots{name}: flagged rightly | {right:.3f} (by who knows the"
            f" rest {known:.3f}) | {bar} |"
        )
    sharing(many)
    kept = [k for seed in range(many) for k in curve(seed)]
    print(f"| curve within two errors at 100, 200, 300, 450 days | {np.mean(kept):.3f} | 0.93 |")
    if len(sys.argv) == 1:
        speed()


if __name__ == "__main__":
    main()
