"""Lists live: people leave, codes are renamed, rows are mistyped, and no accepted work is thrown out for it."""

from __future__ import annotations

import csv
import datetime as dt
from pathlib import Path

import pytest

from pipeline import run
from pipeline.field import phone
from pipeline.office import backup
from pipeline.store import Store
from pipeline.workspace import LISTS, Workspace
from tests.cli.test_cli import formpack
from tests.conftest import DAY, SAMPLES, looked_at, table

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


@pytest.fixture
def nursery(workspace: Workspace) -> Workspace:
    assert run.import_files(workspace, sorted(SCENARIO.iterdir())).states["accepted"] == 5
    assert said(workspace) == []
    return workspace


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
    again = Workspace(tmp_path / "again")
    backup.lay_files(tmp_path / "backup", again.folder)
    backup.fill_store(again, tmp_path / "backup")
    run.import_files(again, [], DAY)
    assert said(again) == before
    (tmp_path / "backup" / "list_rows.csv").unlink()
    older = Workspace(tmp_path / "older")
    backup.lay_files(tmp_path / "backup", older.folder)
    backup.fill_store(older, tmp_path / "backup")
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
    assert found == f"S03 is not active in lists/staff.csv since {DAY}, and 1 submission is dated after that."


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
