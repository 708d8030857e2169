"""docs/OWN_FORM.md is done as it stands: its tables are typed into workbooks, its commands run, what it shows compared."""

from __future__ import annotations

import csv
import datetime as dt
import re
import shlex
from collections.abc import Mapping
from pathlib import Path

import openpyxl
import pytest

from formpack.catalog import load_forms
from formpack.xform import to_xform, validator_verdicts
from pipeline.workspace import Workspace
from tests.cli.test_cli import formpack
from tests.conftest import ROOT, new_workspace, table
from tests.engine.phone import Phone

PAGE = (ROOT / "docs" / "OWN_FORM.md").read_text(encoding="utf-8")
PARTS = dict(re.findall(r"^## (\d)\. .*?\n(.*?)(?=^## |\Z)", PAGE, re.M | re.S))
WATER, TREES = "water_check", "tree_height"
Cells = list[list[str]]


def tables(part: str) -> list[Cells]:
    """The tables of a section: rows of cells, the headings first."""
    found = re.findall(r"(?:^\|.*\n)+", PARTS[part], re.M)
    lines = [[line for line in table.splitlines() if not line.startswith("| ---")] for table in found]
    return [[[cell.strip() for cell in line.split("|")[1:-1]] for line in table] for table in lines]


def sheets(form_id: str) -> dict[str, Cells]:
    if form_id == WATER:
        survey, choices, settings, _ = tables("1")
        return {"survey": survey, "choices": choices, "settings": settings}
    survey, settings, _ = tables("6")
    return {"survey": survey, "settings": settings}


def save(path: Path, made: Mapping[str, Cells]) -> None:
    """As a spreadsheet program does: numbers are numbers, and empty cells are none."""
    book = openpyxl.Workbook()
    del book["Sheet"]
    for name, rows in made.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append([int(cell) if cell.isdigit() else cell or None for cell in row])
    book.save(path)


def type_in(folder: Path, form_id: str, table: Cells) -> None:
    """The record of a table, typed into the form's workbook in paper/ and saved in inbox/."""
    book = openpyxl.load_workbook(folder / "paper" / f"{form_id}.xlsx")
    sheet = book[form_id]
    columns = {cell.value: cell.column for cell in sheet[2]}
    for name, text in zip(*table, strict=True):
        sheet.cell(3, columns[name]).value = dt.date.fromisoformat(text) if name == "visit_date" else text
    book.save(folder / "inbox" / f"{form_id}.xlsx")


def follow(folder: Path, said: str) -> None:
    """Run the commands of a part of the page: it shows all that they print, but for lines `...`."""
    blocks = re.findall(r"^```(sh|text)\n(.*?)^```", said, re.M | re.S)
    assert blocks
    printed: list[str] = []
    for kind, text in blocks:
        if kind == "sh":
            printed = [line for command in text.splitlines() for line in run(folder, command)]
        else:
            shown = "".join(r"(.*\n)*" if line == "..." else re.escape(f"{line}\n") for line in text.splitlines())
            assert re.fullmatch(shown, "".join(f"{line}\n" for line in printed)), printed


def run(folder: Path, line: str) -> list[str]:
    program, *words = shlex.split(line)
    assert program == "formpack"
    return formpack(*words, cwd=folder, code=None).splitlines()


def translated() -> dict[str, Cells]:
    made, (head, *rows) = sheets(WATER), tables("7")[0]
    told = {name: texts for name, *texts in rows}
    for sheet in ("survey", "choices"):
        columns = [c for c in head[1:] if c.replace("Español (es)", "English (en)") in made[sheet][0]]
        texts = {name: [text for c, text in zip(head[1:], told[name], strict=True) if c in columns] for name in told}
        first, *others = made[sheet]
        made[sheet] = [first + columns, *(row + texts.get(row[1], [""] * len(columns)) for row in others)]
    heading, title = re.findall(r"`(form_title::[^`]+)` with `([^`]+)`", PARTS["7"])[0]
    made["settings"] = [[*made["settings"][0], heading], [*made["settings"][1], title]]
    return made


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A nursery with a group and, to be quick, two shipped forms and no validator; a phone's engine has a test of its own."""
    shipped = {form_id: form for form_id, form in load_forms().items() if form_id in ("open_group", "loss")}
    monkeypatch.setattr("formpack.catalog._shipped_forms", lambda: shipped)
    monkeypatch.setattr("formpack.xform.has_java", lambda: False)
    made = new_workspace(tmp_path / "nursery").folder
    (made / "lists" / "limits.csv").write_text("code,place,what,low,high,active\n", encoding="utf-8")
    (made / "inbox" / "open_group.csv").write_text(
        "KEY,visit_date,staff_code,group_code,seed_lot,rootstock,sow_date,lifted,cull_off_type,cull_bent_root,"
        "cull_etiolated,cull_weak,cull_other,planted,location\n"
        "o1,2026-02-01,S01,26-0001-72,L2601-CARR,CARRIZO,2025-11-01,1000,40,5,0,15,0,940,H1\n",
        encoding="utf-8",
    )
    return made


