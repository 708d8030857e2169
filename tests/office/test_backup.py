"""What can never be rebuilt goes out in open files, and an equal nursery comes back from them."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from pipeline import run
from pipeline.workspace import Workspace
from tests.cli.test_cli import formpack
from tests.conftest import SAMPLES, every_table
from tests.office.test_correct import MINUS, decide

FAULTY = SAMPLES / "a_table_typed_in_the_office_with_faults" / "inbox"


@pytest.fixture
def exported(workspace: Workspace) -> tuple[Workspace, Path]:
    run.import_files(workspace, [FAULTY])
    decide(workspace, MINUS, {"rule": "wrong_type", "on": "k5", "decision": "withdraw", "reason": "test entry"})
    folder = workspace.folder.parent / "backup"
    assert "2 files as they came" in formpack("export", str(folder), cwd=workspace.folder)
    return workspace, folder


def test_an_equal_nursery_comes_back(exported: tuple[Workspace, Path], tmp_path: Path) -> None:
    workspace, folder = exported
    formpack("rebuild", "--from", str(folder), "--workspace", str(tmp_path / "new"), cwd=tmp_path)
    again = Workspace(tmp_path / "new")
    assert every_table(again, ()) == every_table(workspace, ())
    formpack("check", cwd=again.folder)
    assert "counted corrected from -5 to 957 by S01" in formpack("history", "k4", cwd=again.folder)
    formpack("correct", str(workspace.folder / "list.xlsx"), "--by", "S02", "--undo", cwd=again.folder)


def test_the_files_are_the_bytes_and_plain_tables(exported: tuple[Workspace, Path]) -> None:
    _, folder = exported
    kept = {p.read_bytes() for p in (folder / "raw").iterdir()}
    assert kept == {p.read_bytes() for p in FAULTY.iterdir()}
    with (folder / "corrections.csv").open(encoding="utf-8", newline="") as file:
        records = sorted((r["kind"], r["instance_id"], r["new_answer"]) for r in csv.DictReader(file))
    assert records == [("correct", "k4", "957"), ("withdraw", "k5", "")]


def test_a_backup_is_not_mixed_and_not_laid_over_a_nursery(exported: tuple[Workspace, Path]) -> None:
    workspace, folder = exported
    assert "is not empty" in formpack("export", str(folder), cwd=workspace.folder, code=2)
    assert "has a store already" in formpack("rebuild", "--from", str(folder), cwd=workspace.folder, code=2)
    assert "is no backup" in formpack("rebuild", "--from", "lists", "--workspace", "x", cwd=workspace.folder, code=2)


@pytest.mark.parametrize("damage", ["raw", "missing", "table", "name", "kind", "number"])
def test_a_damaged_backup_is_refused_in_a_sentence(damage: str, exported: tuple[Workspace, Path], tmp_path: Path) -> None:
    _, folder = exported
    one = sorted((folder / "raw").iterdir())[0]
    if damage == "raw":
        one.write_bytes(one.read_bytes() + b" ")
    elif damage == "missing":
        one.unlink()
    elif damage == "table":
        (folder / "corrections.csv").write_text("number\n1\n", encoding="utf-8")
    elif damage in ("kind", "number"):
        path = folder / "corrections.csv"
        text = path.read_text(encoding="utf-8")
        path.write_text(
            text.replace("withdraw", "banana") if damage == "kind" else text.replace("\n1,", "\nx,"), encoding="utf-8"
        )
    else:
        told = folder / "raw.csv"
        told.write_text(told.read_text(encoding="utf-8").replace(one.name, "../../nursery.toml"), encoding="utf-8")
    said = formpack("rebuild", "--from", str(folder), "--workspace", str(tmp_path / "new"), cwd=tmp_path, code=2)
    assert said.count("\n") == 1 and str(folder) in said
    assert not (tmp_path / "new" / "store.duckdb").exists()
