"""Orders and the trees for them: who gets what, against a list of single trees; despatches, promises, odd orders."""

from __future__ import annotations

import datetime as dt
import json
import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from pipeline import run
from pipeline.rates import promises
from pipeline.report.blocks import Cell, Chapter, Fold, Says, Table
from pipeline.report.chapters import pairs as pairs_chapter
from pipeline.report.chapters import promises as promises_chapter
from pipeline.stages import sql_text
from pipeline.store import Store
from pipeline.workspace import Workspace
from tests.book.test_reconcile import Bench
from tests.cli.test_cli import formpack
from tests.conftest import new_workspace, table
from tests.rates.test_lives import LATE
from tests.rates.test_rates import CODES, bench, bud, opened, read

__all__ = ["bench"]
HEAD = "code,label,consignee,scion,rootstock,quantity,wanted_on\n"
FIRST = dt.date(2026, 1, 1)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "store.duckdb") as found:
        found.connection.execute("CREATE SCHEMA IF NOT EXISTS work")
        yield found


def make(store: Store, name: str, columns: str, rows: list[tuple[object, ...]]) -> None:
    store.connection.execute(f"CREATE OR REPLACE TABLE work.{name} ({columns})")
    if rows:
        store.connection.executemany(f"INSERT INTO work.{name} VALUES ({', '.join('?' * len(rows[0]))})", rows)


def test_each_tree_goes_where_a_list_of_single_trees_says(store: Store) -> None:
    """Random stands and orders; the oldest tree that is left goes to the oldest want that is left, one at a time."""
    make(store, "list_rootstocks", "code VARCHAR", [("R",), ("Q",)])
    make(store, "list_scions", "code VARCHAR", [("S",), ("T",)])
    make(store, "unread_cells", "list_name VARCHAR, code VARCHAR, field VARCHAR, value VARCHAR, fault VARCHAR", [])
    make(store, "settings", "despatch_months INTEGER", [(18,)])
    met = 0
    for seed in range(40):
        dice = np.random.default_rng(seed)

        def some(values: list[str | None], dice: np.random.Generator = dice) -> str | None:
            return values[int(dice.integers(len(values)))]

        def day(dice: np.random.Generator = dice) -> dt.date:
            return FIRST + dt.timedelta(int(dice.integers(12)))

        orders = [
            (
                f"O{n}",
                some(["R", "R", "Q", "X", None]),
                some(["S", "S", "T"]),
                int(dice.integers(1, 30)) if dice.random() > 0.1 else None,
                day() if dice.random() > 0.1 else None,
            )
            for n in range(int(dice.integers(0, 14)))
        ]
        sent = [
            (o[0], int(dice.integers(0, 40)), some([None, "true", "false"]))
            for o in orders
            if dice.random() < 0.4
            for _ in range(2)
        ]
        stands = [
            (
                f"G{n}",
                some(["R", "R", "Q"]),
                some(["S", "S", "T", None]),
                some(["topped", "topped", "staked"]),
                int(dice.integers(0, 40)),
            )
            for n in range(int(dice.integers(0, 14)))
        ]
        born = {g[0]: day() if dice.random() > 0.1 else None for g in stands}
        left = [(g[0],) for g in stands if dice.random() < 0.1]
        make(
            store,
            "list_orders",
            "code VARCHAR, consignee VARCHAR, rootstock VARCHAR, scion VARCHAR, quantity BIGINT, wanted_on DATE",
            [(o[0], "Farm", *o[1:]) for o in orders],
        )
        make(store, "deliveries", "order_ref VARCHAR, quantity BIGINT, fits BOOLEAN", sent)  # type: ignore[arg-type]
        make(store, "standing", "group_code VARCHAR, rootstock VARCHAR, scion VARCHAR, stage VARCHAR, estimate BIGINT", stands)  # type: ignore[arg-type]
        make(store, "origins", "group_code VARCHAR, sow_date DATE", list(born.items()))
        make(store, "remainders", "group_code VARCHAR", left)  # type: ignore[arg-type]
        for name in ("owed", "trees", "allotted"):
            store.connection.execute(f"CREATE OR REPLACE TABLE work.{name} AS {sql_text(name)}")

        gone: Counter[str] = Counter()
        for ref, n, fits in sent:
            gone[ref] += n if fits != "false" else 0
        wants = [
            (when, ref, stock, scion)
            for ref, stock, scion, n, when in orders
            if n and when and stock in ("R", "Q")
            for _ in range(max(0, n - gone[ref]))
        ]
        trees = [
            (sown, code, stock, scion)
            for code, stock, scion, stage, n in stands
            if stage == "topped" and (sown := born[code]) and (code,) not in left
            for _ in range(n)
        ]
        wanted: Counter[tuple[str, str]] = Counter()
        for pair in {w[2:] for w in wants}:
            of_orders = sorted(w[:2] for w in wants if w[2:] == pair)
            of_groups = sorted(t[:2] for t in trees if t[2:] == pair)
            wanted.update((ref, code) for (_, ref), (_, code) in zip(of_orders, of_groups, strict=False))
        found = {(ref, code): n for ref, code, n in store.rows("SELECT order_ref, group_code, trees FROM work.allotted")}
        assert found == dict(wanted), seed
        met += len(found)
        assert store.value("SELECT coalesce(sum(open), 0) FROM work.owed") == len(wants)
    assert met > 40


