"""Despatch papers: what leaves for an order, the printed paper, and what was recorded beside it."""

from __future__ import annotations

import datetime as dt
import json
from collections import defaultdict
from pathlib import Path
from typing import Any

import numpy as np
import pypdfium2
import pytest

from formpack.group_code import shown
from pipeline import run
from pipeline.field import despatch as field
from pipeline.field.printed import keep_printed, printed
from pipeline.stages import sql_text
from pipeline.store import Store
from pipeline.workspace import Workspace
from tests.book.test_reconcile import Bench
from tests.cli.test_cli import formpack
from tests.conftest import looked_at, new_workspace, table
from tests.rates.test_lives import staffed
from tests.rates.test_promises import grown, make, store, with_orders
from tests.rates.test_rates import CODES, bench

__all__ = ["bench", "store"]
TODAY = dt.date(2026, 11, 2)
LONG = "<b>" + "Ü" * 66 + "שלום</b> & Co"


def sent(bench: Bench, group: int, day: str, trees: int, order: str = "A", to: str = "Hill Farm", edits: str = "") -> str:
    key = bench.note("despatch", day, 0, despatched=trees, order_ref=order, consignee=to, recount="yes", deprecatedID=edits)
    bench.rows["despatch"][-1]["group_code"] = CODES[group]
    return key


def take_in(bench: Bench, day: dt.date = TODAY) -> None:
    bench.write()
    run.import_files(bench.workspace, [bench.workspace.inbox], day)


def two_groups(bench: Bench, *orders: str) -> Path:
    """Groups 0 and 1 of 300 trees each, of age; of order A 400 are wanted."""
    with_orders(bench.workspace, *(orders or ("A,A,Hill Farm,TAHITI,CARRIZO,400,2026-10-01",)))
    grown(bench, 0, 300)
    grown(bench, 1, 300)
    take_in(bench)
    return bench.workspace.folder


def compared(
    folder: Path, *words: str, code: int | None = None
) -> list[tuple[str, dict[str, tuple[int | None, int | None, str]]]]:
    found = json.loads(formpack("despatch", "A", "--json", *words, cwd=folder, code=code))
    return [
        (p["number"], {g["group_code"]: (g["planned"], g["recorded"], g["says"]) for g in p["groups"]}) for p in found["papers"]
    ]


def notes(bench: Bench) -> dict[str, str]:
    return dict(table(Workspace(bench.workspace.folder), "problems", "instance_id, message", "rule = 'other_than_on_paper'"))


def text_of(path: Path) -> str:
    with pypdfium2.PdfDocument(path) as pdf:
        return " ".join(" ".join(page.get_textpage().get_text_range() for page in pdf).split())


def test_a_paper_lists_what_leaves_and_is_numbered(bench: Bench) -> None:
    folder = two_groups(bench)
    said = formpack("despatch", "A", cwd=folder)
    assert "Order A, for Hill Farm" in said and "To leave now: 400 trees of 2 groups." in said
    assert "Carrizo citrange + Tahiti lime, wanted on 1 October 2026. Ordered: 400; gone: 0; open: 400." in said
    assert f"House 1  {shown(CODES[0])}    300  B-TAH            L2601-CARR" in said and "--print" in said
    assert not (folder / "paper").exists(), "looking writes nothing"
    said = formpack("despatch", "A", "--print", cwd=folder)
    assert f"Paper A/1 is in {Path('paper') / 'despatch-A-1.pdf'}: 400 trees of 2 groups." in said
    text = text_of(folder / "paper" / "despatch-A-1.pdf")
    for line in (
        *("Despatch paper A/1", "Order A, for Hill Farm", "Printed on 2 November 2026", "to take 400", "Scenario nursery"),
        *(f"House 1 {shown(CODES[g])} Carrizo citrange Tahiti lime B-TAH L2601-CARR {n}" for g, n in ((0, 300), (1, 100))),
        *("together 400", "packed by", "checked by", "driver", "received by", "It is no plant passport and no certificate."),
    ):
        assert line.replace("to take 400", "To leave now: 400 trees") in text, line
    replaces = "Paper A/1 was still open; this one replaces it."
    assert replaces in formpack("despatch", "A", "--to", "again.pdf", cwd=folder)
    assert f"To leave now: 400 trees. {replaces}" in (again := text_of(folder / "again.pdf")) and "Despatch paper A/2" in again
    assert [number for number, _ in compared(folder, code=0)] == ["A/1", "A/2"]
    assert "A/1 of 2 November 2026: 400 trees; recorded since: 0. It was replaced by A/2." in formpack(
        "despatch", "A", cwd=folder
    )
    formpack("check", cwd=folder)


