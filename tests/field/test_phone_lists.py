"""The lists for phones: no more columns than forms read, by house where there are many groups, and new after each import."""

from __future__ import annotations

import csv
import json
import os
import random
import shutil
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from formpack.catalog import load_forms
from pipeline import run
from pipeline.field import phone
from pipeline.field.phone import group_list_of, houses_of_staff
from pipeline.report.blocks import Says
from pipeline.taken_in import take_in
from pipeline.workspace import Workspace
from tests.book.test_reconcile import CODES, Bench
from tests.cli.test_cli import formpack
from tests.conftest import DAY, looked_at, new_workspace, table
from tests.formpack.test_opening import own_form

PLACES = "code,label,part_of\nH1,House 1,\nH1B1,Bench,H1\nH2,House 2,\nÑ/..,Yard,\n"
WHERE = ("H1", "H1B1", "H2", "Ñ/..", "H1")


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """Five groups in three houses, and three forms that went to the phones."""
    workspace = new_workspace(tmp_path_factory.mktemp("lists") / "nursery")
    (workspace.lists / "locations.csv").write_text(PLACES, encoding="utf-8")
    own_form(workspace.folder, parameters="value=code label=label")
    bench = Bench(workspace)
    for group, where in enumerate(WHERE):
        bench.open(group, 900 + group, where)
    bench.take_in(DAY)
    with pytest.MonkeyPatch.context() as patch:
        _two_forms(patch)
        formpack("forms", cwd=workspace.folder)
    return workspace


def _two_forms(patch: pytest.MonkeyPatch) -> None:
    some = {name: form for name, form in load_forms().items() if name in ("loss", "open_group")}
    patch.setattr("formpack.xform.has_java", lambda: False)
    patch.setattr("formpack.catalog._shipped_forms", lambda: some)