def grown(bench: Bench, group: int, trees: int, scion: str = "TAHITI", until: str = "top") -> None:
    """A group whose trees are topped; with `despatch_months = 8` they are of age on 1 August 2026."""
    opened(bench, group, trees)
    bud(bench, group, "T01", trees, day="04-01", scion=scion)
    read(bench, group, "T01", trees, 0, day="04-22")
    if until == "top":
        bench.note("top", "06-20", 0, coverage="whole", topped=trees, **LATE, recount="yes")
        bench.rows["top"][-1]["group_code"] = CODES[group]


def with_orders(workspace: Workspace, *rows: str) -> None:
    (workspace.folder / "lists" / "orders.csv").write_text(HEAD + "".join(f"{r}\n" for r in rows), encoding="utf-8")
    with (workspace.folder / "nursery.toml").open("a", encoding="utf-8") as file:
        file.write("[intervals]\ndespatch_months = 8\n")


def chapters(workspace: Workspace) -> tuple[Chapter | None, Chapter | None, list[promises.ToMeet]]:
    workspace = Workspace(workspace.folder)
    with run.opened(workspace) as (store, _):
        return (
            promises_chapter.chapter(store, workspace),
            pairs_chapter.chapter(store, workspace),
            promises.orders_to_meet(store),
        )


def said_in(chapter: Chapter | None) -> str:
    return "\n".join(b.text for b in chapter.blocks if isinstance(b, Says)) if chapter else ""


def test_despatches_follow_the_orders_and_what_no_order_wants_is_free(bench: Bench) -> None:
    with_orders(
        bench.workspace,
        "LATE,L,Hill Farm,TAHITI,CARRIZO,300,2026-09-01",
        "SOON,S,Alder Farm,TAHITI,CARRIZO,700,2026-12-24",
        "NONE,N,Alder Farm,CLEMENT,CARRIZO,50,2026-10-01",
    )
    for g, trees in ((0, 600), (1, 900)):
        grown(bench, g, trees)
    bench.take_in(dt.date(2026, 8, 1))
    folder = bench.workspace.folder
    found = json.loads(formpack("due", "--task", "despatch", "--days", "90", "--json", cwd=folder))
    assert [(t["group_code"], t["due_on"], t["days_over"], t["order_ref"], t["trees"]) for t in found["due"]] == [
        (CODES[0], "2026-09-01", 62, "LATE", 300),
        (CODES[0], "2026-12-24", -52, "SOON", 300),
        (CODES[1], "2026-12-24", -52, "SOON", 400),
    ]
    said = formpack("due", cwd=folder)
    assert "Of 1,500 trees of age 500 are free: no open order wants them." in said
    assert len([line for line in said.splitlines() if "Despatch" in line]) == 1, "free trees are no task"
    columns = "order_ref, ordered, delivered, open, days_over, of_age, ready, short, ready_in"
    assert table(bench.workspace, "orders", columns) == [
        ("LATE", 300, 0, 300, 62, 300, 300, 0, "2026-11"),
        ("NONE", 50, 0, 50, 32, 0, 0, 50, None),
        ("SOON", 700, 0, 700, -52, 700, 700, 0, "2026-11"),
    ]
    asked = ("plan", "--rootstock", "CARRIZO", "--month", "2026-12", "--scion")
    said = formpack(*asked, "TAHITI", cwd=folder)
    assert "CARRIZO + TAHITI: of age now: 1,500 trees, free of these: 500." in said
    assert "Ordered until then: 1,000. Free to be promised: about 498" in said
    assert "LATE   Hill Farm   CARRIZO + TAHITI  1 Sep 2026" in said and "NONE " not in said
    said = formpack(*asked, "CLEMENT", cwd=folder)
    assert "none stand that are of age, and none are on the way" in said
    assert "By December 2026 none will be ready; ordered until then: 50." in said
    promised, pairs, to_meet = chapters(bench.workspace)
    assert [(m.says, m.trees, m.href, m.is_meetable) for m in to_meet] == [
        (
            "Deliver Carrizo citrange + Tahiti lime now: 300 trees for orders overdue since September 2026 (LATE); ready now:"
            " 1,500 trees.",
            *(300, "#promises", True),
        ),
        (
            "Bud Carrizo citrange + Clementine again, and tell the customers: 50 trees short for orders overdue since October"
            " 2026 (NONE), and too few are budded for them.",
            *(50, "#promises", False),
        ),
    ]
    assert said_in(promised).startswith(
        "3 orders are open, for 1,050 trees. 1 is overdue though all its trees stand: 300 trees can go now. 1 falls short, by"
        " 50 trees."
    )
    assert pairs and [b.name for b in pairs.blocks if isinstance(b, Table)] == ["pairs_take", "pairs_stand"]