def test_what_went_is_held_against_the_paper(bench: Bench) -> None:
    folder = two_groups(bench)
    formpack("despatch", "A", "--print", cwd=folder)
    assert compared(folder, code=0) == [
        ("A/1", {CODES[0]: (300, None, "nothing recorded"), CODES[1]: (100, None, "nothing recorded")})
    ]
    first = sent(bench, 0, "11-02", 180)
    take_in(bench)
    ((_, groups),) = compared(folder, code=1)
    assert groups[CODES[0]] == (300, 180, "120 fewer than on the paper") and groups[CODES[1]][1] is None
    assert notes(bench) == {
        first: "The trees of this group that have gone (180) are not as on the paper: paper A/1 of 2 November 2026 has 300."
    }, "and nothing of what has not gone yet"
    sent(bench, 0, "11-03", 120)
    take_in(bench, dt.date(2026, 11, 3))
    ((_, groups),) = compared(folder, "--as-of", "2026-11-03", code=0)
    assert groups[CODES[0]] == (300, 300, "as on the paper") and notes(bench) == {}, "two goes on two days add up"
    grown(bench, 2, 50)
    other = sent(bench, 2, "11-03", 50)
    more = sent(bench, 1, "11-03", 112, to="hill  FARM")
    take_in(bench, dt.date(2026, 11, 3))
    ((_, groups),) = compared(folder, "--as-of", "2026-11-03", code=1)
    assert groups[CODES[2]] == (None, 50, "not on the paper") and groups[CODES[1]] == (100, 112, "12 more than on the paper")
    assert list(notes(bench)) == sorted([other, more])
    assert notes(bench)[other].endswith("paper A/1 of 2 November 2026 does not name this group.")
    edit = sent(bench, 1, "11-03", 100, edits=more, to="Alder Farm")
    take_in(bench, dt.date(2026, 11, 3))
    assert list(notes(bench)) == [other]
    said = formpack("despatch", "A", "--as-of", "2026-11-03", cwd=folder, code=1)
    assert (
        f"{shown(CODES[1])}, 3 November 2026: 100 trees went to Alder Farm, where the order is for Hill Farm [{edit}]." in said
    )
    assert said.count(" went to ") == 1, "case and blanks are no other consignee"
    assert "Paper A/1 of 2 November 2026: 400 trees; recorded since: 450." in said


def test_a_second_paper_of_the_same_day_does_not_count_what_the_first_one_knew(bench: Bench) -> None:
    folder = two_groups(bench)
    formpack("despatch", "A", "--print", cwd=folder)
    morning = sent(bench, 0, "11-02", 300, "A")
    take_in(bench)
    formpack("despatch", "A", "--print", cwd=folder)
    sent(bench, 1, "11-02", 100)
    sent(bench, 0, "11-02", 299, edits=morning)
    take_in(bench)
    assert compared(folder) == [
        ("A/1", {CODES[0]: (300, 299, "1 fewer than on the paper"), CODES[1]: (100, None, "nothing recorded")}),
        ("A/2", {CODES[1]: (100, 100, "as on the paper")}),
    ], "what the morning's record is edited to belongs to the morning's paper"
    formpack("check", cwd=folder)


def test_a_paper_that_was_replaced_lacks_nothing(bench: Bench) -> None:
    folder = two_groups(bench)
    formpack("despatch", "A", "--print", cwd=folder)
    sent(bench, 0, "11-02", 180)
    take_in(bench)
    assert len(notes(bench)) == 1
    assert "Paper A/1 was still open" in formpack("despatch", "A", "--print", cwd=folder, code=1)
    assert notes(bench) == {}
    sent(bench, 0, "11-03", 120)
    sent(bench, 1, "11-03", 100)
    take_in(bench, dt.date(2026, 11, 3))
    assert compared(folder, "--as-of", "2026-11-03", code=0)[1] == (
        "A/2",
        {CODES[0]: (120, 120, "as on the paper"), CODES[1]: (100, 100, "as on the paper")},
    )


