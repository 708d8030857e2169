"""Tables typed in the office: every sheet is read or named, headings are found and matched, what fits nothing is said once."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest

from pipeline import run
from pipeline.field import phone
from pipeline.store import Store
from pipeline.workspace import Workspace
from tests.cli.test_cli import formpack
from tests.conftest import looked_at, table

Take = Callable[..., run.Imported]
OPENING = dict(
    zip(
        "visit_date staff_code group_code seed_lot rootstock sow_date lifted cull_off_type cull_bent_root cull_etiolated"
        " cull_weak cull_other planted location".split(),
        "2026-02-01 S01 26-0012-39 L2601-CARR CARRIZO 2025-11-01 1000 40 5 0 15 0 940 H1".split(),
        strict=True,
    )
)
COUNT = dict(
    zip("visit_date staff_code group_code coverage counted".split(), "2026-04-01 S02 26-0012-39 whole 938".split(), strict=True)
)


def text_of(*rows: dict[str, str] | list[str]) -> str:
    """A CSV of rows given as cells, or as answers under their names."""
    file = io.StringIO()
    for row in rows:
        csv.writer(file, lineterminator="\n").writerows([row] if isinstance(row, list) else [list(row), list(row.values())])
    return file.getvalue()


def book_of(**sheets: list[list[str]]) -> bytes:
    book = openpyxl.Workbook()
    book.remove(book.active)  # type: ignore[arg-type]
    for title, rows in sheets.items():
        sheet = book.create_sheet(title.replace("_", " ") if title.startswith("Sheet") else title)
        for row in rows:
            sheet.append(row)
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def sheet(answers: dict[str, str]) -> list[list[str]]:
    return [list(answers), list(answers.values())]


def said(workspace: Workspace) -> list[tuple[str, str]]:
    return table(workspace, "problems", "rule, message")


def test_every_sheet_is_read_or_named(workspace: Workspace, take_in: Take) -> None:
    notes = [["Things to remember"], ["buy twine"]]
    done = take_in({"march.xlsx": book_of(open_group=sheet(OPENING), stock_count=sheet(COUNT), Notes=notes)})
    assert done.states["accepted"] == 2
    assert said(workspace) == [
        ("sheet_not_read", "march.xlsx, sheet Notes: not read, as no row of it names questions of a form.")
    ]
    assert done.notes == 1


def test_the_file_s_name_says_what_sheets_without_one_are(workspace: Workspace, take_in: Take) -> None:
    later = sheet(COUNT)
    later[1] = ["2026-05-02" if cell == COUNT["visit_date"] else cell for cell in later[1]]
    book = book_of(Sheet1=sheet(COUNT), Sheet2=later)
    done = take_in({"open_group.csv": text_of(OPENING), "stock_count-2026-05.xlsx": book})
    assert done.states["accepted"] == 3 and said(workspace) == []


def test_a_title_above_the_heading_is_no_row(workspace: Workspace, take_in: Take) -> None:
    titled = [["Counts of April"], [], *sheet(COUNT)]
    done = take_in({"open_group.csv": text_of(["Openings, February"], OPENING), "stock_count.xlsx": book_of(Sheet_1=titled)})
    assert done.states["accepted"] == 2 and said(workspace) == []
    assert table(workspace, "submissions", "source", "form_id = 'stock_count'") == [("stock_count.xlsx, row 4",)]


def headings(workspace: Workspace, language: str) -> list[str]:
    form = workspace.forms["stock_count"]
    return [
        {"E": "Group code", "P": "Código do grupo"}.get(language[0], "CODIGO DEL GRUPO")
        if n == "group_code"
        else form.question(n).label(language)
        for n in COUNT
    ]


@pytest.mark.parametrize("how", ["English (en)", "Español (es)", "Português (pt)", "loud", "path", "colon"])
def test_headings_match_by_name_label_and_spelling(how: str, workspace: Workspace, take_in: Take) -> None:
    ways = {
        "loud": lambda n: f" {n.replace('_', ' ').upper()} ",
        "path": lambda n: f"grp/{n}",
        "colon": lambda n: f"data:count.x-{n}",
    }
    head = [ways[how](n) for n in COUNT] if how in ways else headings(workspace, how)
    done = take_in({"open_group.csv": text_of(OPENING), "stock_count.csv": text_of(head, list(COUNT.values()))})
    assert said(workspace) == [] and done.states["accepted"] == 2


def test_columns_that_fit_nothing_and_that_are_missing_are_said_once(workspace: Workspace, take_in: Take) -> None:
    head = ["visit_date", "staff_code", "group_code", "coverage", "how many", "weather"]
    rows = [[f"2026-04-{day:02}", "S02", "26-0012-39", "whole", "938", "fine"] for day in range(1, 29)]
    done = take_in({"open_group.csv": text_of(OPENING), "stock_count.csv": text_of(head, *rows)})
    assert done.states["quarantined"] == 28 and done.stops == 1
    assert said(workspace) == [
        (
            "missing_column",
            "stock_count.csv: it has no column for counted of stock_count, so 28 rows are kept out; "
            "the columns how many, weather fit no question.",
        )
    ]


def test_a_column_too_many_is_said_once_and_keeps_nothing_out(workspace: Workspace, take_in: Take) -> None:
    done = take_in({"open_group.csv": text_of({**OPENING, "weather": "fine"})})
    assert done.states["accepted"] == 1
    assert said(workspace) == [("unknown_column", "open_group.csv: weather fits no question of open_group.")]


def test_columns_of_other_forms_in_one_table_are_no_strangers(workspace: Workspace, take_in: Take) -> None:
    head = ["form_id", *dict.fromkeys((*OPENING, *COUNT))]
    rows = [[{"form_id": f, **row}.get(h, "") for h in head] for f, row in (("open_group", OPENING), ("stock_count", COUNT))]
    done = take_in({"all.csv": text_of(head, *rows)})
    assert done.states["accepted"] == 2 and said(workspace) == []


def test_the_form_is_told_by_an_option_and_stays_told(workspace: Workspace) -> None:
    path = workspace.inbox / "monday.csv"
    path.write_text(text_of(OPENING), encoding="utf-8")
    assert run.import_files(workspace, [path]).states["quarantined"] == 1
    assert "there is no such form" in formpack("import", "--form", "opening", str(path), cwd=workspace.folder, code=2)
    formpack("import", "--form", "open_group", str(path), cwd=workspace.folder)
    assert table(workspace, "submissions", "form_id, state") == [("open_group", "accepted")]
    with Store.open(workspace.store_file) as store:
        assert run.differs_when_rebuilt(store, workspace) == []
        run.rebuild(store, workspace)
    assert table(workspace, "submissions", "form_id, state") == [("open_group", "accepted")]


def test_the_form_is_told_by_a_column_and_by_a_title(workspace: Workspace, take_in: Take) -> None:
    count = {**COUNT, "form_id": "stock_count"}
    titles = workspace.forms["open_group"].title_in("Español (es)")
    done = take_in({"all.csv": text_of(count), "work.xlsx": book_of(**{titles: sheet(OPENING), "other": [["x"]]})})
    assert done.states["accepted"] == 2


def test_a_form_that_changes_sees_old_tables_anew(workspace: Workspace, take_in: Take, tmp_path: Path) -> None:
    """What columns mean depends on the forms; tables are read again as if they came now."""
    import shutil

    from formpack import shipped

    rain = {**COUNT, "Rain": "3"}
    take_in({"open_group.csv": text_of(OPENING), "stock_count.csv": text_of(rain)})
    assert [r for r, _ in said(workspace)] == ["unknown_column"]
    own = workspace.folder / "forms" / "stock_count"
    shutil.copytree(shipped("forms") / "stock_count", own)
    lines = (own / "survey.csv").read_text(encoding="utf-8").splitlines()
    head = next(csv.reader([lines[0]]))
    row = {"type": "integer", "name": "rain_mm", **{h: "Rain" for h in head if h.startswith("label")}}
    at = next(i for i, line in enumerate(lines) if line.startswith("include,close"))
    lines.insert(at, text_of([row.get(h, "") for h in head]).strip())
    (own / "survey.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    changed = Workspace(workspace.folder)
    run.import_files(changed, [])
    assert [r for r, _ in said(changed)] == []
    with looked_at(changed) as store:
        assert store.value("SELECT rain_mm FROM answers.stock_count") == 3
    with Store.open(changed.store_file) as store:
        assert run.differs_when_rebuilt(store, changed) == []


def test_paper_is_written_and_what_is_typed_into_it_comes_in(workspace: Workspace) -> None:
    phone.write_paper(workspace)
    for form_id in workspace.forms:
        page = (workspace.paper / f"{form_id}.html").read_text(encoding="utf-8")
        assert page.count("<tr") >= 4 and "{" not in page.split("</style>")[1]
    for form_id, answers in (("open_group", OPENING), ("stock_count", COUNT)):
        path = workspace.paper / f"{form_id}.xlsx"
        book = openpyxl.load_workbook(path)
        typed = book[form_id]
        names = [c.value for c in typed[2]]
        assert len(typed.data_validations.dataValidation) >= 2
        for name, text in answers.items():
            typed.cell(3, names.index(name) + 1, int(text) if text.isdigit() else text)
        book.save(workspace.inbox / path.name)
    done = run.import_files(workspace, [workspace.inbox])
    assert said(workspace) == [] and done.states["accepted"] == 2
