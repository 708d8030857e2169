"""Lists live: people leave, codes are renamed, rows are mistyped, and no accepted work is thrown out for it."""

from __future__ import annotations

import csv
import datetime as dt
import os
from pathlib import Path

import pytest

from formpack.catalog import load_forms
from formpack.words import unpacked
from pipeline import run
from pipeline.field import phone
from pipeline.lists import read_list
from pipeline.office import backup
from pipeline.rates.promises import orders_left_out
from pipeline.store import Store
from pipeline.workspace import LISTS, MAY_BE_MISSING, Workspace
from tests.cli.test_cli import formpack
from tests.conftest import DAY, SAMPLES, copied, looked_at, new_workspace, table

SCENARIO = SAMPLES / "failed_buds_are_set_aside_and_budded_again" / "inbox"
LATER = dt.date(2026, 11, 20)


def edit(workspace: Workspace, name: str, old: str, new: str) -> Workspace:
    path = workspace.lists / f"{name}.csv"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    return Workspace(workspace.folder)


def said(workspace: Workspace) -> list[tuple[str, str]]:
    return table(workspace, "problems", "rule, message")


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    workspace = new_workspace(tmp_path_factory.mktemp("lists") / "nursery")
    assert run.import_files(workspace, sorted(SCENARIO.iterdir())).states["accepted"] == 5
    assert said(workspace) == []
    return workspace


@pytest.fixture
def nursery(prepared: Workspace, workspace: Workspace) -> Workspace:
    return copied(prepared, workspace)


def test_a_row_that_is_gone_or_renamed_throws_nothing_out(nursery: Workspace, tmp_path: Path) -> None:
    changed = edit(nursery, "staff", "S03,Joel,yes\n", "A1,Joel,yes\n")
    done = run.import_files(changed, [])
    assert (done.states["accepted"], done.notes) == (5, 1)
    assert sorted(said(changed)) == [
        ("code_gone", "S03 is no longer in lists/staff.csv, and 5 submissions use it; A1 has its label now."),
    ]


def test_a_renamed_rootstock_keeps_its_groups(nursery: Workspace) -> None:
    before = table(nursery, "standing")
    changed = edit(nursery, "rootstocks", "CARRIZO,", "CARRIZO2,")
    assert run.import_files(changed, []).states["accepted"] == 5
    assert table(changed, "standing") == before
    assert "code_gone" in [r for r, _ in said(changed)]


def test_what_is_known_survives_a_rebuild_and_a_backup(nursery: Workspace, tmp_path: Path) -> None:
    changed = edit(nursery, "staff", "S03,Joel,yes\n", "")
    run.import_files(changed, [])
    before = said(changed)
    with Store.open(changed.store_file) as store:
        run.rebuild(store, changed)
        assert run.differs_when_rebuilt(store, changed) == []
        backup.write_backup(store, changed, tmp_path / "backup")
    assert said(changed) == before
    with backup.restored(tmp_path / "backup", tmp_path / "again") as (again, _):
        run.import_files(again, [], DAY)
        assert said(again) == before
    (tmp_path / "backup" / "list_rows.csv").unlink()
    with backup.restored(tmp_path / "backup", tmp_path / "older", is_proved=False) as (older, _):
        assert run.import_files(older, [], DAY).states["quarantined"] > 0


def test_a_person_who_left_is_not_offered_and_stays_right_for_what_is_dated_before(nursery: Workspace) -> None:
    changed = edit(nursery, "staff", "S03,Joel,yes\n", "S03,Joel,no\n")
    run.import_files(changed, [])
    assert said(changed) == []
    with looked_at(changed) as store:
        phone.write_lists(store, changed)
    lines = (changed.phone / "staff.csv").read_text(encoding="utf-8").splitlines()
    assert [line[:3] for line in lines if line[:3] in ("S01", "S03")] == ["S01"]
    count = "visit_date,staff_code,group_code,coverage,counted\n2026-11-15,S03,26-0012-39,whole,900\n"
    (changed.inbox / "stock_count.csv").write_text(count, encoding="utf-8")
    run.import_files(Workspace(changed.folder), [changed.inbox], LATER)
    (found,) = [m for r, m in said(changed) if r == "code_not_active"]
    assert found == "S03 is not active in lists/staff.csv since 2 November 2026, and 1 submission is dated after that."


