"""A day of import that cannot be right is asked about; one that was wrong is corrected. Neither is for ever."""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from formpack.words import day as in_words
from formpack.words import unpacked
from pipeline import run
from pipeline.findings import Refused
from pipeline.intake import ingest
from pipeline.office import backup
from pipeline.office.decision_sheet import OPEN
from pipeline.store import Store
from pipeline.workspace import Workspace
from tests.cli.test_cli import formpack
from tests.conftest import DAY, looked_at, new_workspace, table
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


def books_of(workspace: Workspace) -> list[list[tuple[Any, ...]]]:
    """What stands in the books, and what is wrong."""
    names = {"submissions": "instance_id, state", "movements": "*", "counts": "*", "standing": "*", "problems": "*"}
    with looked_at(workspace, names) as store:
        return [store.rows(f"SELECT {columns} FROM {name} ORDER BY ALL") for name, columns in names.items()]


def next_year(text: str) -> str:
    return text.replace("2026-", "2027-").replace("l1,", "m1,").replace("l2,", "m2,")


MORE = "m3,2027-05-03,S01,26-0701-09,4,dead\n"
DOUBTED = {
    "stock_count.csv": [
        (DAY - dt.timedelta(1), COUNT.format("2026-10-30"), "files came in on 2 November 2026 already"),
        (
            dt.date(2031, 3, 2),
            COUNT.format("2026-10-30"),
            "2 November 2026, and submissions are dated more than 200 days before it (1 of 1), the last 30 October 2026 in",
        ),
    ],
    "more/loss.csv": [
        (
            DAY,
            next_year(LOSSES) + MORE,
            "submissions are dated after it (3 of 3), the last 3 May 2027 in loss.csv, row 4",
        ),
    ],
}


def test_a_day_that_does_not_fit_is_asked_about_and_nothing_stays(right: Workspace) -> None:
    before, books = kept(right), books_in(right.folder)
    (right.inbox / "more").mkdir()
    for name, cases in DOUBTED.items():
        for day, text, says in cases:
            (right.inbox / name).write_text(text, encoding="utf-8")
            words = ["import", "--as-of", f"{day}", "--form", Path(name).stem]
            said = formpack(*words, cwd=right.folder, code=2)
            assert said.startswith(f"Nothing was taken in. Today is taken to be {in_words(day)} (so says --as-of), but "), said
            assert says in said and said.count("\n") == 1
            assert said.endswith(f"if it is right, say `--as-of {day} --sure`.\n")
            assert kept(right) == before and books_in(right.folder) == books
        (right.inbox / name).unlink()
    assert take(right, {"loss2.csv": next_year(LOSSES)}, DAY).states["quarantined"] == 2, "two may be two slips of a pen"
    done = formpack("import", *words[1:], "--sure", cwd=right.folder, code=1)
    assert "submissions received in all" in done


def test_years_after_all_work_are_asked_about_at_the_first_import_too(workspace: Workspace) -> None:
    with pytest.raises(
        Refused, match=r"submissions are dated more than 1,095 days before it \(3 of 3\), the last 2 February 2026"
    ) as refused:
        take(workspace, {"open_group.csv": OPENING}, dt.date(2029, 3, 1))
    assert f"{refused.value}".count("1 March 2029") == 2 and "--as-of 2029-03-01 --sure" in f"{refused.value}"
    toml = workspace.folder / "nursery.toml"
    toml.write_text(toml.read_text(encoding="utf-8").replace(f"{DAY}", "2029-03-01"), encoding="utf-8")
    said = formpack("import", cwd=workspace.folder, code=2)
    assert "(so says `today` in nursery.toml)" in said and "put `today` in nursery.toml right or take it out" in said
    assert take(workspace, {"open_group.csv": OPENING}, dt.date(2029, 3, 1), is_sure=True).states["accepted"] == 3


def test_years_ahead_with_files_that_say_no_day(right: Workspace) -> None:
    before = books_in(right.folder)
    (right.inbox / "photo.jpg").write_bytes(b"\xff\xd8 a photo")
    with pytest.raises(Refused, match="nothing that comes in now says a day near it"):
        run.import_files(right, [right.inbox / "photo.jpg"], dt.date(2031, 1, 1))
    assert books_in(right.folder) == before
    assert run.import_files(right, [right.inbox / "photo.jpg"], dt.date(2031, 1, 1), is_sure=True).new_files == 1