def test_what_is_kept_out_or_waits_is_named_and_not_counted(bench: Bench) -> None:
    folder = two_groups(bench)
    sent(bench, 0, "11-02", 99_999)
    sent(bench, 7, "11-02", 10)
    sent(bench, 0, "11-02", 30)
    bench.rows["despatch"][-1]["group_code"] = "26-0801-98"
    take_in(bench)
    said = formpack("despatch", "A", cwd=folder, code=1)
    assert "3 despatches of this order are kept out of the books or wait, so they are not in this:" in said
    assert f"{shown(CODES[7])} (10 trees)" in said and "26-0801-98 (30 trees)" in said and "gone: 0" in said


def test_what_was_not_ordered_or_went_elsewhere_is_said_and_adds_up(bench: Bench) -> None:
    folder = two_groups(bench)
    sent(bench, 0, "11-01", 10)
    grown(bench, 2, 50)
    bench.rows["budding"][-1]["scion"] = "EUREKA"
    take_in(bench)
    formpack("despatch", "A", "--print", cwd=folder)
    wrong = sent(bench, 2, "11-02", 20)
    same = sent(bench, 0, "11-02", 52, to="hill-fárm ")
    other = sent(bench, 1, "11-02", 12, to="Alder Farm")
    take_in(bench)
    said = formpack("despatch", "A", cwd=folder, code=1)
    assert "gone: 74; open: 326." in said and "Gone under no paper: 10 trees." in said, "10 + 84 - 20 = 74"
    assert "recorded since: 84. Not ordered of these: 20 trees." in said
    pair = "Carrizo citrange + Eureka lemon"
    line = f"20 trees of {pair} went under this order; not ordered, so not counted as delivered [{wrong}]."
    assert line in said and same not in said and f"[{other}]" in said
    found = dict(table(bench.workspace, "problems", "instance_id, message", "rule = 'other_consignee'"))
    assert found == {other: "These trees went to Alder Farm, and order A is for Hill Farm."}


def test_each_despatch_belongs_to_one_paper(store: Store) -> None:
    """Random papers and despatches of a few orders, groups and days, beside a plain walk over all of them."""
    make(
        store,
        "states",
        "instance_id VARCHAR, superseded_by VARCHAR",
        [("old1", "s1"), ("older", "old1"), ("x", "y"), ("y", "x")],
    )
    met = 0
    for seed in range(60):
        dice = np.random.default_rng(seed)
        days = [dt.date(2026, 11, 1) + dt.timedelta(n) for n in range(4)]
        orders, groups = ["A", "B"], ["g1", "g2", "g3"]
        papers: list[tuple[int, str, dt.date, int]] = []
        for number in range(1, int(dice.integers(1, 6))):
            order = orders[int(dice.integers(2))]
            position = 1 + sum(p[1] == order for p in papers)
            papers.append((number, order, days[int(dice.integers(4))], position))
        lines = [(p[0], g, int(dice.integers(1, 9))) for p in papers for g in groups if dice.random() < 0.6]
        gone = [
            (groups[int(dice.integers(3))], f"s{n}", days[int(dice.integers(4))], f"{n}", orders[int(dice.integers(2))], n + 1)
            for n in range(int(dice.integers(0, 9)))
        ]
        known = [(p[0], s[1]) for p in papers for s in gone if s[2] == p[2] and dice.random() < 0.4]
        known = [(n, "older" if s == "s1" else s) for n, s in known] + [(p[0], "x") for p in papers]
        make(
            store,
            "papers",
            "number BIGINT, order_ref VARCHAR, printed_on DATE, position BIGINT, replaced_by BIGINT",
            [(*p, None) for p in papers],
        )
        make(store, "paper_lines", "number BIGINT, group_code VARCHAR, trees BIGINT", lines)
        make(store, "paper_known", "number BIGINT, instance_id VARCHAR", known)
        columns = "group_code VARCHAR, instance_id VARCHAR, on_date DATE, ended VARCHAR, order_ref VARCHAR, quantity BIGINT"
        make(store, "deliveries", columns, gone)
        wanted: dict[tuple[int, str], list[Any]] = {(n, g): [trees, None, None] for n, g, trees in lines}
        last: dict[tuple[int, str], tuple[dt.date, str]] = defaultdict(lambda: (dt.date.min, ""))
        for group, key, on, ended, order, trees in gone:
            mine = None
            for number, its, printed_on, _ in sorted(papers, key=lambda p: (p[2], p[0])):
                is_known = (number, "older" if key == "s1" else key) in known
                if its == order and printed_on <= on and not is_known:
                    mine = number
            if mine is None:
                continue
            met += 1
            line = wanted.setdefault((mine, group), [None, None, None])
            line[1] = (line[1] or 0) + trees
            if (on, ended) > last[mine, group]:
                last[mine, group], line[2] = (on, ended), key
        found = store.rows(f"SELECT number, group_code, planned, recorded, instance_id FROM ({sql_text('on_paper')})")
        assert {(n, g): said for n, g, *said in found} == wanted, seed
    assert met > 80