def test_the_page_is_done_from_nothing_to_the_end(folder: Path) -> None:
    ws = Workspace(folder)
    save(folder / "forms" / f"{WATER}.xlsx", sheets(WATER))
    follow(folder, PARTS["2"])
    type_in(folder, WATER, tables("3")[0])
    follow(folder, PARTS["4"])
    for command, _ in tables("4")[0][1:]:
        run(folder, command.strip("`"))
    typed = dict(zip(*tables("3")[0], strict=True))
    with (folder / "reports" / "tables" / f"answers_{WATER}.csv").open(encoding="utf-8", newline="") as file:
        (row,) = csv.DictReader(file)
    assert {name: row[name] for name in typed} == typed and row["state"] == "accepted"
    assert table(ws, "readings", "what, state") == [("water_ec", "no limits"), ("water_ph", "no limits")]
    assert "Water check" in (folder / "reports" / "inspection" / "inspection.html").read_text(encoding="utf-8")
    assert any((folder / "backup").rglob(f"*{WATER}*"))

    limits = "\n".join(",".join(row) for row in tables("5")[0]) + "\n"
    (folder / "lists" / "limits.csv").write_text(limits, encoding="utf-8")
    follow(folder, PARTS["5"])
    assert table(ws, "readings", "what, state") == [("water_ec", "within"), ("water_ph", "above")]

    save(folder / "forms" / f"{TREES}.xlsx", sheets(TREES))
    check, mark, record = PARTS["6"].partition("A record typed")
    follow(folder, check)
    type_in(folder, TREES, tables("6")[2])
    follow(folder, mark + record)
    assert table(ws, f"answers_{TREES}", "height_9, mean_cm") == [(66, None)], "what a phone works out is not typed"

    made = translated()
    save(folder / "forms" / f"{WATER}.xlsx", made)
    follow(folder, PARTS["7"])
    assert load_forms(folder / "forms")[WATER].title_in("Español (es)") == "Control del agua"

    made["survey"] = [row for row in made["survey"] if row[1] != "filter"]
    head, cells = made["settings"]
    made["settings"] = [[*head, "active"], [*cells, "no"]]
    save(folder / "forms" / f"{WATER}.xlsx", made)
    follow(folder, "```sh\nformpack forms\n```\n" + PARTS["9"])
    assert not list(folder.glob(f"p*/{WATER}.*")) and len(list(folder.glob(f"p*/{TREES}.*"))) == 4
    (folder / "inbox" / f"{WATER}.csv").write_text(
        "KEY,visit_date,staff_code,location,filter_cleaned\nw2,2026-11-02,S02,H1,yes\n", encoding="utf-8"
    )
    formpack("import", cwd=folder, code=None)
    assert table(Workspace(folder), f"answers_{WATER}", "state") == [("accepted",)] * 2
    counted = table(Workspace(folder), f"answers_{WATER}", "count(COLUMNS('filter.*'))")
    assert counted == [(2,)], "filter_cleaned alone is left"
    assert "some" in formpack("history", row["instance_id"], cwd=folder), "what was answered is kept"


@pytest.mark.parametrize(("sheet", "row", "column", "typed", "says"), tables("2")[0][1:])
def test_the_commonest_mistakes_are_said_as_the_page_shows(
    sheet: str, row: str, column: str, typed: str, says: str, folder: Path
) -> None:
    made = sheets(WATER)
    made[sheet][int(row) - 1][made[sheet][0].index(column)] = typed
    save(folder / "forms" / f"{WATER}.xlsx", made)
    said = formpack("forms", cwd=folder, code=2)
    (line,) = said.splitlines()
    assert line.startswith(says.removesuffix("...")) and (says.endswith("...") or line == says)
    assert not (folder / "phone" / f"{WATER}.xml").exists()


def test_an_id_that_is_taken_is_said(folder: Path) -> None:
    made = sheets(WATER)
    made["settings"][1][0] = "loss"
    save(folder / "forms" / f"{WATER}.xlsx", made)
    said = formpack("forms", cwd=folder).splitlines()
    assert "Of your own: Water check (loss, 1, in the place of the form Loss)." in said
    assert said[-1] == (
        "your forms/water_check.xlsx: the form_id loss is that of the form Loss, which phones no longer get; if that is not"
        " meant, give yours another form_id."
    )
    made["settings"][1][1] = "Loss"
    save(folder / "forms" / f"{WATER}.xlsx", made)
    assert "if that is not meant" not in formpack("forms", cwd=folder), "the shipped form in other words"


def test_phones_fill_both_in(tmp_path: Path) -> None:
    """The standard's validator and the native engine, outside of this program."""
    for form_id in (WATER, TREES):
        save(tmp_path / f"{form_id}.xlsx", sheets(form_id))
    forms = load_forms(tmp_path)
    made = {form_id: to_xform(forms[form_id], "1") for form_id in (WATER, TREES)}
    for form_id, text in made.items():
        (tmp_path / f"{form_id}.xml").write_text(text, encoding="utf-8")
    for name, text in {"staff": "S01,Ana,yes", "locations": "H1,House 1,yes"}.items():
        (tmp_path / f"{name}.csv").write_text(f"code,label,active\n{text}\n", encoding="utf-8")
    (tmp_path / "groups.csv").write_text("code,facts\n26000172,planted 940 930 950 - - H1 # 26-0001-72\n", encoding="utf-8")
    with Phone() as it:
        answers = {"staff_code": "S01", "location": "H1", "water_ph": "8.1", "filter": "some", "filter_cleaned": "no"}
        assert it.fill(tmp_path / f"{WATER}.xml", answers)[1] == "REQUIRED"
        assert it.ask("SET", "water_ph", "15")[0] == "CONSTRAINT"
        assert it.fill(tmp_path / f"{WATER}.xml", answers | {"why_not": "No time"}) == []
        names, texts = tables("6")[2]
        heights = dict(zip(names[3:], texts[3:], strict=True))
        signed = {"staff_code": "S01", "code_scanned": "26000172"}
        assert it.fill(tmp_path / f"{TREES}.xml", signed | heights) == []
        assert "<mean_cm>61" in it.ask("XML")[1]
    assert validator_verdicts(list(made.values())) == ["", ""]
