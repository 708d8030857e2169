"""Money is worked out from plants and given prices, and from nothing else; the bridge says its steps."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import pytest

from formpack import words
from pipeline import run
from pipeline.report import write_report
from pipeline.report.blocks import Block, Cell, Chapter, Fold, Says, Table
from pipeline.report.chapters import bridge, money
from pipeline.report.money import cost_of_last_month, in_money, late_orders
from pipeline.store import Store
from pipeline.workspace import Workspace
from tests.book.test_reconcile import Bench
from tests.conftest import looked_at, new_workspace
from tests.rates.test_lives import bag, lose, staffed
from tests.rates.test_rates import opened

DAY = dt.date(2026, 5, 4)


@pytest.fixture
def bench(workspace: Workspace) -> Bench:
    """1,000 in trays, of which 50 are dead when 900 are bagged on 2 March; then 30 die on 13 April, and 20 on 2 May."""
    found = staffed(workspace)
    opened(found, 0, 1000)
    bag(found, 0, "03-02", 950, dead=50)
    lose(found, 0, "04-13", 30)
    lose(found, 0, "05-02", 20)
    opened(found, 1, 400, day="04-20")
    orders = "A,A,Farm,TAHITI,CARRIZO,300,2026-04-01\nB,B,Farm,NAVEL,C35,40,2026-03-01\nC,C,Farm,TAHITI,CARRIZO,9,2026-05-30\n"
    (workspace.folder / "lists" / "orders.csv").write_text(
        "code,label,consignee,scion,rootstock,quantity,wanted_on\n" + orders, encoding="utf-8"
    )
    found.take_in(DAY)
    return found


def priced(workspace: Workspace, prices: str) -> Workspace:
    path = workspace.folder / "nursery.toml"
    path.write_text(path.read_text(encoding="utf-8") + prices, encoding="utf-8")
    return Workspace(workspace.folder)


def parts(blocks: Any) -> list[Block]:
    return [p for b in blocks for p in (parts(b.blocks) if isinstance(b, Fold) else [b])]


def tables(chapter: Chapter | None) -> dict[str, Table]:
    assert chapter is not None
    return {t.name: t for t in parts(chapter.blocks) if isinstance(t, Table)}


def said(chapter: Chapter | None) -> str:
    assert chapter is not None
    return " ".join(b.text for b in parts(chapter.blocks) if isinstance(b, Says))


def plain(row: Any) -> list[Any]:
    return [v.value if isinstance(v, Cell) else v for v in row]


def test_nothing_is_said_of_money_until_prices_are_given(bench: Bench) -> None:
    with looked_at(bench.workspace) as store:
        assert money.chapter(store, bench.workspace) is None
        assert cost_of_last_month(store, bench.workspace.settings) is None
        assert in_money(bench.workspace.settings, 5, "bag") is None
        assert in_money(bench.workspace.settings, 5, pair=("CARRIZO", "TAHITI")) is None


def test_what_was_lost_and_is_held_back_in_money_by_hand(bench: Bench) -> None:
    """50 dead in trays at 2 and 30 in bags at 10, of whole months; 340 trees of 40 and 25 late, those of May not yet."""
    ours = priced(bench.workspace, "[prices]\ncurrency = 'R'\ntree = 25\ncost = {tray = 2, bag = 10}\ntrees = {TAHITI = 40}\n")
    with looked_at(ours) as store:
        found = tables(money.chapter(store, ours))
        by_stage = {row[0]: plain(row[1:]) for row in found["cost_by_stage"].rows}
        assert by_stage["in trays"][0] == 100 and by_stage["in trays"][-1] == 0
        assert by_stage["in bags"][0] == 300 and by_stage["in bags"][-1] == 300
        assert [plain(row) for row in found["cost_by_cause"].rows] == [["Dead, cause unknown", 400, 300]]
        late = found["held_back_orders"]
        assert [(r[0], r[4], r[5]) for r in late.rows] == [("B", 40, 1000), ("A", 300, 12_000)]
        assert late.total is not None and late.total[-2:] == (340, 13_000)
        at_cost = {r[0]: r[1:] for r in found["standing_at_cost"].rows}
        assert at_cost["in trays"][1] == 2 * at_cost["in trays"][0] and at_cost["in bags"][1] == 10 * at_cost["in bags"][0]
        for plants, worth, low, high in at_cost.values():
            assert plants > 0 and low <= worth <= high
        assert cost_of_last_month(store, ours.settings) == "What was lost in April 2026 had cost R 300."
        assert in_money(ours.settings, 1200, "bag") == "R 12,000"
        assert in_money(ours.settings, 2, pair=("C35", "NAVEL")) == "R 50.00"
        assert len(late_orders(store)) == 2


def test_what_half_given_prices_leave_out_is_said(bench: Bench) -> None:
    ours = priced(bench.workspace, "[prices.cost]\ntray = 2\n[prices.trees]\nTAHITI = 40\n'C35+NOSUCH' = 1\n")
    with looked_at(ours) as store:
        chapter = money.chapter(store, ours)
        text, found = said(chapter), tables(chapter)
    assert "No cost is given for plants in bags, so those lost or standing there are not in this." in text
    assert "No price is given for C35 + NAVEL" in text and "No currency is given" in text
    assert "A price is given for C35+NOSUCH, which is no scion of the list" in text
    assert [row[0] for row in found["cost_by_stage"].rows] == ["in trays"]
    assert [row[5] for row in found["held_back_orders"].rows] == [None, 12_000]


def test_prices_of_costs_alone_say_what_late_orders_lack(bench: Bench) -> None:
    ours = priced(bench.workspace, "[prices]\ncost = {staked = 3}\n")
    with looked_at(ours) as store:
        text = said(money.chapter(store, ours))
    assert "No price of a tree is given, so it is not known what 2 orders hold back." in text
    assert "Nothing was lost in the last twelve months where a cost is given." in text


@pytest.mark.parametrize("currency", ["ر.س", "<b>$</b>", "=1+1"])
def test_any_currency_is_text_on_the_page(currency: str, bench: Bench) -> None:
    ours = priced(bench.workspace, f"[prices]\ncurrency = '{currency}'\ntree = 25\ncost = {{tray = 2, bag = 10}}\n")
    with looked_at(ours) as store:
        page = write_report(store, ours)[0].read_text(encoding="utf-8")
    assert "<b>$</b>" not in page and currency.replace("<", "&lt;").replace(">", "&gt;") in page


def test_an_empty_nursery_has_no_bridge_and_no_money_to_lose(tmp_path: Path) -> None:
    ours = priced(new_workspace(tmp_path / "new"), "[prices]\ntree = 25\ncost = {tray = 2}\n")
    run.import_files(ours, [])
    with looked_at(ours) as store:
        assert bridge.chapter(store, ours) is None
        assert "Nothing was lost" in said(money.chapter(store, ours))
        assert cost_of_last_month(store, ours.settings) is None


def steps_of(table: Table) -> list[int]:
    return [row[1] for row in table.rows]


def whole_walks(store: Store, workspace: Workspace) -> dict[str, Table]:
    """The tables of the chapter, seen to add up."""
    found = tables(bridge.chapter(store, workspace))
    for name, t in found.items():
        assert t.total is not None
        if name.startswith("bridge_by"):
            assert all(sum(row[1:5]) == row[5] for row in t.rows) and sum(t.total[1:5]) == t.total[5]
        else:
            assert sum(steps_of(t)) == t.total[1]
    return found


def test_the_bridge_adds_up_as_it_is_shown(bench: Bench) -> None:
    with looked_at(bench.workspace) as store:
        found = whole_walks(store, bench.workspace)
        ((stands, book),) = store.rows("SELECT plants, book_count FROM standing_sums WHERE \"by\" = 'all'")
    assert steps_of(found["from_the_book"])[0] == book == 1300 and found["from_the_book"].total[1] == stands
    assert found["from_opened"].rows[0][1] == 1400 and found["from_opened"].total[1] == stands
    assert ("lost to: Dead, cause unknown", -100) in found["from_opened"].rows


def test_the_bridge_of_what_is_gone_has_no_walk_from_the_book(workspace: Workspace) -> None:
    found = staffed(workspace)
    opened(found, 0, 30)
    lose(found, 0, "04-13", 30)
    found.take_in(DAY)
    words.use("es")
    try:
        with looked_at(workspace) as store:
            shown = whole_walks(store, workspace)
            dead = next(iter(shown["from_opened"].rows[1:]))[0]
    finally:
        words.use("en")
    assert set(shown) == {"from_opened"} and "Dead" not in dead