@pytest.mark.parametrize("name", [n for n in LISTS if n != "compatibility"])
def test_every_list_has_active(name: str, workspace: Workspace) -> None:
    path = workspace.lists / f"{name}.csv"
    head, first = path.read_text(encoding="utf-8").splitlines()[:2]
    head = head if head.endswith(",active") else head + ",active"
    row = next(csv.reader([first]))
    line = ",".join(f'"{c}"' for c in [*row[: head.count(",")], "não"])
    path.write_text(f"{head}\n{line}\n", encoding="utf-8")
    read = workspace.list_read(name)
    assert len(read.rows) == 1 and read.active == [] and read.faults == []


FAULTS: list[tuple[str, str, str]] = [
    ("seed_lots", "code,rootstock,received\nL1,CARIZO,2025-11-20\nL2,CARIZO,", "rows 2, 3: rootstock: CARIZO is not in"),
    ("seed_lots", "code,rootstock\nL1,carrizo", "row 2: rootstock: carrizo is not in lists/rootstocks.csv; CARRIZO is."),
    ("seed_lots", "code,rootstock,received\nL1,CARRIZO,20/11/2025", "row 2: received: 20/11/2025 is not written"),
    ("budwood_batches", "code,scion\nB1,TAHITY", "row 2: scion: TAHITY is not in lists/scions.csv"),
    ("teams", "code,label,budder\nT02,Two,S09", "row 2: budder: S09 is not in lists/staff.csv"),
    ("orders", "code,scion,rootstock,quantity\nO1,TAHITI,CARRIZO,1.000", "row 2: quantity: 1.000 has a mark"),
    ("orders", "code,scion,rootstock\nO1,TAHITI,CARIZO", "row 2: rootstock: CARIZO is not in lists/rootstocks.csv"),
    ("compatibility", "rootstock,scion,grade\nCARRIZO,LIMON,good", "row 2: scion: LIMON is not in lists/scions.csv"),
    ("seed_lots", "code,label,stock\nL1,One,CARRIZO", "it has no column rootstock, supplier, received, treated, and nothing"),
    ("staff", "code,label\nP01,Ana\np01,Ana", "row 3: p01 stands beside P01; if they are one, keep one of the two."),
    ("staff", "code,label\nS01,Abel\nS01,Iris", "row 3: the code 'S01' stands twice; the first row with it is used."),
    ("staff", "code,label\nS01", "row 2: not as many cells as the header has; the row is not used."),
    ("staff", "code,label,active\nS02,Iris,perhaps", "row 2: active is 'perhaps'; write yes or no."),
    ("staff", "name,label\nS02,Iris", "lists/staff.csv: has no column code; its columns are name, label."),
    ("locations", "code,part_of\nB1,H9", "place B1: it is part of H9, which is not in the list."),
]


@pytest.mark.parametrize(("name", "text", "says"), FAULTS)
def test_what_is_wrong_in_a_list_is_said_and_ends_nothing(name: str, text: str, says: str, nursery: Workspace) -> None:
    (nursery.lists / f"{name}.csv").write_text(text + "\n", encoding="utf-8")
    done = run.import_files(Workspace(nursery.folder), [])
    assert done.states["accepted"] == 5
    found = [m for r, m in said(nursery) if r == "faulty_list"]
    assert any(says in m for m in found), found


def test_a_list_that_is_not_there_is_as_it_was(nursery: Workspace) -> None:
    (nursery.lists / "staff.csv").unlink()
    assert run.import_files(Workspace(nursery.folder), []).states["accepted"] == 5
    assert [r for r, _ in said(nursery)] == ["faulty_list"]
    assert "lists/staff.csv is missing" in formpack("forms", cwd=nursery.folder, code=2)