@pytest.fixture
def nursery(prepared: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Workspace:
    _two_forms(monkeypatch)
    return Workspace(shutil.copytree(prepared.folder, tmp_path / "nursery"))


def test_a_list_without_a_row_that_a_form_must_have_is_said(nursery: Workspace) -> None:
    heads = (nursery.lists / "seed_lots.csv").read_text(encoding="utf-8").splitlines()[0]
    (nursery.lists / "seed_lots.csv").write_text(heads + "\n", encoding="utf-8")
    said = formpack("forms", cwd=nursery.folder)
    assert "lists/seed_lots.csv has no row to choose; without one a phone cannot finish Open a group." in said
    assert said.count("no row to choose") == 1, "nobody has to choose of other lists, or these have rows"


def _written(workspace: Workspace) -> phone.PhoneLists:
    workspace = Workspace(workspace.folder)
    with looked_at(workspace, phone.TABLES) as store:
        return phone.write_lists(store, workspace)


def _head(workspace: Workspace, name: str = "groups") -> str:
    return (workspace.phone / f"{name}.csv").read_text(encoding="utf-8").splitlines()[0]


def _codes(text: bytes) -> list[str]:
    return [row["code"] for row in csv.DictReader(text.decode().splitlines())]


def test_lists_have_the_columns_that_the_shipped_forms_read(workspace: Workspace) -> None:
    """What every version of them looked up, by the history of forms/: `facts`, `consignee`, `rootstock`, and the filters."""
    (workspace.lists / "orders.csv").write_text("code,label\nO1,\n", encoding="utf-8")
    run.import_files(workspace, [])
    _written(workspace)
    assert (workspace.phone / "orders.csv").read_text(encoding="utf-8") == "code,label,consignee\nO1,O1,\n"
    assert {path.stem: _head(workspace, path.stem) for path in workspace.phone.glob("*.csv")} == {
        "groups": "code,facts",
        "budwood_batches": "code,label,scion",
        "locations": "code,label,due_today,limits,plants,to_examine,find_share,find_sure",
        "pests": "code,label,active",
        "products": "code,label,active_ingredient,reentry_hours,active",
        "orders": "code,label,consignee",
        "rootstocks": "code,label",
        "scions": "code,label",
        "seed_lots": "code,label,rootstock",
        "sowings": "code,label,seed_lot",
        "staff": "code,label,active",
        "teams": "code,label,active",
    }


@pytest.mark.parametrize(
    ("cells", "name", "head"),
    [
        ({"calculation": "instance('groups')/root/item[code = ${group_code}]/scion"}, "groups", "code,scion,facts"),
        (
            {"choice_filter": "code = instance('groups')/root/item[stage = 'top']/location"},
            "groups",
            "code,stage,location,facts",
        ),
        (
            {"relevant": "instance( \"staff\" )/root/item[code = ${staff_code}]/works_in != 'due'", "ledger": "phone"},
            "staff",
            "code,label,works_in,active",
        ),
        (
            {"type": "select_one_from_file groups.csv", "choice_filter": "rootstock = ''"},
            "groups",
            "code,label,rootstock,facts",
        ),
        ({"choice_filter": "due_today != '' and active != 'no'"}, "locations", "code,label,active,due_today"),
    ],
)
def test_what_a_nursery_s_own_form_speaks_of_is_there(cells: dict[str, str], name: str, head: str, nursery: Workspace) -> None:
    own_form(nursery.folder, **({"parameters": "value=code label=label"} | cells))
    _written(nursery)
    assert _head(nursery, name) == head


def test_a_column_that_a_phone_cannot_use_is_refused_where_a_form_reads_it(nursery: Workspace) -> None:
    places = nursery.lists / "locations.csv"
    places.write_text("code,label,the bench,warm-cold\nH1,House 1,x,y\n", encoding="utf-8")
    assert _written(nursery).warnings == () and _head(nursery, "locations") == "code,label"
    own_form(nursery.folder, parameters="value=code label=label", choice_filter="warm-cold = 'y'")
    said = formpack("forms", cwd=nursery.folder, code=2)
    assert said == "lists/locations.csv: a phone cannot use the column 'warm-cold'; use letters, digits and _.\n"
    own_form(nursery.folder, type="select_one_from_file groups.csv", parameters="value=code label=name")
    said = formpack("forms", cwd=nursery.folder, code=2)
    assert "bench speaks of the column name of groups.csv, which has only code, label, rootstock" in said


def test_what_comes_out_the_same_is_left_as_it_is(nursery: Workspace) -> None:
    files = {path: path.stat().st_mtime_ns for path in nursery.phone.iterdir()}
    assert not _written(nursery).changed
    assert {path: path.stat().st_mtime_ns for path in nursery.phone.iterdir()} == files
    (nursery.lists / "staff.csv").write_text("code,label\nS01,Abelard\n", encoding="utf-8")
    assert _written(nursery).changed
    changed = {p.name for p, before in files.items() if p.stat().st_mtime_ns != before}
    assert changed == {"staff.csv"}


# -- houses


@pytest.fixture
def large(nursery: Workspace, monkeypatch: pytest.MonkeyPatch) -> Workspace:
    """The nursery, if two groups were many."""
    monkeypatch.setattr(phone, "MOST_ROWS", 2)
    return nursery


def _works(workspace: Workspace, *works_in: str) -> None:
    rows = (f"S0{n},Person {n},{where}" for n, where in enumerate(works_in, start=1))
    (workspace.lists / "staff.csv").write_text("\n".join(["code,label,works_in", *rows, ""]), encoding="utf-8")


def test_a_large_nursery_has_a_list_for_each_house(large: Workspace) -> None:
    made = _written(large)
    assert (made.houses, made.groups) == (3, 5)
    folders = sorted(path.name for path in (large.phone / "houses").iterdir())
    assert folders[:2] == ["H1", "H2"] and folders[2].startswith("____~")
    whole = (large.phone / "groups.csv").read_bytes()
    assert _codes(whole) == CODES[:5]
    of_house = {house: group_list_of(large.phone, [house]) for house in ("H1", "H2", "Ñ/..")}
    assert {house: _codes(text) for house, text in of_house.items()} == {
        "H1": [CODES[0], CODES[1], CODES[4]],
        "H2": [CODES[2]],
        "Ñ/..": [CODES[3]],
    }
    assert all(text.splitlines()[0] == whole.splitlines()[0] for text in of_house.values())
    assert _codes(group_list_of(large.phone, {"H2", "H1"})) == [CODES[0], CODES[1], CODES[2], CODES[4]]
    assert group_list_of(large.phone, of_house) == whole, "all houses together are the whole, byte for byte"
    for houses in (None, (), ["H9"], ["H1", "H9"]):
        assert group_list_of(large.phone, houses) == whole, "who works in a house without a list lacks nothing"


def test_groups_at_no_place_that_is_known_are_on_all_lists(large: Workspace) -> None:
    """Like a bench that the list no longer has: nobody's house is known to hold it."""
    rows = [{"code": c, "location": place} for c, place in zip(CODES, ("H1", "", "H9", "H2"), strict=False)]
    with looked_at(large, phone.TABLES) as store:
        found = phone._of_houses(store, rows)
    assert {h: [r["code"] for r in some] for h, some in found.items()} == {
        "H1": CODES[:3],
        "H2": [CODES[1], CODES[2], CODES[3]],
        "Ñ/..": CODES[1:3],
    }


def test_lists_of_houses_that_are_no_more_go(large: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    _written(large)
    (large.lists / "locations.csv").write_text(PLACES.replace("H2,House 2,", "H2,House 2,H1"), encoding="utf-8")
    (large.phone / "houses" / "H2" / "mine.txt").write_text("mine", encoding="utf-8")
    assert _written(large).houses == 2
    assert [p.name for p in (large.phone / "houses" / "H2").iterdir()] == ["mine.txt"], "what is not ours stays"
    (large.phone / "houses" / "H2" / "mine.txt").unlink()
    monkeypatch.setattr(phone, "MOST_ROWS", 2000)
    made = _written(large)
    assert (made.houses, made.changed) == (0, True)
    assert {p.name for p in (large.phone / "houses").iterdir()} <= {"H2"}
    (large.phone / "houses" / "H2").rmdir()
    (large.phone / "houses").rmdir()
    monkeypatch.setattr(phone, "MOST_ROWS", 2)
    _written(large)
    monkeypatch.setattr(phone, "MOST_ROWS", 2000)
    _written(large)
    assert not (large.phone / "houses").exists() and group_list_of(large.phone, ["H1"]).count(b"\n") == 6


def test_a_house_is_a_folder_that_every_system_takes() -> None:
    odd = ("..", ".", "a/b", "a\\b", "CON", "lpt1", "H1", "h1", "x" * 60, "بيت", "H 1", "H%1", "H~1", "<i>", "H1.", "-")
    folders = phone._folders_of(odd)
    assert folders["x" * 60] == "x" * 60 and folders["-"] == "-"
    assert len({name.casefold() for name in folders.values()}) == len(odd)
    for house, name in folders.items():
        assert set(name) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789_-~") and len(name) < 80
        assert name in phone._plain_and_safe(house)
    assert folders["CON"].startswith("CON~") and folders["H1"].startswith("H1~") and folders["h1"].startswith("h1~")
    assert phone._folders_of(["H1", "H2"]) == {"H1": "H1", "H2": "H2"}


def test_twins_have_a_folder_each(large: Workspace) -> None:
    (large.lists / "locations.csv").write_text(PLACES + "h1,The other,\n", encoding="utf-8")
    _written(large)
    assert _codes(group_list_of(large.phone, ["h1"])) == [] and len(_codes(group_list_of(large.phone, ["H1"]))) == 3


def test_staff_work_in_houses(large: Workspace) -> None:
    _works(large, "H1B1", "H2 H1", "", "H9", "H9  H2", "h1")
    run.import_files(Workspace(large.folder), [], DAY)
    assert houses_of_staff(Workspace(large.folder)) == {
        "S01": {"H1"},
        "S02": {"H1", "H2"},
        "S03": frozenset(),
        "S04": frozenset(),
        "S05": {"H2"},
        "S06": frozenset(),
    }
    found = [m for r, m in table(large, "problems", "rule, message") if r == "faulty_list"]
    assert found == [
        "lists/staff.csv, row 7: works_in: h1 is not in lists/locations.csv; H1 is.",
        "lists/staff.csv, rows 5, 6: works_in: H9 is not in lists/locations.csv.",
    ]
    for name in ("staff", "locations"):
        (large.lists / f"{name}.csv").write_bytes(b"\xff\xfe\x00")
    assert houses_of_staff(Workspace(large.folder)) == {}


def test_who_gets_the_whole_list_of_a_large_nursery_is_told(large: Workspace) -> None:
    _works(large, "", "H1", "H1 H2", "")
    said = formpack("forms", cwd=large.folder)
    assert "groups.csv has 5 groups." in said
    folder = large.phone.relative_to(large.folder) / "houses"
    assert f"That is more than 2, so 3 houses have lists of their own in {folder}." in said
    assert (
        "The list of all 5 groups is for Person 1 and Person 4, and some phones become slow beyond 2; write the codes of the"
        " houses that each works in into the column works_in of lists/staff.csv.\n"
    ) in said
    assert "houses/H1/groups.csv has 3 rows; some phones become slow beyond 2." in said
    _works(large, "H2", "H1")
    made = json.loads(formpack("forms", "--json", cwd=large.folder))
    assert made["houses"] == 3 and "houses/H1/groups.csv has 3 rows; some phones become slow beyond 2." in made["warnings"]
    assert not any("The list of all" in warning for warning in made["warnings"]), "nobody is left with it"


def test_houses_of_staff_are_those_of_the_store(workspace: Workspace) -> None:
    """By chance: places that are part of each other, of themselves, in circles, of what is not there."""
    chance = random.Random(5)
    for _ in range(3):
        codes = [f"P{n}" for n in range(9)]
        rows = [f"{code},{code},{chance.choice(['', 'GONE', *codes])}" for code in codes]
        (workspace.lists / "locations.csv").write_text("\n".join(["code,label,part_of", *rows, ""]), encoding="utf-8")
        staff = [f"{code},{code},{code}" for code in codes]
        (workspace.lists / "staff.csv").write_text("\n".join(["code,label,works_in", *staff, ""]), encoding="utf-8")
        fresh = Workspace(workspace.folder)
        run.import_files(fresh, [], DAY)
        with looked_at(fresh, ("houses",)) as store:
            assert {p: {h} for p, h in store.rows("SELECT location, house FROM work.houses")} == houses_of_staff(fresh)


# -- after an import


def _lost(workspace: Workspace, lost: int) -> None:
    row = f"visit_date,staff_code,group_code,lost,loss_cause\n2026-10-30,S01,{CODES[0]},{lost},frost\n"
    (workspace.inbox / f"loss-{lost}.csv").write_text(row, encoding="utf-8")


def test_an_import_makes_the_lists_anew(nursery: Workspace) -> None:
    line = "The lists for phones are new: 5 groups.\n"
    before = (nursery.phone / "groups.csv").read_bytes()
    assert line not in formpack("import", cwd=nursery.folder), "nothing came, and the day is the same"
    assert (nursery.phone / "groups.csv").read_bytes() == before
    _lost(nursery, 100)
    assert formpack("import", cwd=nursery.folder, code=None).endswith(line)
    assert f'{CODES[0]},"tray 797 ' in (nursery.phone / "groups.csv").read_text(encoding="utf-8")
    said = json.loads(formpack("import", "--as-of", "2026-11-04", "--json", cwd=nursery.folder, code=None))
    assert (said["phone_groups"], said["lists_left"]) == (5, ""), "the lists of another day"
    said = json.loads(formpack("import", "--as-of", "2026-11-04", "--json", cwd=nursery.folder, code=None))
    assert (said["phone_groups"], said["lists_left"]) == (None, "")


def test_a_nursery_without_forms_on_phones_has_no_lists(workspace: Workspace) -> None:
    assert take_in(workspace, []).phone_groups is None
    assert not any(workspace.phone.iterdir())


def _a_column(nursery: Workspace, _: pytest.MonkeyPatch) -> str:
    own_form(nursery.folder, parameters="value=code label=label", choice_filter="warmth = 'x'")
    return "forms/weeds survey, row 4: bench speaks of the column warmth of locations.csv"


def _a_broken_list(nursery: Workspace, _: pytest.MonkeyPatch) -> str:
    (nursery.lists / "locations.csv").write_text("label\nHouse 1\n", encoding="utf-8")
    return "lists/locations.csv has no column code"


def _an_open_file(nursery: Workspace, patch: pytest.MonkeyPatch) -> str:
    plain = os.replace

    def replace(source: Any, target: Any) -> None:
        if str(target).endswith("groups.csv") and "undone" not in Path(source).parts:
            raise PermissionError(13, "Permission denied", str(target))
        plain(source, target)

    patch.setattr("pipeline.outputs.os.replace", replace)
    return "groups.csv could not be replaced (Permission denied), so all files are as they were."


def _a_full_disk(nursery: Workspace, patch: pytest.MonkeyPatch) -> str:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device", "groups.csv")

    patch.setattr("pipeline.outputs.to_disk", full)
    return "No space left on device (groups.csv)."


@pytest.mark.parametrize("trouble", [_a_column, _a_broken_list, _an_open_file, _a_full_disk])
def test_lists_that_cannot_be_written_leave_the_import_alone(
    trouble: Any, nursery: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    says = trouble(nursery, monkeypatch)
    before = {path.name: path.read_bytes() for path in nursery.phone.iterdir()}
    _lost(nursery, 100)
    said = formpack("import", cwd=nursery.folder, code=1)
    assert said.splitlines()[0] == "2 files, 1 of them new, with 1 new submission."
    (line,) = (line for line in said.splitlines() if "lists for phones" in line)
    assert line.startswith("What came in is in the books, but the lists for phones are as they were: ") and says in line
    assert {path.name: path.read_bytes() for path in nursery.phone.iterdir()} == before
    assert table(nursery, "movements", "quantity", "cause = 'frost'") == [(100,)]


def test_the_report_says_who_worked_with_old_lists(nursery: Workspace) -> None:
    from pipeline.report.chapters import look
    from pipeline.report.figures import _OLD_LISTS

    head = "KEY,visit_date,staff_code,group_code,lost,loss_cause,list_date\n"
    days = [
        ("a", "2026-10-30", "S01", "2026-10-22"),
        ("b", "2026-10-30", "S01", "2026-10-23"),
        ("c", "2026-10-04", "S02", "2026-09-01"),
    ]
    days += [("d", "2026-10-03", "S02", "2026-09-01"), ("e", "2026-11-01", "S01", "2026-01-01"), ("f", "2026-11-01", "S01", "")]
    rows = [f"{key},{day},{who},{CODES[2]},1,frost,{listed}\n" for key, day, who, listed in days]
    (nursery.inbox / "loss.csv").write_text(head + "".join(rows), encoding="utf-8")
    take_in(nursery, [nursery.inbox])
    with looked_at(nursery, phone.TABLES) as store:
        found = store.rows(_OLD_LISTS)
    assert found == [("S01", 2), ("S02", 1)]
    figures: Any = SimpleNamespace(looks=[], old_lists=[("Abel", 2), ("Iris", 1)], old_after=7)
    assert look.chapter(figures).blocks[-1] == Says(
        "In the last 30 days 3 submissions were made with a list of more than 7 days on the phone: Abel (2) and Iris (1)."
    )