def test_a_day_that_no_answer_can_have_is_none(right: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    settings = Workspace(right.folder).settings
    for day in (dt.date.max, dt.date(1980, 1, 1)):
        assert f"{day} is not from 1990 to 2199" in formpack("problems", "--as-of", f"{day}", cwd=right.folder, code=2)
        with pytest.raises(Refused, match="is not from 1990 to 2199"):
            run.the_day(settings, day)
    assert "is not written as YYYY-MM-DD" in formpack("due", "--as-of", "20261102", cwd=right.folder, code=2)


def test_looking_at_another_day_is_not_remembered(right: Workspace) -> None:
    """A row of a list that is gone is so since the day on which that was seen, whatever day is looked at then."""
    staff = right.lists / "staff.csv"
    staff.write_text(staff.read_text(encoding="utf-8").replace("S03,Joel,yes\n", ""), encoding="utf-8")
    before = kept(right)
    for day in ("2199-12-31", "1990-01-01"):
        formpack("problems", "--as-of", day, cwd=right.folder, code=None)
    with Store.open(right.store_file) as store:
        assert store.rows("SELECT inactive_since FROM kept.list_rows WHERE code = 'S03'") == [(DAY,)]
    assert kept(right) == before


def test_what_a_killed_import_left_is_looked_at_too(right: Workspace) -> None:
    day = DAY + dt.timedelta(1)
    (right.inbox / "late.csv").write_text(next_year(LOSSES) + MORE, encoding="utf-8")
    with Store.open(right.store_file) as store:
        ingest.keep(store, [right.inbox / "late.csv"], day, run.no_progress, "loss")
    before = kept(right)
    with pytest.raises(Refused, match=r"\(3 of 4\)"):
        take(right, {"stock_count.csv": COUNT.format("2026-10-30")}, day)
    assert kept(right) == before, "what the earlier run kept is not let go"
    take(right, {"stock_count.csv": COUNT.format("2026-10-30")}, day + dt.timedelta(1))
    (found,) = table(right, "problems", "instance_id, message", "rule = 'day_of_import'")
    assert found == (
        f"day:{day}",
        f"What came in on {in_words(day)} does not fit that day: submissions are dated after it (3 of 3), the last 3 May 2027.",
    )


def decide(workspace: Workspace, command: list[str], meant: str, *decisions: tuple[str, str], code: int = 0) -> str:
    """Decide the row of a list about what is meant (again in copies of it), and take the list in."""
    path = workspace.folder / "list.xlsx"
    formpack(*command, "--to", path.name, cwd=workspace.folder, code=None)
    book = openpyxl.load_workbook(path)
    sheet: Any = book.active
    rows = [[c.value for c in row] for row in sheet.iter_rows()]
    place = {name: at for at, name in enumerate(rows[0])}
    (row,) = [row for row in rows[1:] if str(row[place["submission"]]).startswith(meant)]
    assert row[place["question"]] == "received_on"
    for decision, new in decisions:
        sheet.append(row)
        for name, value in zip(OPEN, (decision, "received_on", new, "the clock stood"), strict=True):
            sheet.cell(sheet.max_row, place[name] + 1, value)
    book.save(path)
    return formpack("correct", path.name, "--by", "S01", cwd=workspace.folder, code=code)


def correct_again(workspace: Workspace, *more: str, code: int = 0) -> str:
    return formpack("correct", "list.xlsx", "--by", "S01", *more, cwd=workspace.folder, code=code)


def days(workspace: Workspace) -> list[tuple[Any, ...]]:
    return table(workspace, "problems", "value, message", "rule = 'day_of_import'")


PROBLEMS = ["problems", "--rule", "day_of_import"]


def test_a_whole_day_of_import_is_corrected_and_undone(right: Workspace, wrong: Workspace, tmp_path: Path) -> None:
    before = books_of(wrong)
    says = "submissions are dated after it (3 of 3), the last 2 February 2026"
    assert days(wrong) == [("2020-01-01", f"What came in on 1 January 2020 does not fit that day: {says}.")]
    bad = [("correct", "2/3/26"), ("correct", "2026-11-03"), ("correct", ""), ("withdraw", "")]
    said = decide(wrong, PROBLEMS, "day:", *bad, code=1)
    for why in (
        "2/3/26 can be read",
        "3 November 2026 has not come yet",
        "nothing is not a day",
        "a day of import can be accepted as",
    ):
        assert f"refused, because {why}" in said
    said = decide(wrong, PROBLEMS, "day:", ("correct", "2026-02-03"))
    assert "1 file came in on 3 February 2026 now, not on 1 January 2020." in said
    assert "3 submissions were quarantined and are accepted now." in said
    assert books_of(wrong) == books_of(right)
    with Store.open(wrong.store_file) as store:
        (made,) = store.rows("SELECT left(instance_id, 5), kind, field, old_answer, new_answer, reason FROM kept.corrections")
        raw = store.rows("SELECT received_on FROM kept.raw_files ORDER BY 1")
    assert made[:5] == ("file:", "correct", "received_on", "2020-01-01", "2026-02-03")
    assert unpacked(made[5]) == "the clock stood (all that came in on 2020-01-01)"
    assert raw == [(WRONG,), (DAY,)], "what was kept is not changed"
    told = formpack("history", "o1", cwd=wrong.folder)
    assert ", corrected to 3 February 2026, in open_group.csv, row 2" in told
    assert "open_group.csv came in on 2026-02-03, not 2020-01-01, by S01: the clock stood" in told
    formpack("check", cwd=wrong.folder)
    with Store.open(wrong.store_file) as store:
        backup.write_backup(store, wrong, tmp_path / "backup")
    with backup.restored(tmp_path / "backup", tmp_path / "new") as (new, _):
        run.import_files(new, [], DAY)
    new = Workspace(tmp_path / "new")
    assert books_of(new) == books_of(right)
    assert "0 done, 1 done before" in correct_again(wrong)
    assert "undone for 1 file" in correct_again(wrong, "--undo")
    assert books_of(wrong) == before
    assert "nothing to undo" in correct_again(wrong, "--undo")
    assert take(wrong, {"stock_count.csv": COUNT.format("2026-10-30")}, DAY).new_submissions == 1


def test_the_day_of_one_file_is_corrected_and_undone(right: Workspace, wrong: Workspace) -> None:
    by_file = ["records", "--file", "open_group.csv"]
    assert "1 file came in on 3 February 2026 now" in decide(wrong, by_file, "file:", ("correct", "2026-02-03"))
    assert books_of(wrong) == books_of(right)
    assert "0 done, 1 done before" in correct_again(wrong)
    assert "1 file came in on 1 February 2026 now, not on 3 February 2026" in decide(
        wrong, by_file, "day:", ("correct", "2026-02-01"), code=1
    )
    assert len(table(wrong, "problems", "*", "rule = 'impossible_value'")) == 1, "one is dated the day after"
    assert "undone for 1 file" in correct_again(wrong, "--undo")
    assert books_of(wrong) == books_of(right)


def test_days_out_of_order_are_found_and_may_be_right(right: Workspace) -> None:
    """Of three days the one that is out of order with both others is doubted; of two, both."""
    early = dt.date(2026, 10, 30)
    take(right, {"stock_count.csv": COUNT.format(early)}, early, is_sure=True)
    says = "does not fit that day: files that came in"
    assert days(right) == [
        ("2026-10-30", f"What came in on 30 October 2026 {says} before that have the day 2 November 2026."),
        ("2026-11-02", f"What came in on 2 November 2026 {says} after that have the day 30 October 2026."),
    ]
    take(right, {"loss2.csv": LOSSES.replace("l1", "m1").replace("l2", "m2").replace(",3,", ",4,")}, DAY)
    take(right, {"loss3.csv": LOSSES.replace("l1", "n1").replace("l2", "n2").replace(",3,", ",5,")}, DAY + dt.timedelta(9))
    assert "accepted as it is" in decide(right, PROBLEMS, "day:2026-10-30", ("accept as it is", ""))
    assert [d for d, _ in days(right)] == ["2026-11-02"]
