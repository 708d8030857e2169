"""The first screen: what to do, the most at stake first, and the four large numbers."""

from __future__ import annotations

import datetime as dt
import re

from pipeline import run
from pipeline.report.blocks import Chapter, Figures, Fold, Items, Says
from pipeline.report.chapters import gather_chapters
from pipeline.report.figures import gather
from pipeline.report.first import ToDo, first_screen, ranked
from pipeline.settings import Prices
from pipeline.workspace import Workspace
from tests.book.test_reconcile import Bench
from tests.conftest import looked_at

DAY = dt.date(2026, 8, 31)
ORDERS = "code,label,consignee,scion,rootstock,quantity,wanted_on\n"


def first_of(workspace: Workspace) -> tuple[Chapter, set[str]]:
    with looked_at(workspace) as store:
        f = gather(store, workspace)
        return first_screen(store, workspace, f), {c.name for c in gather_chapters(store, workspace, f)}


def items_of(first: Chapter) -> list[tuple[str, str, str]]:
    blocks = [b for block in first.blocks for b in (block.blocks if isinstance(block, Fold) else [block])]
    return [(i.text, i.href, i.stake_text) for b in blocks if isinstance(b, Items) for i in b.items]


def test_what_is_known_to_be_at_stake_comes_first_then_what_waits() -> None:
    some = [ToDo("b", "", 0, "", 9), ToDo("a", "", 5, ""), ToDo("d", "", 0, "", 20), ToDo("c", "", 700, "")]
    assert [t.text for t in ranked(some)] == ["c", "a", "d", "b"]


def test_a_doubtful_count_an_order_and_a_group_without_an_opening(workspace: Workspace) -> None:
    (workspace.lists / "orders.csv").write_text(f"{ORDERS}O1,,Nobody,TAHITI,CARRIZO,40,2026-07-01\n", encoding="utf-8")
    bench = Bench(workspace)
    bench.open(0, 1000)
    bench.counts(0, 999, 650)
    bench.counts(1, 730)
    bench.write()
    run.import_files(workspace, [workspace.inbox], DAY)
    first, chapters = first_of(workspace)
    items = items_of(first)
    said = " ".join(text for text, *_ in items)
    assert re.search(
        r"Put right what is kept out: \d+ plants of 1 group are in none of these numbers: .*no opening has come", said
    )
    assert "Count 1 group again: " in said and "short for orders overdue since July 2026 (O1)" in said
    assert {href for _, href, _ in items} <= {f"#{name}" for name in chapters}
    at_stake = [int(re.sub(r"\D", "", stake)) for *_, stake in items if "wait" not in stake]
    assert at_stake == sorted(at_stake, reverse=True) and at_stake[0] >= 700
    (large,) = (b for b in first.blocks if isinstance(b, Figures))
    assert len(large.figures) == 4
    assert all("no data yet" in f.changes for f in large.figures[1:])


def test_money_stands_beside_what_is_owed_where_there_are_prices(workspace: Workspace) -> None:
    (workspace.lists / "orders.csv").write_text(f"{ORDERS}O1,,Nobody,TAHITI,CARRIZO,40,2026-07-01\n", encoding="utf-8")
    bench = Bench(workspace)
    bench.open(0, 1000)
    bench.take_in(DAY)
    object.__setattr__(workspace.settings, "prices", Prices(currency="EUR", tree=8.5))
    first, _ = first_of(workspace)
    assert "40 trees, EUR 340" in [stake for *_, stake in items_of(first)]


def test_a_nursery_with_nothing_to_do_says_so(workspace: Workspace) -> None:
    (workspace.lists / "orders.csv").write_text(ORDERS, encoding="utf-8")
    Bench(workspace).take_in(DAY)
    first, _ = first_of(workspace)
    said = [b.text for b in first.blocks if isinstance(b, Says)]
    assert said == ["No group has been opened yet.", "There is nothing that has to be done."]
