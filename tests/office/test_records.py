"""What was sent is found again, put right, and taken back, though nothing was found wrong with it."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from formpack.words import unpacked
from pipeline import run
from pipeline.office import records
from pipeline.office.records import COLUMNS
from pipeline.workspace import Workspace
from tests.cli.test_cli import formpack
from tests.conftest import copied, every_table, looked_at, new_workspace, table

OPENING = (
    "KEY,visit_date,staff_code,group_code,seed_lot,rootstock,sow_date,lifted,cull_off_type,cull_bent_root,cull_etiolated,"
    "cull_weak,cull_other,planted,location\n"
    "o1,2026-02-01,S01,26-0012-39,L2601-CARR,CARRIZO,2025-11-01,1000,40,5,0,15,0,940,H1\n"
    "o2,2026-02-01,S01,26-0701-09,L2601-CARR,CARRIZO,2025-11-01,1000,40,5,0,15,0,940,H1\n"
)
LOSSES = (
    "KEY,visit_date,staff_code,group_code,lost,loss_cause\n"
    "l1,2026-04-02,S02,26-0012-39,12,frost\n"
    "l2,2026-05-02,S01,26-0701-09,3,dead\n"
)
MISTAKE = (
    LOSSES.replace("l1,", "m1,").replace("12,frost", "90,heat").replace("l2,", "m2,").replace(",3,dead", ",7,dead")
    + "l2,2026-05-02,S01,26-0701-09,3,dead\n"
)
AT = {name: position for position, name in enumerate(COLUMNS)}


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    workspace = new_workspace(tmp_path_factory.mktemp("records") / "nursery")
    for name, text in {"open_group.csv": OPENING, "loss.csv": LOSSES}.items():
        (workspace.inbox / name).write_text(text, encoding="utf-8")
    done = run.import_files(workspace, [workspace.inbox])
    assert (done.stops, done.notes) == (0, 0)
    return workspace


@pytest.fixture
def nursery(prepared: Workspace, workspace: Workspace) -> Workspace:
    return copied(prepared, workspace)


def written(workspace: Workspace, *words: str, code: int = 0) -> tuple[Path, list[dict[str, Any]]]:
    """The workbook of the records that fit, and its rows."""
    formpack("records", *words, "--to", "sent.xlsx", cwd=workspace.folder, code=code)
    path = workspace.folder / "sent.xlsx"
    rows = list(openpyxl.load_workbook(path)["records"].values)
    assert list(rows[0]) == list(COLUMNS)
    return path, [dict(zip(COLUMNS, row, strict=True)) for row in rows[1:]]


def decide(workspace: Workspace, path: Path, which: Callable[[dict[str, Any]], bool], code: int = 0, **values: Any) -> str:
    """Fill in the one row meant, and take the list in."""
    book = openpyxl.load_workbook(path)
    sheet = book["records"]
    (found,) = [n for n, row in enumerate(sheet.values, start=1) if which(dict(zip(COLUMNS, row, strict=True)))]
    for name, value in {"reason": "asked", **values}.items():
        sheet.cell(found, AT[name.replace("_", " ")] + 1, value)
    book.save(path)
    return formpack("correct", path.name, "--by", "S01", cwd=workspace.folder, code=code)


def moved(workspace: Workspace) -> list[tuple[Any, ...]]:
    return table(workspace, "movements", "instance_id, quantity", "kind = 'died' OR kind = 'lost'")


def test_an_accepted_wrong_answer_is_put_right(nursery: Workspace) -> None:
    said = formpack("records", "--group", "26-0012-39", "--form", "loss", cwd=nursery.folder)
    assert "1 submission: 1 accepted." in said and "lost 12, loss_cause frost" in said and "loss.csv, row 2" in said
    path, rows = written(nursery, "--group", "26-0012-39", "--form", "loss")
    lost = next(r for r in rows if r["question"] == "lost")
    assert (lost["answer"], lost["file"], lost["row"], lost["submission"]) == ("12", "loss.csv", 2, "l1")
    assert "lost is now 2." in decide(nursery, path, lambda r: r["question"] == "lost", decision="correct", new_answer=2)
    assert ("l1", 2) in moved(nursery)
    assert "lost 2 (12 was sent)" in formpack("records", "--submission", "l1", cwd=nursery.folder)
    before = every_table(nursery, ())
    assert "0 done, 1 done before" in formpack("correct", path.name, "--by", "S01", cwd=nursery.folder)
    assert every_table(nursery, ()) == before
    assert "1 done" in formpack("correct", path.name, "--by", "S02", "--undo", cwd=nursery.folder)
    assert ("l1", 12) in moved(nursery)
    formpack("check", cwd=nursery.folder)


def test_a_record_is_withdrawn_and_what_rested_on_it_is_told(nursery: Workspace) -> None:
    path, _ = written(nursery, "--submission", "o1")
    said = decide(nursery, path, lambda r: r["asked"] == "the whole submission", decision="withdraw", code=1)
    assert "withdrawn." in said
    assert "1 submission was accepted and is waiting now." in said and "1 submission was accepted and is withdrawn now." in said
    said = formpack("correct", path.name, "--by", "S01", "--undo", cwd=nursery.folder)
    assert "1 submission was waiting and is accepted now." in said


def test_a_file_imported_by_mistake_is_taken_back(nursery: Workspace, take_in: Callable[..., run.Imported]) -> None:
    """Each of its submissions has a record of its own; what came in another file too stays."""
    before = every_table(nursery)
    take_in({"loss-old.csv": MISTAKE})
    assert ("m1", 90) in moved(nursery)
    path, rows = written(nursery, "--file", "loss-old.csv")
    (whole,) = [r for r in rows if r["submission"].startswith("file:")]
    assert whole["file"] == "loss-old.csv" and "3 submissions" in whole["answer"]
    said = decide(nursery, path, lambda r: str(r["submission"]).startswith("file:"), decision="withdraw", reason="a copy")
    assert "2 submissions of loss-old.csv withdrawn; 1 that also came in loss.csv stays." in said
    assert moved(nursery) == [("l1", 12), ("l2", 3)]
    with looked_at(nursery) as store:
        made = store.rows("SELECT instance_id, kind, made_by, reason FROM kept.corrections ORDER BY number")
    assert [(*row[:3], unpacked(row[3])) for row in made] == [
        (i, "withdraw", "S01", "a copy (all of loss-old.csv)") for i in ("m1", "m2")
    ]
    after = {k: v for k, v in every_table(nursery).items() if k not in ("submissions", "problems")}
    assert after == {k: v for k, v in before.items() if k not in ("submissions", "problems")}
    assert "0 done, 1 done before" in formpack("correct", path.name, "--by", "S01", cwd=nursery.folder)
    assert "undone for 2 submissions." in formpack("correct", path.name, "--by", "S01", "--undo", cwd=nursery.folder)
    assert ("m1", 90) in moved(nursery)
    formpack("check", cwd=nursery.folder)


def test_a_whole_file_is_withdrawn_and_nothing_else(nursery: Workspace) -> None:
    path, _ = written(nursery, "--file", "loss.csv")
    said = decide(nursery, path, lambda r: str(r["submission"]).startswith("file:"), decision="accept as it is", code=1)
    assert "a whole file can be withdrawn, or the day corrected, and nothing else" in said
    path, rows = written(nursery, "--file", "loss.csv", "--person", "S02")
    assert not [r for r in rows if r["submission"].startswith("file:")]  # a row for all of it would be more than was asked for
    path, _ = written(nursery, "--submission", "l1")
    said = decide(nursery, path, lambda r: r["question"] == "lost", decision="accept as it is", code=1)
    assert "a record is not accepted but corrected or withdrawn" in said


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ([], "l2 l1 o1 o2"),
        (["--group", "26-0012-39"], "l1 o1"),
        (["--person", "S01"], "l2 o1 o2"),
        (["--from", "2026-04-02"], "l2 l1"),
        (["--until", "2026-04-02"], "l1 o1 o2"),
        (["--from", "2026-04-02", "--until", "2026-04-02"], "l1"),
        (["--form", "open_group"], "o1 o2"),
        (["--file", "LOSS.csv"], "l2 l1"),
        (["--submission", "l1"], "l1"),
        (["--state", "withdrawn"], ""),
        (["--group", "26-0012-39", "--form", "loss", "--person", "S02"], "l1"),
    ],
)
def test_each_filter_holds_everywhere(words: list[str], expected: str, nursery: Workspace) -> None:
    found = json.loads(formpack("records", *words, "--json", cwd=nursery.folder))
    assert [r["instance_id"] for r in found["records"]] == expected.split()
    said = formpack("records", *words, cwd=nursery.folder)
    assert [line.strip(" []") for line in said.splitlines() if line.startswith("    [")] == expected.split()
    _, rows = written(nursery, *words)
    listed = dict.fromkeys(r["submission"] for r in rows if not r["submission"].startswith(("file:", "day:")))
    assert list(listed) == expected.split()


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--group", "99-9999-99"], "no submission is about such a group"),
        (["--person", "S99"], "no submission is by such a person"),
        (["--form", "los"], "the forms are bag_up"),
        (["--file", "nowhere.csv"], "no file of that name"),
        (["--submission", "zz"], "there is none"),
        (["--submission", "o"], "more than one begins with it"),
        (["--state", "lost"], "the states are accepted"),
        (["--from", "2/3/26"], "--from 2/3/26 can be read in two ways; write 2026-02-03 or 2026-03-02."),
        (["--from", "2026-05-01", "--until", "2026-04-01"], "is after"),
        (["--to", "sent.csv"], "must end in .xlsx"),
    ],
)
def test_what_cannot_be_done_is_one_line(words: list[str], says: str, nursery: Workspace) -> None:
    said = formpack("records", *words, cwd=nursery.folder, code=2)
    assert says in said and said.count("\n") == 1


def test_what_is_kept_out_ends_with_1(nursery: Workspace, take_in: Callable[..., run.Imported]) -> None:
    take_in({"loss-3.csv": LOSSES.replace("l1,", "x1,").replace("l2,", "x2,").replace(",12,", ",many,"), "broken.xml": "<a"})
    said = formpack("records", "--file", "loss-3.csv", cwd=nursery.folder, code=1)
    assert "lost many, loss_cause frost" in said and "kept out or waiting: `formpack problems` says why." in said
    said = formpack("records", "--file", "broken.xml", cwd=nursery.folder, code=1)
    assert "the XML cannot be read" in said
    path, _ = written(nursery, "--file", "broken.xml", code=1)
    said = decide(nursery, path, lambda r: r["asked"] == "the whole submission", decision="withdraw")
    assert "1 submission was quarantined and is withdrawn now." in said


def test_an_answer_of_a_record_that_was_replaced_or_taken_back_is_not_corrected(
    nursery: Workspace, take_in: Callable[..., run.Imported]
) -> None:
    take_in(
        {
            "loss-4.csv": "deprecatedID,"
            + LOSSES.replace("l1,2026", "l1,e1,2026").replace("KEY", "instanceID").splitlines()[0]
            + "\nl1,e1,2026-04-02,S02,26-0012-39,2,frost\n"
        }
    )
    path, _ = written(nursery, "--submission", "l1")
    said = decide(nursery, path, lambda r: r["question"] == "lost", decision="correct", new_answer="4", code=1)
    assert "it was replaced by the edit e1; correct that one" in said


def test_a_workbook_has_an_end(nursery: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(records, "MOST_ROWS", 20)
    said = formpack("records", "--to", "sent.xlsx", cwd=nursery.folder)
    assert "more do not fit in one workbook" in said
