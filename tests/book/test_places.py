"""Places within places: a bench in a house."""

from __future__ import annotations

import json

import pytest

from formpack.words import unpacked
from pipeline import run
from pipeline.store import Store
from pipeline.workspace import Workspace
from tests.book.test_reconcile import CODES, Bench
from tests.cli.test_cli import formpack
from tests.conftest import DAY, looked_at, table


def _list(workspace: Workspace, rows: str, head: str = "code,label,part_of") -> None:
    (workspace.lists / "locations.csv").write_text("\n".join([head, *rows.split()]) + "\n", encoding="utf-8")


def _houses(workspace: Workspace) -> tuple[dict[str, str], dict[str, str]]:
    run.import_files(workspace, [])
    with looked_at(workspace, ("houses", "place_faults")) as store:
        houses, faults = store.rows("SELECT location, house FROM work.houses"), store.rows("FROM work.place_faults")
    return dict(houses), {code: unpacked(fault) for code, fault in faults}


def test_a_bench_stands_in_its_house_by_whatever_way(workspace: Workspace) -> None:
    _list(workspace, "H1,House, T1,Table,B1 B1,Bench,H1 Y1,Yard,")
    assert _houses(workspace) == ({"H1": "H1", "B1": "H1", "T1": "H1", "Y1": "Y1"}, {})


def test_a_list_without_the_column_has_houses_only(workspace: Workspace) -> None:
    _list(workspace, "H1,House B1,Bench", head="code,label")
    assert _houses(workspace) == ({"H1": "H1", "B1": "B1"}, {})


@pytest.mark.parametrize(
    ("rows", "houses", "faults"),
    [
        ("X,,X", "X=X", "X=what it is part of goes in a circle, by way of X"),
        ("H1,, B1,,H9 T1,,B1", "H1=H1 B1=B1 T1=B1", "B1=it is part of H9, which is not in the list"),
        (
            "A,,B B,,A C,,A H,, D,,H",
            "A=A B=B C=C H=H D=H",
            "A=what it is part of goes in a circle, by way of B|B=what it is part of goes in a circle, by way of A"
            "|C=what it is part of goes in a circle, by way of A",
        ),
    ],
)
def test_what_cannot_be_is_said_and_harms_nothing(workspace: Workspace, rows: str, houses: str, faults: str) -> None:
    _list(workspace, rows)
    said = dict(pair.split("=") for pair in houses.split()), dict(pair.split("=") for pair in faults.split("|"))
    assert _houses(workspace) == said


def test_reconcile_says_it_and_asks_for_a_person(workspace: Workspace) -> None:
    _list(workspace, "H1,House, B1,Bench,H9")
    run.import_files(workspace, [], DAY)
    said = formpack("reconcile", cwd=workspace.folder, code=1)
    assert "lists/locations.csv: place B1 counts as a house of its own: it is part of H9, which is not in the list." in said
    found = json.loads(formpack("reconcile", "--json", cwd=workspace.folder, code=1))
    assert found["place_faults"] == [["B1", "it is part of H9, which is not in the list"]]
    _list(workspace, "H1,House, B1,Bench,H1")
    assert "counts as a house" not in formpack("reconcile", cwd=workspace.folder)


def test_a_bench_that_moves_to_another_house_is_made_anew(workspace: Workspace) -> None:
    _list(workspace, "H1,, H2,, B1,,H1")
    assert _houses(workspace)[0]["B1"] == "H1"
    _list(workspace, "H1,, H2,, B1,,H2")
    assert _houses(Workspace(workspace.folder))[0]["B1"] == "H2"
    with Store.open(workspace.store_file) as store:
        assert run.differs_when_rebuilt(store, Workspace(workspace.folder)) == []


def test_what_was_split_off_stays_where_it_stood(workspace: Workspace) -> None:
    """When the group that it came from is moved later; and as far back as it takes."""
    bench = Bench(workspace)
    bench.open(0, 500)
    for a, b, day in ((0, 1, "03-01"), (1, 2, "03-05")):
        bench.note("transfer", day, a, to_group=CODES[b], moved=100 // (a + 1), transfer_reason="split", recount="yes")
    bench.note("relocate", "04-01", 0, location="Y1", recount="yes")
    bench.take_in()
    found = dict(table(workspace, "standing", "group_code, location"))
    assert found == {CODES[0]: "Y1", CODES[1]: "H1", CODES[2]: "H1"}
    bench.note("relocate", "05-01", 1, location="Y1", recount="yes")
    bench.take_in()
    assert dict(table(workspace, "standing", "group_code, location"))[CODES[2]] == "H1"
