"""One walk from what was opened to what stands: every figure that is shown elsewhere is a sum of its steps, to the plant."""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline import run
from pipeline.office.audit import proofs
from pipeline.report.stock import gather_stock
from pipeline.store import Store
from pipeline.workspace import Workspace
from tests.bench import life_bench
from tests.book.test_reconcile import Bench
from tests.conftest import looked_at, new_workspace
from tests.rates.test_rates import opened
from tests.robust.test_odd_nurseries import anything

BOOK = "('opened', 'lost', 'despatched', 'moved')"
LAST = "('expected', 'rounding', 'stands')"


def same(store: Store, walk: str, elsewhere: str) -> None:
    """Both queries have the same rows, and some."""
    assert store.rows(f"SELECT * FROM ({walk}) ORDER BY ALL") == store.rows(f"SELECT * FROM ({elsewhere}) ORDER BY ALL")


def agrees(store: Store) -> None:
    """Every sum of the walk is the number that stands in another table."""
    assert [places for name, _, places in proofs(store) if name == "walk_adds_up"] == [[]]
    some = "sum(plants)::BIGINT"
    for by in ("all", "stage", "house"):
        of = f"bridge WHERE \"by\" = '{by}'"
        sums = f"standing_sums WHERE \"by\" = '{by}'"
        standing = f"{of} AND groups = 'standing' AND level IN (SELECT level FROM {sums})"
        same(
            store,
            f"SELECT level, {some} AS n FROM {standing} AND step IN {BOOK} GROUP BY 1 HAVING n <> 0",
            f"SELECT level, book_count FROM {sums} AND level IS NOT NULL AND book_count <> 0",
        )
        same(store, f"SELECT level, plants FROM {of} AND step = 'stands'", f"SELECT level, plants FROM {sums}")
        same(
            store,
            f"SELECT coalesce({some}, 0) FROM {of} AND step <> 'stands'",
            "SELECT coalesce(sum(plants), 0)::BIGINT FROM standing_sums WHERE \"by\" = 'all'",
        )
        same(
            store,
            f"SELECT groups, step, cause, {some} AS n FROM {of} AND step NOT IN {LAST} GROUP BY ALL HAVING n <> 0",
            f"SELECT groups, step, cause, {some} AS n FROM bridge WHERE \"by\" = 'all' AND step NOT IN {LAST}"
            " GROUP BY ALL HAVING n <> 0",
        )
    whole = "bridge WHERE \"by\" = 'all'"
    same(
        store,
        f"SELECT cause, stage, -{some} FROM {whole} AND step = 'lost' GROUP BY ALL UNION ALL"
        f" SELECT 'not_recorded', stage, -{some} FROM {whole} AND step = 'not_recorded' GROUP BY ALL",
        "SELECT cause, stage, lost FROM loss_causes WHERE \"by\" = 'all' AND stage <> 'all'",
    )
    same(
        store,
        f"SELECT coalesce(-{some}, 0) FROM {whole} AND step IN ('lost', 'not_recorded')",
        "SELECT coalesce(sum(lost), 0)::BIGINT FROM loss_causes WHERE \"by\" = 'all' AND stage = 'all'",
    )
    same(
        store,
        f"SELECT coalesce({some}, 0) FROM {whole} AND step = 'opened'",
        "SELECT coalesce(sum(lost + not_recorded + otherwise + despatched + standing), 0)::BIGINT FROM ladder"
        " WHERE stage NOT LIKE 'seed%'",
    )
    same(
        store,
        "SELECT sum(lost + despatched + in_the_books)::BIGINT, sum(standing)::BIGINT FROM ladder WHERE stage NOT LIKE 'seed%'",
        "SELECT coalesce(sum(plants) FILTER (step = 'opened'), 0)::BIGINT,"
        f" coalesce(sum(plants) FILTER (step NOT IN {LAST}), 0)::BIGINT FROM {whole}",
    )
    gone = store.value(f"SELECT coalesce(-{some}, 0) FROM {whole} AND step = 'not_recorded'")
    stock = gather_stock(store)
    for rows in (stock.gone_by_stage, stock.gone_by_place):
        assert sum(u.lost for u in rows) == gone and all(u.low <= u.lost <= u.high for u in rows)


@pytest.fixture(scope="module")
def walked(demo: Workspace) -> Iterator[Store]:
    with looked_at(demo) as store:
        yield store


def test_the_walk_of_the_demo_comes_to_every_figure_that_is_shown(walked: Store) -> None:
    agrees(walked)
    reasons = {r for (r,) in walked.rows("SELECT DISTINCT step FROM bridge")}
    assert reasons >= {"not_recorded", "since_count", "more_found", "expected", "rounding", "unrecorded_move", "noted_wrong"}


@pytest.mark.parametrize("seed", [3, 51, 74])
def test_whatever_is_recorded_the_walk_adds_up(seed: int, tmp_path: Path) -> None:
    found = Bench(new_workspace(tmp_path / "nursery"))
    anything(found, random.Random(seed))
    found.write()
    run.import_files(found.workspace, [found.workspace.inbox], dt.date(2026, 9, 1))
    with looked_at(found.workspace) as store:
        agrees(store)


def test_a_life_of_splits_and_clumped_losses_adds_up(tmp_path: Path) -> None:
    nursery = life_bench.Nursery(5, groups=25)
    workspace = nursery.take_in(tmp_path / "nursery")
    with looked_at(workspace) as store:
        agrees(store)


def test_each_reason_by_hand(workspace: Workspace) -> None:
    """Of 400 said to be opened 412 stand; of 1,000 some 31 went while in trays in House 1."""
    found = Bench(workspace)
    opened(found, 0, 1000)
    for day, n in (("02-20", 1000), ("03-20", 970), ("04-20", 970), ("05-20", 969)):
        found.count(day, 0, n)
    opened(found, 1, 400)
    for day in ("03-10", "04-10", "05-10"):
        found.count(day, 1, 412)
    found.take_in(dt.date(2026, 6, 10))
    with looked_at(workspace) as store:
        agrees(store)
        steps = {
            step: (plants, stage, place)
            for step, stage, place, plants in store.rows("SELECT step, stage, place, plants FROM bridge WHERE \"by\" = 'all'")
        }
    assert steps["opened"] == (1400, "tray", "H1")
    assert steps["not_recorded"][0] == pytest.approx(-31, abs=2) and steps["not_recorded"][1:] == ("tray", "H1")
    assert steps["opening_wrong"] == (12, "tray", "H1")
