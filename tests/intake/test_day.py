"""A day of import that cannot be right is asked about, and one that was wrong is corrected; neither spoils anything for good."""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from pipeline import run
from pipeline.findings import Refused
from pipeline.intake import ingest
from pipeline.office import backup
from pipeline.office.decision_sheet import OPEN
from pipeline.store import Store
from pipeline.workspace import Workspace
from tests.cli.test_cli import formpack
from tests.conftest import DAY, every_table, new_workspace, table
from tests.robust.books import books_in

OPENING = (
    "KEY,visit_date,staff_code,group_code,seed_lot,rootstock,sow_date,lifted,cull_off_type,cull_bent_root,cull_etiolated,"
    "cull_weak,cull_other,planted,location\n"
    "o1,2026-02-01,S01,26-0012-39,L2601-CARR,CARRIZO,2025-11-01,1000,40,5,0,15,0,940,H1\n"
    "o2,2026-02-01,S01,26-0701-09,L2601-CARR,CARRIZO,2025-11-01,1000,40,5,0,15,0,940,H1\n"
    "o3,2026-02-02,S01,26-0001-72,L2601-CARR,CARRIZO,2025-11-01,1000,40,5,0,15,0,940,H1\n"
)
LOSSES = (
    "KEY,visit_date,staff_code,group_code,lost,loss_cause\n"
    "l1,2026-04-02,S02,26-0012-39,12,frost\n"
    "l2,2026-05-02,S01,26-0701-09,3,dead\n"
)
COUNT = "KEY,visit_date,staff_code,group_code,coverage,counted\nc1,{},S02,26-0012-39,whole,925\n"
WRONG = dt.date(2020, 1, 1)
Dated = Callable[[Workspace, dict[str, str], dt.date, bool], run.Imported]


def take(workspace: Workspace, files: dict[str, str], day: dt.date, is_sure: bool = False) -> run.Imported:
    for name, text in files.items():
        (workspace.inbox / name).write_text(text, encoding="utf-8")
    return run.import_files(Workspace(workspace.folder), [workspace.inbox / name for name in files], day, is_sure=is_sure)


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Folders of two nurseries: one into which all came in on the right days, and one where the openings came in on a day
    long before, with somebody sure of it."""
    folders = tmp_path_factory.mktemp("right"), tmp_path_factory.mktemp("wrong")
    for folder, day in zip(folders, (DAY, WRONG), strict=True):
        workspace = new_workspace(folder)
        take(workspace, {"open_group.csv": OPENING}, day, is_sure=day == WRONG)
        take(workspace, {"loss.csv": LOSSES}, DAY)
    return folders


@pytest.fixture
def right(prepared: tuple[Path, Path], tmp_path: Path) -> Workspace:
    return Workspace(shutil.copytree(prepared[0], tmp_path / "right"))


@pytest.fixture
def wrong(prepared: tuple[Path, Path], tmp_path: Path) -> Workspace:
    return Workspace(shutil.copytree(prepared[1], tmp_path / "wrong"))


def kept(workspace: Workspace) -> dict[str, Any]:
    with Store.open(workspace.store_file) as store:
        rows = {
            name: store.rows(f"SELECT * FROM kept.{name} ORDER BY ALL") for name in ("raw_files", "file_names", "named_forms")
        }
        return rows | {"parsed": store.rows("FROM work.parsed_files ORDER BY ALL")}


@pytest.mark.parametrize(
    ("day", "text", "says"),
    [
        (DAY - dt.timedelta(1), COUNT.format("2026-10-30"), "files came in on 2026-11-02 already"),
        (dt.date(2031, 3, 2), COUNT.format("2026-11-03"), "the last files came in on 2026-11-02, and the newest work"),
        (
            DAY,
            OPENING.replace("2026-02-0", "2027-02-0").replace("o", "q").replace("\nq3,2027", "\nq3,2026"),
            "",
        ),
        (
            DAY,
            LOSSES.replace("l", "m").replace("2026-", "2027-") + "m3,2027-05-03,S01,26-0701-09,4,dead\n",
            "3 of 3 submissions with a day are dated after it, such as 2027-05-03 in loss.csv, row 4",
        ),
    ],
)
def test_a_day_that_does_not_fit_is_asked_about(day: dt.date, text: str, says: str, right: Workspace) -> None:
    name = "loss.csv" if "loss_cause" in text else "stock_count.csv" if "counted" in text else "open_group.csv"
    before, books = kept(right), books_in(right.folder)
    if not says:  # two after the day, of three: too few
        assert take(right, {name: text}, day).new_submissions == 3
        return
    (right.inbox / name).write_text(text, encoding="utf-8")
    said = formpack("import", f"inbox/{name}", "--form", "loss", "--as-of", f"{day}", cwd=right.folder, code=2)
    assert said.startswith(f"Nothing was taken in. Today is taken to be {day} (so says --as-of), but ") and says in said
    assert f"if it is right, say `--as-of {day} --sure`.\n" in said and said.count("\n") == 1
    assert kept(right) == before and books_in(right.folder) == books
    sure = formpack("import", f"inbox/{name}", "--as-of", f"{day}", "--sure", cwd=right.folder, code=None)
    assert sure.startswith("1 file, 1 of them new")
