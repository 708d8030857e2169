"""What is due by person, team and place, and the sheets that are printed of it."""

from __future__ import annotations

import datetime as dt
import json
import re
import shutil
from pathlib import Path
from typing import Any

import pypdfium2
import pytest

from formpack.group_code import issue, shown
from pipeline import run
from pipeline.field import due_list
from pipeline.field.due_list import DueList, Places, Task, Wanted
from pipeline.field.due_sheets import write_due_sheets
from pipeline.workspace import Workspace
from tests.book.test_reconcile import CODES, Bench
from tests.cli.test_cli import formpack
from tests.conftest import DAY, SAMPLES, looked_at, new_workspace
from tests.formpack.test_opening import own_form

BUDDED = issue(2026, 701, 1)[0]
PLACES = """\
code,label,part_of,looked_after_by
H1,House 1,,S01
Y1,Yard 1,,
H1B1,House 1 bench 1,H1,
H1B2,"House 1 bench 2, Señor; über",H1,S02
"""


@pytest.fixture(scope="module")
def nursery(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Abel has House 1 but for bench 2, which is Iris's; a yard is nobody's. Buds of Team 2 wait in House 1."""
    workspace = new_workspace(tmp_path_factory.mktemp("due"))
    (workspace.lists / "locations.csv").write_text(PLACES, encoding="utf-8")
    bench = Bench(workspace)
    for group, (planted, place) in enumerate(((913, "H1B1"), (924, "H1B2"), (935, "Y1"))):
        bench.open(group, planted, place)
    source = SAMPLES / "failed_buds_are_set_aside_and_budded_again" / "inbox"
    run.import_files(workspace, [source / "1.xml", source / "2.xml"])
    bench.take_in(DAY)
    return workspace.folder


def _tasks(nursery: Path, *words: str) -> dict[tuple[str, str], Any]:
    """The tasks by group and kind, each with whose they are."""
    found = json.loads(formpack("due", "--json", *words, cwd=nursery))["due"]
    return {(t["group_code"], t["task"]): (t["looked_after_by"], t["teams"]) for t in found}


def _counting(*groups: int) -> set[tuple[str, str]]:
    return {(CODES[group], "stock_count") for group in groups}


def _text(path: Path) -> list[str]:
    """The text of each sheet, as PDFium reads it."""
    return [page.get_textpage().get_text_range() for page in pypdfium2.PdfDocument(path)]


def test_a_task_is_whose_place_it_is_in_up_to_the_house(nursery: Path) -> None:
    found = _tasks(nursery)
    assert found[CODES[0], "stock_count"] == ("S01", []), "the bench names nobody, its house does"
    assert found[CODES[1], "stock_count"] == ("S02", [])
    assert found[CODES[2], "stock_count"] == (None, [])
    assert found[BUDDED, "bud_take"] == ("S01", ["T02"])
    abel = _tasks(nursery, "--person", "S01")
    assert abel.keys() == _counting(0) | {(BUDDED, "bud_take"), (BUDDED, "stock_count")}
    assert _tasks(nursery, "--person", "S03") == {}
    assert _tasks(nursery, "--team", "T02").keys() == {(BUDDED, "bud_take")}
    assert _tasks(nursery, "--team", "T04") == {}
    assert _tasks(nursery, "--place", "H1").keys() == abel.keys() | _counting(1)
    assert _tasks(nursery, "--place", "H1B2", "--task", "stock_count").keys() == _counting(1)
    assert _tasks(nursery, "--place", "H1B2", "--person", "S01") == {}
    said = formpack("due", cwd=nursery)
    assert "nobody named" in said and "Nobody is named for 1 task, in Yard 1: write a staff code as looked_after_by" in said
    assert "looked after by  team  plants" in said and "late  House 1  " in said
    said = formpack("due", "--team", "T02", cwd=nursery)
    assert "A team is asked only to read its own buds" in said and "Nobody" not in said
    assert "S03 is in team T02: `formpack due --team T02`." in formpack("due", "--person", "S03", cwd=nursery)


def test_places_know_whose_they_are_and_the_order_of_a_walk() -> None:
    labels = dict.fromkeys(("H2", "H10", "H10B2", "H10B10", "A", "B"), "")
    part_of = {"H10B2": "H10", "H10B10": "H10", "A": "B", "B": "A", "H2": "GONE"}
    places = Places(labels, part_of, {"H10": "S01", "H10B2": "S02", "B": "S03"})
    assert places.way("H10B2") == ["H10B2", "H10"] and places.way("H2") == ["H2"]
    assert places.way("A") == ["A"], "what goes in a circle is a house of its own, as in `houses`"
    assert [places.person(p) for p in ("H10B2", "H10B10", "H2", "A", "B", "")] == ["S02", "S01", "", "", "S03", ""]
    assert sorted(["", "H10B10", "H10", "H2", "H10B2"], key=places.walk) == ["H2", "H10", "H10B2", "H10B10", ""]


def test_a_sheet_for_each_person_and_nobody_s_last(nursery: Path) -> None:
    assert "5 tasks in due.pdf." in formpack("due", "--to", "due.pdf", cwd=nursery)
    sheets = _text(nursery / "due.pdf")
    assert [sheet.splitlines()[1] for sheet in sheets] == ["Abel", "Iris", "Nobody named"]
    abel, iris, nobody = (" ".join(sheet.split()) for sheet in sheets)
    assert "2 November 2026: 3 tasks, 3 of them late." in abel and "Read the buds (Team 2: Joel and Nadia)" in abel
    assert abel.index(shown(BUDDED)) < abel.index(shown(CODES[0])), "the house comes before its bench"
    assert "late since 22 Jul 2026" in abel, "21 days after the budding of 1 July"
    assert "Sharp knife and shears: cut away from your body" in abel and "knife" not in iris + nobody
    assert "House 1 bench 2, Señor; über" in iris and "write a staff code as looked_after_by" in nobody
    first = (nursery / "due.pdf").read_bytes()
    formpack("due", "--to", "due.pdf", cwd=nursery)
    assert (nursery / "due.pdf").read_bytes() == first


def test_a_team_has_a_sheet_of_its_own_with_the_buds_it_set(nursery: Path) -> None:
    """Team 2 set 950 buds, as the sample says."""
    (task,) = json.loads(formpack("due", "--team", "T02", "--json", cwd=nursery))["due"]
    assert task["buds"] == 950 != task["estimate"]
    assert formpack("due", "--team", "T02", cwd=nursery).splitlines()[2].endswith("  T02      950")
    formpack("due", "--team", "T02", "--to", "team.pdf", cwd=nursery)
    (sheet,) = _text(nursery / "team.pdf")
    assert sheet.splitlines()[1] == "Team 2: Joel and Nadia" and "Abel" not in sheet


def test_who_counted_last_is_not_to_count_again(tmp_path: Path) -> None:
    """What is counted again is not due for a count besides; whose place it is hands it to somebody else."""
    workspace = new_workspace(tmp_path)
    (workspace.lists / "locations.csv").write_text(PLACES, encoding="utf-8")
    bench = Bench(workspace)
    for group, who, place in ((0, "S01", "H1"), (1, "S02", "H1"), (2, "S01", "H1B2")):
        bench.open(group, 1000, place)
        bench.counts(group, 998, 997, 996, 995, *((944,) if group != 1 else ()), who=who)
    bench.take_in()
    found = json.loads(formpack("due", "--json", cwd=workspace.folder))["due"]
    tasks = {(t["group_code"], t["task"]): t["not_by"] for t in found}
    again = {(CODES[group], "recount"): ["S01"] for group in (0, 2)}
    assert tasks == again | {(CODES[1], "stock_count"): []}
    assert "Count again, not by Abel" in formpack("due", "--person", "S01", cwd=workspace.folder)
    formpack("due", "--to", "due.pdf", "--ics", "due.ics", cwd=workspace.folder)
    abel, iris = (" ".join(sheet.split()) for sheet in _text(workspace.folder / "due.pdf"))
    assert abel.index(shown(CODES[1])) < abel.index("For somebody else to count again") < abel.index(shown(CODES[0]))
    assert "Count again, not by Abel" in iris and "somebody else" not in iris
    calendar = (workspace.folder / "due.ics").read_text(encoding="utf-8").replace("\n ", "")
    assert calendar.count("not by Abel") == 2
    assert calendar.count("Whose task it is: Abel.") == 1, "of counting group 1, not of counting again"


def test_a_group_has_one_row_and_each_sheet_its_name(tmp_path: Path) -> None:
    """Groups stand in the order of their codes at a place; what fits on a sheet leaves no empty one behind."""
    workspace = new_workspace(tmp_path)
    day, places = dt.date(2026, 11, 2), Places({"H1": "House 1"}, {}, {"H1": "S01"})

    def sheets(many: int) -> list[str]:
        tasks = [
            Task(issue(2026, n, 1)[0], task, day - dt.timedelta(over), over, "H1", 9, "", None, "", "S01", ())
            for task, over in (("stake", 0), ("top", 5))
            for n in range(many, 0, -1)
        ]
        due = DueList(day, tuple(tasks), places, {"S01": "Abel"}, {}, frozenset())
        write_due_sheets(tmp_path / "due.pdf", "Nursery", due, workspace.forms, False)
        return _text(tmp_path / "due.pdf")

    for many in range(15, 20):
        found = sheets(many)
        assert all("Abel, Nursery, 2 November 2026" in sheet and "26-00" in sheet for sheet in found)
        assert re.findall(r"26-00\d\d-\d\d", " ".join(found)) == [shown(issue(2026, n, 1)[0]) for n in range(1, many + 1)]
        assert " ".join(found).count("Stake, today") == " ".join(found).count("Top, late since 28 Oct 2026") == many
    assert len(sheets(40)) > 2


def test_no_sheet_tells_how_many_are_expected_unless_the_phones_do(nursery: Path) -> None:
    """Who counts next finds the sheet on the bench."""
    with looked_at(Workspace(nursery)) as store:
        expected = {str(plants) for (plants,) in store.rows("SELECT DISTINCT estimate FROM due")}
    assert len(expected) == 4
    formpack("due", "--to", "due.pdf", "--ics", "due.ics", cwd=nursery)
    told = " ".join(_text(nursery / "due.pdf")) + (nursery / "due.ics").read_text(encoding="utf-8")
    assert not expected & set(re.findall(r"\d+", told))
    settings = (nursery / "nursery.toml").read_text(encoding="utf-8")
    (nursery / "nursery.toml").write_text(settings + "[phone]\nshow_expected = true\n", encoding="utf-8")
    formpack("due", "--to", "due.pdf", cwd=nursery)
    (nursery / "nursery.toml").write_text(settings, encoding="utf-8")
    assert expected <= set(re.findall(r"\d+", " ".join(_text(nursery / "due.pdf"))))


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ("--person s01", "--person s01 is not in lists/staff.csv; S01?"),
        ("--person Nadia", "--person Nadia is not in lists/staff.csv; S04?"),
        ("--person NOBODY", "--person NOBODY is not in lists/staff.csv; it has S01, S02, S03 and S04."),
        ("--team T2", "--team T2 is not in lists/teams.csv; T02?"),
        ("--place H1B3", "--place H1B3 is not in lists/locations.csv; H1B1 or H1B2?"),
        ("--to due.txt", "due.txt must end in .pdf."),
        ("--ics due.pdf", "due.pdf must end in .ics."),
        ("--to nowhere/due.pdf", "There is no folder nowhere"),
        ("--ics nowhere/due.ics", "There is no folder nowhere"),
    ],
)
def test_what_cannot_be_is_said_in_a_sentence(words: str, says: str, nursery: Path) -> None:
    assert says in formpack("due", *words.split(), cwd=nursery, code=2)


def test_nothing_due_writes_nothing(nursery: Path) -> None:
    said = formpack("due", "--team", "T04", "--to", "none.pdf", "--ics", "none.ics", cwd=nursery)
    assert "Nothing is due by then, so none.pdf is not written." in said and "so none.ics is not written." in said
    assert not list(nursery.glob("none.*"))


def test_who_is_not_active_or_not_there_is_said(nursery: Path) -> None:
    staff, places = nursery / "lists" / "staff.csv", nursery / "lists" / "locations.csv"
    listed = staff.read_text(encoding="utf-8")
    staff.write_text(listed.replace("S02,Iris,yes", "S02,Iris,no"), encoding="utf-8")
    places.write_text(PLACES.replace("Y1,Yard 1,,", "Y1,Yard 1,,S77"), encoding="utf-8")
    said = formpack("due", cwd=nursery)
    staff.write_text(listed, encoding="utf-8")
    places.write_text(PLACES, encoding="utf-8")
    assert (
        "Iris (S02), who looks after House 1 bench 2, Señor; über, is not active in lists/staff.csv; name somebody else."
        in said
    )
    assert "S77, who looks after Yard 1, is not in lists/staff.csv; name somebody who is." in said


def test_names_that_are_odd_and_much_to_do_break_nothing(tmp_path: Path) -> None:
    workspace = new_workspace(tmp_path)
    (workspace.lists / "staff.csv").write_text(f"code,label\nS01,{'Maximiliana' * 8}\nS02,<b>&amp; אבג\n", encoding="utf-8")
    text = f"code,label,part_of,looked_after_by\nH1,{'Gewächshaus' * 8},,S01\nY1,</para><i>,,S02\n"
    (workspace.lists / "locations.csv").write_text(text, encoding="utf-8")
    bench = Bench(workspace)
    for group in range(12):
        bench.open(group, 1000, "H1" if group else "Y1")
    bench.take_in(DAY)
    formpack("due", "--to", "due.pdf", "--ics", "due.ics", cwd=workspace.folder)
    sheets = _text(workspace.folder / "due.pdf")
    assert len(sheets) == 2 and "<b>&amp;" in sheets[0] + sheets[1] and "</para><i>" in sheets[0] + sheets[1]


def test_what_is_due_today_is_on_the_phones_lists(nursery: Path, tmp_path: Path) -> None:
    with looked_at(Workspace(nursery), due_list.TABLES) as store:
        groups, places = due_list.due_today(store)
        assert due_list.due_list(store, Wanted(days=0)).tasks
    assert groups[BUDDED] == "Read the buds, Count the stock" and groups[CODES[2]] == "Count the stock"
    assert places == {"H1": "1 to read, 3 to count", "H1B1": "1 to count", "H1B2": "1 to count", "Y1": "1 to count"}
    nursery = shutil.copytree(nursery, tmp_path / "nursery")
    own_form(nursery, parameters="value=code label=label", choice_filter="due_today != ''")
    formpack("forms", cwd=nursery)
    listed = (nursery / "phone" / "locations.csv").read_text(encoding="utf-8").splitlines()
    assert ",due_today," in listed[0] and ',"1 to read, 3 to count",' in listed[1]
    (group,) = (
        line for line in (nursery / "phone" / "groups.csv").read_text(encoding="utf-8").splitlines() if CODES[0] in line
    )
    assert " Count_the_stock 1_to_count 7 # " in group, (
        "the last words, so that a form of an older version still reads the rest"
    )


def test_two_files_are_written_or_none(nursery: Path, tmp_path: Path) -> None:
    """Where the calendar cannot be replaced the sheets are as they were."""
    pdf, ics = tmp_path / "due.pdf", tmp_path / "due.ics"
    ics.mkdir()
    pdf.write_text("before", encoding="utf-8")
    said = formpack("due", "--days", "400", "--to", str(pdf), "--ics", str(ics), cwd=nursery, code=2)
    assert "due.ics" in said and pdf.read_text(encoding="utf-8") == "before"