def test_batches_and_seed_lots_are_all_that_its_trees_may_be_of(bench: Bench) -> None:
    """Group 0 was budded with B-TAH; 100 of group 1, of another seed lot and batch, were put to it; failed buds of group 2, set
    aside into it, bring their seed lot and no batch."""
    with_orders(bench.workspace, "A,A,Hill Farm,TAHITI,CARRIZO,900,2026-10-01")
    for group, lot, batch in ((0, "L2601-CARR", "B-TAH"), (1, "L-OTHER", "B-TWO"), (2, "L-THIRD", "B-DEAD")):
        grown(bench, group, 300, until="top" if group == 0 else "read")
        bench.rows["open_group"][-1]["seed_lot"] = lot
        bench.rows["budding"][-1]["budwood_batch"] = batch
    for group, why in ((1, "merge"), (2, "set_aside")):
        move = {"to_group": CODES[0], "moved": 100, "transfer_reason": why}
        bench.note("transfer", "05-10", 0, **move, recount="yes")
        bench.rows["transfer"][-1]["group_code"] = CODES[group]
    for name, rows in (
        ("seed_lots", ["L-OTHER,x,CARRIZO", "L-THIRD,x,CARRIZO"]),
        ("budwood_batches", ["B-TWO,x,TAHITI", "B-DEAD,x,TAHITI"]),
    ):
        path = bench.workspace.lists / f"{name}.csv"
        head = path.read_text(encoding="utf-8").splitlines()[0].split(",")
        own = "rootstock" if name == "seed_lots" else "scion"
        texts = [dict(zip(("code", "label", own), row.split(","), strict=True)) for row in rows]
        with path.open("a", encoding="utf-8") as file:
            file.write("".join(",".join(t.get(h, "") for h in head) + "\n" for t in texts))
    take_in(bench)
    (line,) = json.loads(formpack("despatch", "A", "--json", cwd=bench.workspace.folder))["leaves"]
    assert (line["batches"], line["seed_lots"]) == (["B-TAH", "B-TWO"], ["L-OTHER", "L-THIRD", "L2601-CARR"])


@pytest.mark.parametrize(
    ("order", "says"),
    [
        ("NONE", "There is no order NONE in lists/orders.csv. DONE or NONE1?"),
        ("OFF", "Order OFF is not active in lists/orders.csv, so nothing leaves for it"),
        ("NODAY", "lists/orders.csv: order NODAY is left out: it has no day wanted_on."),
        ("BADNUM", "lists/orders.csv: order BADNUM is left out: its quantity 1e3"),
        (
            "NONE1",
            "Nothing leaves now: no tree of the pair is of age. As far as is known too few are on the way for all of it.",
        ),
        ("DONE", "Nothing leaves: all has gone (20 trees of 20 ordered)."),
        ("LATER", "Nothing leaves now: the 280 trees of the pair that are of age go to older orders."),
    ],
)
def test_nothing_is_printed_where_nothing_leaves(odd: Path, order: str, says: str) -> None:
    assert says in formpack("despatch", order, "--print", cwd=odd, code=2)
    assert says in formpack("despatch", order, cwd=odd, code=2 if order in ("NONE", "OFF") else 0)
    assert not (odd / "paper").exists()
    with looked_at(Workspace(odd), ["papers"]) as store:
        assert printed(store, ["despatch"]) == []