def test_a_nursery_that_updates_is_not_stopped_by_lists_that_came_later(
    workspace: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The shipped rows are its list, or none are; one that was there and is lost stands as it was, and is told."""
    few = ("scouting", "treatment", "open_group", "bud_take", "budding")
    some = {name: form for name, form in load_forms().items() if name in few}
    monkeypatch.setattr("formpack.xform.has_java", lambda: False)
    monkeypatch.setattr("formpack.catalog._shipped_forms", lambda: some)
    for name in MAY_BE_MISSING:
        (workspace.lists / f"{name}.csv").rename(workspace.folder / f"{name}.csv")
    run.import_files(workspace, sorted(SCENARIO.iterdir()))
    assert "is missing" not in formpack("forms", cwd=workspace.folder) and said(workspace) == []
    rows = {
        name: (workspace.phone / f"{name}.csv").read_text(encoding="utf-8").splitlines()[1:] for name in ("pests", "products")
    }
    assert "none,Nothing found (nada),yes" in rows["pests"] and rows["products"] == []
    (workspace.folder / "products.csv").rename(workspace.lists / "products.csv")
    run.import_files(workspace, [])
    (workspace.lists / "products.csv").unlink()
    run.import_files(workspace, [])
    assert [r for r, _ in said(workspace)] == ["faulty_list"]
    assert "lists/products.csv: is missing; `formpack init`" in formpack("forms", cwd=workspace.folder)
    with looked_at(workspace) as store:
        assert store.rows("SELECT code FROM work.list_products ORDER BY code") == [("P01",), ("P02",)]


def test_semicolons_quotes_and_capitals_in_a_list_are_read(nursery: Workspace) -> None:
    (nursery.lists / "staff.csv").write_text(
        '"Code";"Label"\r\n"S01";"Abel"\r\n"S02";"Iris"\r\n"S03";"Joel"\r\n"S04";"Nadia"\r\n', encoding="utf-8"
    )
    assert run.import_files(Workspace(nursery.folder), []).states["accepted"] == 5
    assert said(nursery) == []


def test_an_order_that_is_gone_or_closed_is_not_planned_for(nursery: Workspace) -> None:
    wanted = "rootstock = 'CARRIZO' AND ordered > 0"
    assert table(nursery, "projection", "count(*)", wanted) == [(1,)]
    orders = nursery.lists / "orders.csv"
    head, *rows = orders.read_text(encoding="utf-8").splitlines()
    orders.write_text("\n".join([head + ",active", *(r + ",no" for r in rows)]) + "\n", encoding="utf-8")
    run.import_files(Workspace(nursery.folder), [])
    assert table(nursery, "projection", "count(*)", wanted) == [(0,)]


UNREADABLE = {
    "orders": [
        ("quantity", "1e3", "is not a whole number"),
        ("quantity", "100.6", "is not a whole number"),
        ("quantity", "1_000", "is not a whole number"),
        ("quantity", "-5", "is no number of trees"),
        ("quantity", "0", "is no number of trees"),
        ("quantity", "99999999", "is no number of trees"),
        ("quantity", "9" * 30, "has too many digits"),
        ("quantity", "٩٤٠", "another script"),
        ("wanted_on", "1/7/27", "can be read in two ways; write 2027-01-07 or 2027-07-01"),
        ("wanted_on", "infinity", "is not a day"),
        ("wanted_on", "epoch", "is not a day"),
        ("wanted_on", "2027-7-1", "is not written as YYYY-MM-DD; 2027-07-01?"),
        ("wanted_on", "0027-07-01", "is not from 1990 to 2199"),
        ("wanted_on", "2027-07-01 10:00", "is not a day"),
        ("wanted_on", "46568", "spreadsheet's day number"),
    ],
    "rootstocks": [
        ("off_type_low", "0,02", "has a decimal comma"),
        ("off_type_low", "nan", "is not a number"),
        ("off_type_low", "-0.1", "is no share"),
        ("off_type_low", "0.3", "is above off_type_high, 0.2"),
        ("off_type_high", "15", "is no share"),
        ("off_type_high", "inf", "is not a number"),
    ],
    "seed_lots": [("received", "20/11/2025", "is not written as YYYY-MM-DD"), ("supplier", "Ridge \ufffd", "cannot be read")],
    "budwood_batches": [
        ("cut_on", "29/06/26", "2026-06-29?"),
        ("buds", "4,000", "mark between thousands"),
        ("buds", "-1", "is no"),
    ],
}
SOUND = {
    "orders": {"scion": "TAHITI", "rootstock": "CARRIZO", "quantity": "100", "wanted_on": "2027-06-01"},
    "rootstocks": {"off_type_low": "0.1", "off_type_high": "0.2"},
    "seed_lots": {"rootstock": "CARRIZO", "received": "2025-11-20"},
    "budwood_batches": {"scion": "TAHITI", "cut_on": "2026-06-28", "buds": "4000"},
}


def test_days_and_numbers_of_lists_are_read_as_strictly_as_submissions(nursery: Workspace) -> None:
    """Each wrong cell is said and empty in the tables; the others of its list stand, as days and numbers."""
    for name, cells in UNREADABLE.items():
        path = nursery.lists / f"{name}.csv"
        former = list(csv.DictReader(path.read_text(encoding="utf-8").splitlines())) if name == "rootstocks" else []
        rows = [{"code": f"X{n}"} | SOUND[name] | {column: text} for n, (column, text, _) in enumerate(cells)]
        with path.open("w", encoding="utf-8-sig", newline="") as file:
            table_ = csv.DictWriter(file, LISTS[name], lineterminator="\r")  # a byte-order mark, and lines as old Macs end them
            table_.writeheader()
            table_.writerows([*former, {"code": "SOUND"} | SOUND[name], *rows])
    assert run.import_files(Workspace(nursery.folder), []).states["accepted"] == 5
    found = [m for r, m in said(nursery) if r == "faulty_list"]
    for name, cells in UNREADABLE.items():
        for column, text, says in cells:
            assert any(m.startswith(f"lists/{name}.csv, row") and f"{column}: {text[:20]}" in m and says in m for m in found), (
                text
            )
    assert len(found) == sum(len(cells) for cells in UNREADABLE.values())
    with looked_at(nursery) as store:
        (order,) = store.rows("SELECT quantity, wanted_on FROM work.list_orders WHERE code = 'SOUND'")
        assert order == (100, dt.date(2027, 6, 1))
        assert store.rows("SELECT count(quantity), count(wanted_on), count(*) FROM work.list_orders") == [(8, 9, 16)]
        assert store.rows(
            "SELECT off_type_low, off_type_high FROM work.list_rootstocks WHERE code IN ('SOUND', 'X3', 'X4')"
        ) == [
            (0.1, 0.2),
            (None, 0.2),
            (0.1, None),
        ]
        assert store.rows("SELECT code, buds FROM work.list_budwood_batches WHERE buds IS NOT NULL ORDER BY code") == [
            ("B-TAH", 4000),
            ("SOUND", 4000),
            ("X0", 4000),
        ]
        faults = dict(orders_left_out(store))
        assert "its quantity 1e3 is not a whole number" in faults["X0"] and len(faults) == 15
        assert "its wanted_on 1/7/27 can be read in two ways" in faults["X8"]
        assert store.rows("SELECT sum(open)::BIGINT FROM work.owed") == [(100,)]
        warnings = phone.write_lists(store, Workspace(nursery.folder)).warnings
        assert any("lists/orders.csv, row" in w and "quantity: 1e3 is not a whole number" in w for w in warnings)
    assert "\nX0,X0,\n" in (nursery.phone / "orders.csv").read_text(encoding="utf-8")


CODES_READ: list[tuple[str | bytes, str, int]] = [
    ("code,label\nS\u200b1,Abel\nS02,Iris\n", "row 2: 'S\\u200b1' is not a code (one word without hidden characters)", 1),
    ("code,label\nS\x071,Abel\nS02,Iris\n", "row 2: 'S\\x071' is not a code (one word without hidden characters)", 1),
    ('code,label\n"S\n1",Abel\nS02,Iris\n', "is not a code (one word", 1),
    (f"code,label\n{'S' * 61},Abel\nS02,Iris\n", "row 2: the code SSSSSSSSSSSSSSSSSSSS... has 61 letters, more than 60", 1),
    ("code,label\n=A1,Abel\nS02,Iris\n", "row 2: the code =A1 begins as a formula does", 2),
    ("code,label\nS01,Ab\x07el\nS02,Iris\x1b[2J\n", "rows 2, 3: label holds a control character", 2),
    ("code,label,label\nS01,Abel,Abel\n", "it has more than one column label; the last is read", 1),
    ("code,label\nS01,Abel,more\nS02,Iris\n", "row 2: not as many cells as the header has", 1),
    ("\ufeff\ufeffcode,label\r\nS01,Abel\r\n", "", 1),
    ("code,label\rS01,Abel\rS02,Iris; and more\r", "", 2),
    (
        "code,label\nS01,Abel\n".encode("utf-16"),
        "lists/staff.csv is UTF-16; save it as UTF-8 (in a spreadsheet: CSV UTF-8).",
        0,
    ),
    ("code,label\nS01,Abel\n".encode("utf-16-le"), "no plain text", 0),
    (b"PK\x03\x04\0\0", "no plain text", 0),
    (b"code,label\nS01,Jo\xe3o\n", "lists/staff.csv is not UTF-8 in line 2; save it as UTF-8", 0),
    ('code,label\nS01,"Abel\nS02,Iris\n', "cannot be read (unexpected end of data); look at the quotation marks", 0),
    (
        f"code,label\nS01,{'x' * 5000}\nS02,Iris\n",
        "row 2: its label has 5,000 letters, more than 1,000; the row is not used",
        1,
    ),
    (b"\n" * 21_000_000, "is larger than 20 MB", 0),
    ("", "", 0),
    (",\n,\n", "", 0),
]


@pytest.mark.parametrize(("content", "says", "many"), CODES_READ, ids=range(len(CODES_READ)))
def test_whatever_a_list_holds_is_read_or_said(content: str | bytes, says: str, many: int, tmp_path: Path) -> None:
    path = tmp_path / "staff.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    read = read_list(path, LISTS["staff"])
    found = [f"{place}: {unpacked(why)}" for place, why in read.faults] + [read.refusal] * bool(read.broken)
    assert len(found) == bool(says) and all(says in f for f in found), found
    assert len(read.rows) == many and all("\x07" not in text for row in read.rows for text in row.values())
    assert all(f.isprintable() for f in found)


def test_a_pair_stands_once_in_the_compatibility_list(tmp_path: Path) -> None:
    path = tmp_path / "compatibility.csv"
    path.write_text("rootstock,scion,grade\nA,B,good\nA,B,bad\n,B,good\nA,C,\n", encoding="utf-8")
    read = read_list(path, LISTS["compatibility"])
    assert [(r["scion"], r["grade"]) for r in read.rows] == [("B", "good"), ("C", "")]
    assert [unpacked(why) for _, why in read.faults] == [
        "the pair A + B stands twice; the first row with it is used",
        "it lacks a rootstock or a scion; the row is not used",
    ]


def test_lists_that_are_no_files_end_nothing(nursery: Workspace) -> None:
    """A folder, a link to nowhere, a pipe: each is a finding, the list is as it was, and what needs it is refused plainly."""
    for name in ("staff", "teams", "scions"):
        (nursery.lists / f"{name}.csv").unlink()
    (nursery.lists / "staff.csv").mkdir()
    (nursery.lists / "teams.csv").symlink_to(nursery.folder / "gone.csv")
    os.mkfifo(nursery.lists / "scions.csv")
    (nursery.lists / "more.csv").mkdir()
    assert run.import_files(Workspace(nursery.folder), []).states["accepted"] == 5
    assert sorted(m for r, m in said(nursery) if r == "faulty_list") == [
        "lists/scions.csv: is no plain file.",
        "lists/staff.csv: is a folder.",
        "lists/teams.csv: is a link to nowhere.",
    ]
    for words in (("forms",), ("plan", "--scion", "TAHITI", "--rootstock", "CARRIZO", "--trees", "5", "--month", "2028-01")):
        said_ = formpack(*words, cwd=nursery.folder, code=2)
        assert "lists/sc" in said_ or "lists/staff.csv is a folder" in said_
        assert said_.count("\n") == 1