def test_what_will_lack_soon_is_said_and_what_is_not_topped_is_no_task(bench: Bench) -> None:
    with_orders(bench.workspace, "A,A,Farm,TAHITI,CARRIZO,900,2027-01-10", "B,B,Farm,TAHITI,CARRIZO,500,2027-06-01")
    grown(bench, 0, 600, until="read")
    bench.take_in(dt.date(2026, 8, 1))
    assert "despatch" not in [t for (t,) in table(bench.workspace, "due", "task")]
    _, _, (ahead,) = chapters(bench.workspace)
    assert ahead.trees == 301 and not ahead.is_meetable
    assert ahead.says.endswith("301 trees short for orders of the coming months (A), the first on 10 January 2027.")
    ((chance, ready_in),) = table(bench.workspace, "orders", "chance_met, ready_in", "order_ref = 'B'")
    assert chance is None and ready_in is None, "nothing has gone through the steps ahead"
    said = formpack("plan", "--rootstock", "CARRIZO", "--scion", "TAHITI", "--month", "2027-06", cwd=bench.workspace.folder)
    assert "the next are ready in December 2026" in said and "there are no data to say how sure that is" in said
    assert "no data" in said


LONG = "<b>" + "Ü" * 70 + "שלום</b>"


def test_odd_orders_have_plain_words(bench: Bench) -> None:
    with_orders(
        bench.workspace,
        "NODAY,N,Farm,TAHITI,CARRIZO,10,",
        "NOPAIR,N,Farm,NOSUCH,CARRIZO,10,2026-09-01",
        "OVER,O,Farm,TAHITI,CARRIZO,100,2026-07-01",
        f"LONG,L,{LONG},TAHITI,CARRIZO,20,2026-09-01",
        "BAD,B,Farm,EUREKA,CARRIZO,40,2026-09-01",
    )
    grown(bench, 0, 600)
    grown(bench, 1, 100, scion="EUREKA")
    bench.note("despatch", "08-10", 0, despatched=150, order_ref="OVER", consignee="Farm", recount="yes")
    bench.rows["despatch"][-1]["group_code"] = CODES[0]
    bench.take_in()
    rows = table(bench.workspace, "orders", "order_ref, delivered, open, short")
    assert rows == [("OVER", 150, 0, 0), ("BAD", 0, 40, 0), ("LONG", 0, 20, 0)]
    said = formpack("plan", cwd=bench.workspace.folder, code=1)
    assert "lists/orders.csv: order NODAY is left out: it has no day wanted_on." in said
    assert "lists/orders.csv: order NOPAIR is left out: there is no scion NOSUCH in lists/scions.csv." in said
    assert "CARRIZO + EUREKA (incompatible)" in said and "The compatibility list has CARRIZO + EUREKA as incompatible" in said
    assert said.splitlines()[-1] == "No open order that could be read falls short."
    promised, pairs, (one, other) = chapters(bench.workspace)
    assert promised and pairs and one.is_meetable and not other.is_meetable
    assert other.says.startswith("Talk to the customers of Carrizo citrange + Eureka lemon first, ") and other.trees == 40
    tables = {b.name: b for b in promised.blocks if isinstance(b, Table)}
    assert [len(tables[name].rows) for name in ("of_age", "of_age_incompatible", "free_by_month")] == [1, 1, 1]
    assert len(tables["free_by_month"].columns) == 7 and "incompatible" not in str(tables["free_by_month"].rows)
    assert re.search(r"\d trees free until \w+ 2027, Carrizo citrange \+ Eureka lemon \(", said_in(promised))
    (orders,) = (b for b in promised.blocks if isinstance(b, Table) and b.name == "open_orders")
    assert [r[:2] for r in orders.rows] == [("BAD", "Farm"), ("LONG", LONG)]
    (stand,) = (b for b in pairs.blocks if isinstance(b, Table) and b.name == "pairs_stand")
    assert [(c.text, c.is_marked) for c in stand.rows[0][1:] if isinstance(c, Cell)] == [("100 ✕", True), ("450", False)]
    formpack("report", cwd=bench.workspace.folder, code=None)
    page = (bench.workspace.reports / "nursery-report.html").read_text(encoding="utf-8")
    assert "<b>Ü" not in page and "it has no day wanted_on" in page


