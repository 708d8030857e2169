"""The clerk's morning: a list goes out, decisions come back, and nothing that came in is changed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from pipeline import run
from pipeline.intake.corrections import all_corrections
from pipeline.office.decision_sheet import OPEN
from pipeline.office.desk import DECISIONS, Decided, Desk
from pipeline.office.problem_list import COLUMNS, findings
from pipeline.workspace import Workspace
from tests.cli.test_cli import formpack
from tests.conftest import SAMPLES, copied, every_table, looked_at, new_workspace, table

COLUMNS_AT = {name: position for position, name in enumerate(COLUMNS)}
Fill = Callable[..., Path]


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    workspace = new_workspace(tmp_path_factory.mktemp("correct") / "nursery")
    for name in (
        "a_table_typed_in_the_office_with_faults",
        "seedlings_that_do_not_add_up",
        "more_buds_read_than_set_and_too_early",
    ):
        for path in (SAMPLES / name / "inbox").iterdir():
            (workspace.inbox / f"{name}-{path.name}").write_bytes(path.read_bytes())
            if path.suffix == ".csv":
                (workspace.inbox / f"{name}-{path.name}").rename(workspace.inbox / path.name)
    text = (SAMPLES / "seedlings_that_do_not_add_up" / "inbox" / "opening.xml").read_text(encoding="utf-8")
    (workspace.inbox / "seedlings_that_do_not_add_up-opening.xml").write_text(
        text.replace("0000-4000", "9999-4000"), encoding="utf-8"
    )
    run.import_files(workspace, [workspace.inbox])
    return workspace


@pytest.fixture
def nursery(prepared: Workspace, workspace: Workspace) -> Workspace:
    return copied(prepared, workspace)


def fill(workspace: Workspace, decisions: list[dict[str, Any]], name: str = "list.xlsx") -> Path:
    """Write the list, fill in decisions for the rows that match `rule` and `value`, save it."""
    path = workspace.folder / name
    formpack("problems", "--to", name, cwd=workspace.folder, code=1)
    book = openpyxl.load_workbook(path)
    sheet: Any = book.active
    place = {c.value: i for i, c in enumerate(sheet[1])}
    for wanted in decisions:
        found = [
            row
            for row in sheet.iter_rows(min_row=2)
            if row[place["rule"]].value == wanted["rule"]
            and ("on" not in wanted or row[place["submission"]].value == wanted["on"])
        ]
        assert len(found) == 1, (wanted, len(found))
        for column, value in wanted.items():
            if column in OPEN:
                found[0][place[column]].value = value
    book.save(path)
    return path


def decide(workspace: Workspace, *decisions: dict[str, Any], code: int = 0, undo: bool = False) -> str:
    path = fill(workspace, list(decisions))
    return formpack("correct", path.name, "--by", "S01", *(["--undo"] if undo else []), cwd=workspace.folder, code=code)


def raw(workspace: Workspace) -> list[tuple[Any, ...]]:
    with looked_at(workspace) as store:
        return store.rows("SELECT sha256, content FROM kept.raw_files ORDER BY sha256")


MINUS = {"rule": "impossible_value", "on": "k4", "decision": "correct", "new answer": "957", "reason": "asked Abel"}
ENTRY = {"rule": "wrong_type", "on": "k5", "decision": "withdraw", "reason": "test entry"}
TOGETHER = {"rule": "more_read_than_set", "decision": "accept as it is", "reason": "two lots were read together"}


def test_the_list_is_ready_to_be_filled_in(nursery: Workspace) -> None:
    path = fill(nursery, [])
    book = openpyxl.load_workbook(path)
    sheet: Any = book.active
    assert [c.value for c in sheet[1]] == list(COLUMNS)
    assert sheet.freeze_panes == "A2" and not sheet.protection.sheet  # else no row can be added
    rows = list(sheet.iter_rows(min_row=2))
    assert rows[0][0].value == "keeps it out" and rows[-1][0].value == "worth a look"
    for row in rows:
        for name, cell in zip(COLUMNS, row, strict=True):
            assert cell.data_type != "f"
            if name == "date" and cell.value is not None:
                assert cell.is_date
    choice = next(c for c in sheet.data_validations.dataValidation if DECISIONS[0] in c.formula1)
    assert all(d in choice.formula1 for d in DECISIONS) and f"I{len(rows) + 1}" in str(choice.sqref)
    assert sheet["I1"].comment is not None
    book.close()


def test_each_row_says_in_which_file_and_row_it_stood(nursery: Workspace) -> None:
    book = openpyxl.load_workbook(fill(nursery, []))
    sheet: Any = book.active
    at = {row[COLUMNS_AT["submission"]]: (row[COLUMNS_AT["file"]], row[COLUMNS_AT["row"]]) for row in sheet.values}
    assert at["k4"] == ("stock_count-2026-04-02.csv", 5) and at["k5"] == ("stock_count-2026-04-02.csv", 6)
    assert at["uuid:00000000-9999-4000-8000-000000000001"] == ("seedlings_that_do_not_add_up-opening.xml", None)


def offered(path: Path, sheet_name: str, cell: str) -> list[str]:
    """What a cell of a list offers to choose from."""
    book = openpyxl.load_workbook(path)
    for offer in book[sheet_name].data_validations.dataValidation:
        if cell in offer.sqref and "!" in (offer.formula1 or ""):
            name, _, cells = offer.formula1.partition("!")
            return [c.value for (c,) in book[name.strip("'")][cells.replace("$", "")]]
    return []


def test_new_answers_and_questions_are_offered(nursery: Workspace, take_in: Callable[..., run.Imported]) -> None:
    head = "KEY,visit_date,staff_code,group_code,coverage,counted"
    take_in({"stock_count-2.csv": f"{head}\nz1,2026-04-01,s02,26-0701-11,whle,957\n"})
    path = fill(nursery, [])
    sheet: Any = openpyxl.load_workbook(path)["problems"]
    rows = {row[COLUMNS_AT["question"]].value: row for row in sheet.iter_rows() if row[COLUMNS_AT["submission"]].value == "z1"}
    answer = {q: row[COLUMNS_AT["new answer"]].coordinate for q, row in rows.items()}
    assert offered(path, "problems", answer["coverage"]) == ["whole", "part", "last_part"]
    assert "S02" in offered(path, "problems", answer["staff_code"])
    assert "counted" in offered(path, "problems", rows["coverage"][COLUMNS_AT["question"]].coordinate)
    said = {q: row[COLUMNS_AT["what is wrong"]].value for q, row in rows.items()}
    assert said["coverage"].endswith("whle is not in the list coverage (whole, part, last_part); whole?"), said
    assert said["staff_code"].endswith("s02 is not in the list staff; S02?"), said


def test_the_filters_hold_for_the_workbook(nursery: Workspace) -> None:
    formpack("problems", "--rule", "wrong_type", "--severity", "stop", "--to", "list.xlsx", cwd=nursery.folder, code=1)
    sheet: Any = openpyxl.load_workbook(nursery.folder / "list.xlsx")["problems"]
    assert {row[COLUMNS_AT["rule"]] for row in sheet.iter_rows(min_row=2, values_only=True)} == {"wrong_type"}
    said = formpack("problems", "--group", "99-9999-99", "--to", "no.xlsx", cwd=nursery.folder, code=2)
    assert "no submission is about" in said and not (nursery.folder / "no.xlsx").exists()


def test_a_corrected_answer_goes_into_the_books_and_the_bytes_stay(nursery: Workspace) -> None:
    before = raw(nursery)
    said = decide(nursery, MINUS)
    assert "counted is now 957." in said and "1 done, 0 done before, 0 refused." in said
    assert (957,) in table(nursery, "counts", "counted")
    assert raw(nursery) == before
    with looked_at(nursery) as store:
        (record,) = all_corrections(store)
    said = (record.made_by, record.instance_id, record.kind, record.field, record.old_answer, record.new_answer, record.reason)
    assert said == ("S01", "k4", "correct", "counted", "-5", "957", "asked Abel")
    formpack("check", cwd=nursery.folder)


def test_the_same_list_twice_changes_nothing(nursery: Workspace) -> None:
    decide(nursery, MINUS)
    before = every_table(nursery, ())
    said = formpack("correct", "list.xlsx", "--by", "S01", cwd=nursery.folder)
    assert "0 done, 1 done before, 0 refused." in said
    assert every_table(nursery, ()) == before


def test_undo_brings_back_what_was(nursery: Workspace) -> None:
    before = every_table(nursery, ())
    decide(nursery, MINUS, ENTRY, TOGETHER)
    assert every_table(nursery, ()) != before
    assert "3 done" in formpack("correct", "list.xlsx", "--by", "S02", "--undo", cwd=nursery.folder)
    assert every_table(nursery, ()) == before
    with looked_at(nursery) as store:
        made = [r.kind for r in all_corrections(store)]
        assert sorted(made[:3]) == ["accept", "correct", "withdraw"]
        assert sorted(made[3:]) == ["restore", "unaccept", "uncorrect"]
    assert "0 done" in formpack("correct", "list.xlsx", "--by", "S02", "--undo", cwd=nursery.folder)


def test_decisions_survive_rebuild_and_import(nursery: Workspace) -> None:
    decide(nursery, MINUS, ENTRY, TOGETHER)
    before = every_table(nursery, ())
    states = dict(table(nursery, "submissions", "instance_id, state"))
    assert (states["k4"], states["k5"]) == ("accepted", "withdrawn")
    assert "more_read_than_set" not in {r for (r,) in table(nursery, "problems", "rule")}
    formpack("rebuild", cwd=nursery.folder)
    assert every_table(nursery, ()) == before
    run.import_files(Workspace(nursery.folder), [nursery.inbox])
    assert every_table(nursery, ()) == before


REFUSED: list[tuple[dict[str, Any], str]] = [
    ({**MINUS, "reason": ""}, "it has no reason"),
    ({**MINUS, "new answer": "-7"}, "A whole number from 0 to 20000"),
    ({**MINUS, "new answer": "many"}, "is not a whole number"),
    ({**MINUS, "new answer": ""}, "no answer"),
    ({**MINUS, "question": "weather"}, "asks no 'weather'"),
    ({**MINUS, "question": "staff_code", "new answer": "S77"}, "S77 is not in the list staff"),
    ({**MINUS, "question": "group_code", "new answer": "26-0701-10"}, "has a wrong digit"),
    ({**MINUS, "decision": "forget"}, "'forget' is no decision"),
    ({**MINUS, "decision": "accept as it is"}, "cannot be right as it is"),
    ({**MINUS, "on": "k44"}, "there is no submission 'k44'"),
    ({**MINUS, "on": "k1", "decision": "withdraw"}, "has changed since the list was made"),
    ({"rule": "unreadable_row", "decision": "correct", "new answer": "1", "reason": "x"}, "its form is not in the pack"),
]


def test_a_decision_that_cannot_be_done_is_refused_in_words(nursery: Workspace) -> None:
    lists = {"staff": {"S01"}}
    with looked_at(nursery) as store:
        desk = Desk(store, nursery.forms, lists, "S01", dt.datetime(2026, 11, 2))
        rows = {(r[9], r[10]): r for r in findings(store)}
        unread = next(r[10] for r in rows.values() if r[9] == "unreadable_row")
        for decision, says in REFUSED:
            rule = decision["rule"]
            key = rows[rule, unread if rule == "unreadable_row" else "k4"][-1]
            row = Decided(
                row=2,
                decision=decision["decision"],
                field=decision.get("question", "counted"),
                new_answer=decision["new answer"],
                reason=decision["reason"],
                rule=rule,
                instance_id=decision.get("on", unread),
                key=key,
            )
            (verdict,) = desk.decide([row])
            assert verdict.what == "refused" and says in verdict.says, (decision, verdict)
        assert desk.new == []


def test_the_rows_beside_a_refused_one_go_in(nursery: Workspace) -> None:
    other = {"rule": "wrong_type", "on": "k6", "decision": "correct", "new answer": "957", "reason": "digits of another script"}
    said = decide(nursery, {**MINUS, "new answer": "many"}, other, code=1)
    assert ": refused, because" in said and "1 done, 0 done before, 1 refused." in said
    with looked_at(nursery) as store:
        assert [r.instance_id for r in all_corrections(store)] == ["k6"]


def test_a_list_that_is_out_of_date_is_refused_row_by_row(nursery: Workspace) -> None:
    fill(nursery, [{**MINUS, "new answer": "900"}], "old.xlsx")
    decide(nursery, {**MINUS, "new answer": "950"})
    said = formpack("correct", "old.xlsx", "--by", "S01", cwd=nursery.folder, code=1)
    assert "counted has been corrected to 950 since the list was made" in said


def write_in(path: Path, row: int, **values: Any) -> None:
    """Fill cells of a row of a list; `new_answer` is the column `new answer`."""
    book = openpyxl.load_workbook(path)
    for name, value in values.items():
        book["problems"].cell(row, COLUMNS_AT[name.replace("_", " ")] + 1, value)
    book.save(path)


def row_of(path: Path, submission: str) -> int:
    sheet = openpyxl.load_workbook(path)["problems"]
    return next(n for n, row in enumerate(sheet.values, start=1) if row[COLUMNS_AT["submission"]] == submission)


def test_a_correction_of_one_row_leaves_the_other_rows_of_the_list_good(nursery: Workspace) -> None:
    path = fill(nursery, [{**MINUS, "question": "note", "new answer": "seen", "reason": "first"}])
    assert "note is now seen." in formpack("correct", path.name, "--by", "S01", cwd=nursery.folder)
    write_in(path, row_of(path, "k4"), question="counted", new_answer="957", reason="asked Abel")
    assert "counted is now 957." in formpack("correct", path.name, "--by", "S01", cwd=nursery.folder)
    assert "0 done, 1 done before" in formpack("correct", path.name, "--by", "S01", cwd=nursery.folder)


def test_a_bad_cell_stops_its_row_only_and_can_be_mended_in_the_same_list(nursery: Workspace) -> None:
    """A row that a person adds below the list needs the submission, and stands on what was written of it."""
    path = fill(nursery, [{**MINUS, "new answer": "9S7"}])
    last = openpyxl.load_workbook(path)["problems"].max_row + 1
    write_in(path, last, submission="k4", decision="Correct", question="note", new_answer="seen", reason="asked")
    write_in(path, last + 1, submission="k4", decision="correct", question="countd", new_answer="9", reason="asked")
    key = openpyxl.load_workbook(path)["problems"].cell(row_of(path, "k4"), COLUMNS_AT["row key"] + 1).value
    more = {"submission": "k4", "decision": "correct", "question": "visit_date", "reason": "asked"}
    write_in(path, last + 2, **more, new_answer=dt.datetime(2026, 11, 1, 10))
    write_in(path, last + 3, **more, new_answer="2026-11-01", row_key=f"{key.rpartition('-')[0]}-²")
    said = formpack("correct", path.name, "--by", "S01", cwd=nursery.folder, code=1)
    assert (
        "2026-11-01 10:00:00 is not a day" in said and f"row {last + 3}: refused, because what it is about has changed" in said
    )
    assert "9S7 is not a whole number" in said and f"row {last}: note is now seen." in said and "1 done" in said
    assert "asks no 'countd'; counted?" in said
    write_in(path, row_of(path, "k4"), new_answer="957")
    said = formpack("correct", path.name, "--by", "S01", cwd=nursery.folder, code=1)
    assert "counted is now 957." in said and "1 done, 1 done before, 3 refused." in said


def test_two_answers_of_one_submission_are_corrected_together(nursery: Workspace) -> None:
    on = {"rule": "impossible_value", "on": "uuid:00000000-9999-4000-8000-000000000001"}
    path = fill(nursery, [{**on, "decision": "correct", "question": "lifted", "new answer": 1010, "reason": "tally sheet"}])
    said = formpack("correct", path.name, "--by", "S01", cwd=nursery.folder)
    assert "lifted is now 1010." in said


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["correct", "nowhere.xlsx", "--by", "S01"], "is not there"),
        (["correct", "nursery.toml", "--by", "S01"], "is not a list of problems"),
        (["correct", "list.xlsx", "--by", "Nobody"], "no such code in lists/staff.csv"),
        (["problems", "--to", "list.csv"], "must end in .xlsx"),
        (["history", "uuid:none"], "No submission is"),
        (["history", "k"], "Several submissions ("),
    ],
)
def test_what_cannot_be_done_is_one_line(words: list[str], says: str, nursery: Workspace) -> None:
    said = formpack(*words, cwd=nursery.folder, code=2)
    assert says in said and said.count("\n") == 1


def test_a_workbook_without_the_headings_is_refused(nursery: Workspace) -> None:
    book = openpyxl.Workbook()
    assert book.active is not None
    book.active.title = "problems"
    book.save(nursery.folder / "list.xlsx")
    assert "headings" in formpack("correct", "list.xlsx", "--by", "S01", cwd=nursery.folder, code=2)


def test_history_tells_it_in_order(nursery: Workspace) -> None:
    decide(nursery, MINUS)
    said = formpack("history", "k4", cwd=nursery.folder)
    assert "Plants counted: -5" in said and "\n    Your name: S01 (Abel)\n" in said and "start" not in said
    at = [
        said.index(x)
        for x in ("became quarantined", "Plants counted corrected from -5 to 957 by S01: asked Abel", "became accepted")
    ]
    assert at == sorted(at)


def test_an_undo_reads_as_an_undo(nursery: Workspace) -> None:
    decide(nursery, MINUS, ENTRY, TOGETHER)
    formpack("correct", "list.xlsx", "--by", "S02", "--undo", cwd=nursery.folder)
    said = formpack("history", "k4", cwd=nursery.folder)
    assert "undone: Plants counted is -5 again, not 957, by S02: undone; it had said: asked Abel" in said
    assert "undone: it is no longer withdrawn, by S02" in formpack("history", "k5", cwd=nursery.folder)
    assert "counted is now 957." in formpack("correct", "list.xlsx", "--by", "S01", cwd=nursery.folder)


def test_text_that_a_spreadsheet_would_run_stays_text(workspace: Workspace, take_in: Callable[..., run.Imported]) -> None:
    head = "KEY,visit_date,staff_code,group_code,coverage,counted"
    take_in({"stock_count.csv": f"{head}\n=cmd|' /C calc'!A0,2026-04-01,=1+1,+26001239,@SUM(A1),-2+3\n"})
    path = fill(workspace, [])
    book = openpyxl.load_workbook(path)
    cells = [c for row in book.active.iter_rows(min_row=2) for c in row if isinstance(c.value, str)]  # type: ignore[union-attr]
    risky = [c for c in cells if c.value[:1] in "=+-@"]
    assert len(risky) >= 4
    assert all(c.data_type == "s" and c.quotePrefix for c in risky)
    book.close()