@pytest.fixture(scope="module")
def odd(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A nursery of odd orders: one group of 300 of age."""
    workspace = new_workspace(tmp_path_factory.mktemp("odd") / "nursery")
    with_orders(
        workspace,
        "NONE1,N,Farm,EUREKA,CARRIZO,10,2026-10-01",
        "OFF,O,Farm,TAHITI,CARRIZO,10,2026-10-01",
        "NODAY,N,Farm,TAHITI,CARRIZO,10,",
        "BADNUM,N,Farm,TAHITI,CARRIZO,1e3,2026-10-01",
        "DONE,D,Farm,TAHITI,CARRIZO,20,2026-09-01",
        f"A/../B,L,{LONG},TAHITI,CARRIZO,500,2026-10-01",
        "LATER,L,Farm,TAHITI,CARRIZO,50,2026-12-01",
    )
    path = workspace.lists / "orders.csv"
    rows = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join([f"{rows[0]},active", *(f"{r},{'no' if r.startswith('OFF') else ''}" for r in rows[1:])]))
    bench = staffed(workspace)
    grown(bench, 0, 300)
    sent(bench, 0, "09-02", 20, "DONE", "Farm")
    take_in(bench)
    return workspace.folder


def test_odd_names_and_files_that_cannot_be_written(odd: Path, tmp_path: Path) -> None:
    assert "must end in .pdf" in formpack("despatch", "A/../B", "--to", "x.txt", cwd=odd, code=2)
    assert "There is no folder" in formpack("despatch", "A/../B", "--to", str(tmp_path / "no" / "x.pdf"), cwd=odd, code=2)
    with looked_at(Workspace(odd), ["papers"]) as store:
        assert printed(store, ["despatch"]) == [], "what could not be written has no number"
    said = formpack("despatch", "A/../B", "--to", str(tmp_path / "x.pdf"), cwd=odd)
    assert "Short now: 220 trees. As far as is known too few are on the way for all of it." in said
    text = text_of(tmp_path / "x.pdf")
    assert "Despatch paper A/../B/1" in text and "<b>ÜÜÜ" in text and "& Co" in text and "together 280" in text
    names = [field.file_of(Workspace(odd), number).name for number in ("A/../B/2", "A_.._B/2")]
    assert names[0].startswith("despatch-A_.._B-") and names[1] == "despatch-A_.._B-2.pdf" != names[0]


def test_sixty_groups_and_a_place_that_is_not_known(workspace: Workspace, tmp_path: Path) -> None:
    """As many lines as the paper has sheets for, each with its own number."""
    lines = [
        field.Line(f"{n:08}", "" if n == 3 else "House 1", 100 + n, ["B1", "B2"], ["L1"], "A 7, B 3" if n == 4 else "")
        for n in range(60)
    ]
    found = field.Despatch(
        *("A", "Farm", ("CARRIZO", "EUREKA"), "C + E (incompatible)", "The list has it.", TODAY, 9000, 0, 9000, "", None, 0, 0),
        *(lines, [], [], [], []),
    )
    with Store.in_memory() as store:
        make(store, "deliveries", "order_ref VARCHAR, instance_id VARCHAR, on_date DATE", [])
        labels = {"rootstocks": {"CARRIZO": "Carrizo"}, "scions": {"EUREKA": "Eureka"}}
        number = field.issue_paper(store, workspace, found, field.Names(labels, {}), TODAY, tmp_path / "x.pdf")
        assert number == "A/1"
        keep_printed(store, TODAY, "despatch", {"B": {"leaves": [], "known": []}})
        assert [p.about for p in printed(store, ["despatch"])] == ["A", "B"]
    text = text_of(tmp_path / "x.pdf")
    assert all(f"{shown(line.group_code)} " in text and f" B1, B2 L1 {line.trees}" in text for line in lines)
    assert "together 7,770" in text and "mixed: A 7, B 3" in text and "not known 00-0000-03" in text
    assert "look for their signs: 00-0000-03." in text
    assert "incompatible" not in text and "The list has it." not in text, "that is for the office"