def test_nothing_ordered_and_nothing_there(tmp_path: Path) -> None:
    workspace = new_workspace(tmp_path / "nursery")
    (workspace.lists / "orders.csv").unlink()
    run.import_files(workspace, [])
    assert chapters(workspace) == (None, None, [])
    said = formpack("plan", cwd=workspace.folder, code=None)
    assert "Nothing is on the way" in said
    asked = ("plan", "--rootstock", "CARRIZO", "--scion", "TAHITI", "--month", "2027-03")
    said = formpack(*asked, cwd=workspace.folder)
    assert "No data: nothing of CARRIZO + TAHITI is budded, and none of it is ordered." in said
    assert json.loads(formpack(*asked, "--json", cwd=workspace.folder))["promise"]["ready"] == 0
    assert "together" in formpack(*asked[:5], cwd=workspace.folder, code=2)


def test_of_many_pairs_only_those_that_are_there_and_few_buds_do_not_shout(store: Store, workspace: Workspace) -> None:
    stocks, scions = [f"R{n}" for n in range(40)], [f"S{n}" for n in range(60)]
    make(store, "list_rootstocks", "code VARCHAR, label VARCHAR", [(c, f"Stock {c}") for c in stocks])
    make(store, "list_scions", "code VARCHAR, label VARCHAR", [(c, None) for c in scions])
    make(
        store,
        "list_compatibility",
        "rootstock VARCHAR, scion VARCHAR, grade VARCHAR, source VARCHAR",
        [("R1", "S1", "Incompatible", "a"), ("R2", "S2", "delayed decline", None), ("R3", "S3", "compatible", "b")],
    )
    there = [(stocks[n % 39], scions[n % 20]) for n in range(100)]
    takes = [("rootstock+scion", f"{a}+{b}", 0.9, (50, 400, 400)[n % 3], (1, 1, 5)[n % 3]) for n, (a, b) in enumerate(there)]
    columns = '"by" VARCHAR, level VARCHAR, take_rate DOUBLE, read BIGINT, lots BIGINT'
    make(store, "take_rates", columns, takes)  # type: ignore[arg-type]
    make(store, "standing", "rootstock VARCHAR, scion VARCHAR, stage VARCHAR, estimate BIGINT", [("R1", "S1", "read", 7)])
    steps = "step VARCHAR, group_code VARCHAR, root VARCHAR, rootstock VARCHAR, scion VARCHAR, began BIGINT, through BIGINT"
    make(store, "step_counts", steps, [])
    for name in ("take_rates", "standing"):
        store.connection.execute(f"CREATE VIEW main.{name} AS FROM work.{name}")
    chapter = pairs_chapter.chapter(store, workspace)
    assert chapter
    take, stand = (b.blocks[0] for b in chapter.blocks if isinstance(b, Fold) and isinstance(b.blocks[0], Table))
    assert isinstance(take, Table) and isinstance(stand, Table) and take.is_matrix
    assert len(take.rows) == 39 and len(take.columns) == 21 and len(stand.rows) == 1
    cells = {(r[0], c.head): v for r in take.rows for c, v in zip(take.columns[1:], r[1:], strict=True)}
    assert (cells["Stock R0", "S0"].text, cells["Stock R0", "S0"].value) == ("few", None)
    assert (cells["Stock R1", "S1"].text, cells["Stock R1", "S1"].shade) == ("90% ✕", None), "one lot has no shade"
    assert cells["Stock R2", "S2"].text == "90% ?" and cells["Stock R2", "S2"].shade == pytest.approx(0.8)
    assert cells["Stock R3", "S3"].text == "few" and not cells["Stock R3", "S3"].is_marked
