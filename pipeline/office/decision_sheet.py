"""The workbook that lists of problems and of records go out in: a row to decide on each, what may be chosen beside it."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from formpack.catalog import Form, text_in
from formpack.readers import cell_text
from formpack.sheets import Spent, Unopened, sheets_of
from formpack.words import in_each_language, marked, place, tr
from pipeline.findings import Refused
from pipeline.office.desk import DECISIONS, Decided
from pipeline.outputs import one_file
from pipeline.tables import labels, plain_cell

OPEN = {marked("decision"): 16, marked("question"): 16, marked("new answer"): 16, marked("reason"): 30}
"""The columns for the clerk, and how wide they are; the others only tell."""
BEHIND = {marked("file"): 24, marked("row"): 8, marked("rule"): 18, marked("submission"): 46, marked("row key"): 24}
"""What every list ends with: where it came from, and what the program finds it by."""
SHEETS = (marked("problems"), marked("records"))
QUESTIONS, CHOICES = marked("questions"), marked("choices")
"""Titles of sheets: the list itself, and what it is looked up in."""
_HINTS = {
    "decision": marked(
        "{accept}: nothing is wrong (notes and double entries only). {correct}: give the question, the new answer and why."
        " {withdraw}: it counts for nothing. {leave}: decide later."
    ),
    "question": marked(
        "The name of the question to correct. Change it when another answer of the same submission is the wrong one. The sheet"
        " `{questions}` has them all. For a second answer, copy the row."
    ),
    "new answer": marked(
        "As a phone would send it: digits, a day as 2026-03-02, a code. Where there is a list to choose from, the cell offers"
        " it, and the sheet `{choices}` says what each code means. Empty takes the answer away."
    ),
    "reason": marked("Why, in a few words. Without it the row is refused."),
}
_ASKS = {
    "integer": marked("a whole number"),
    "decimal": marked("a number, with a point"),
    "date": marked("a day, as 2026-03-02"),
    "code": marked("a group code, as 26-0012-39"),
    "text": marked("words"),
}
Choices = Mapping[str, Mapping[str, str]]
"""The codes of each list of the workspace, and what they mean."""


@dataclass(frozen=True)
class Row:
    """One row of a list: what it tells, by heading, and the form and question that it is about ('' where none is)."""

    tells: Mapping[str, Any]
    form_id: str = ""
    question: str = ""


def place_in_file(name: str | None, where: str) -> str | int | None:
    """Where in the file called `name` a submission stood, from its whole place: the number of a row, or a member's name."""
    inside = where.removeprefix(name or "").lstrip(":, ")
    found = re.fullmatch(r"(?:row|line|item) ([0-9]+)", inside)
    return int(found[1]) if found else place(inside) or None


def write_sheet(
    path: Path, title: str, columns: Mapping[str, int], rows: Sequence[Row], forms: dict[str, Form], lists: Choices
) -> None:
    """Write the workbook: `columns` (heading and width) of which those in OPEN are empty but for the question, then BEHIND.
    Nothing is locked: the row key shows what has been changed that should not be."""
    import openpyxl
    from openpyxl.comments import Comment
    from openpyxl.styles import Alignment, Font, PatternFill
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.properties import PageSetupProperties

    book = openpyxl.Workbook()
    sheet: Any = book.active
    sheet.title = tr(title)[:31]
    sheet.append([tr(name) for name in columns])
    decisions = dict(zip(("accept", "correct", "withdraw", "leave"), map(tr, DECISIONS), strict=True))
    told = {**decisions, "questions": tr(QUESTIONS), "choices": tr(CHOICES)}
    letters = {name: get_column_letter(position) for position, name in enumerate(columns, start=1)}
    for name, width in columns.items():
        head = sheet[f"{letters[name]}1"]
        head.font, head.fill = Font(bold=True), PatternFill("solid", fgColor="F0DDB8" if name in OPEN else "D9E4CF")
        head.alignment = Alignment(vertical="top")
        if name in _HINTS:
            head.comment = Comment(tr(_HINTS[name], **told), "formpack", width=360, height=130)
        sheet.column_dimensions[letters[name]].width = width
    wrapped = Alignment(wrap_text=True, vertical="top")
    soft = PatternFill("solid", fgColor="FBF4E6")
    for row in rows:
        tells = {**row.tells, "question": row.question or None}
        sheet.append([plain_cell(tells.get(name)) for name in columns])
        lines = max(math.ceil(len(str(tells.get(name) or "")) / (width * 0.95)) for name, width in columns.items())
        sheet.row_dimensions[sheet.max_row].height = 15 * min(max(1, lines), 12)
        for name, cell in zip(columns, sheet[sheet.max_row], strict=True):
            cell.alignment = wrapped
            if isinstance(cell.value, str):
                cell.data_type = "s"
                cell.quotePrefix = cell.value.startswith(("=", "+", "-", "@"))
            if name in OPEN:
                cell.fill = soft
            if name == "new answer":
                cell.number_format = "@"  # so that 007 and 26-0012-39 stay what was typed
            if name == "date":
                cell.number_format = "yyyy-mm-dd"
    _offer(book, sheet, letters, rows, forms, lists)
    sheet.freeze_panes = "A2"
    sheet.auto_filter.ref = f"A1:{letters['row key']}{len(rows) + 1}"
    sheet.page_setup.orientation, sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = "landscape", 1, 0
    sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
    sheet.print_title_rows = "1:1"
    with one_file(path) as beside:
        book.save(beside)


def _offer(
    book: Any, sheet: Any, letters: Mapping[str, str], rows: Sequence[Row], forms: dict[str, Form], lists: Choices
) -> None:
    """Cells that offer what may be chosen, from the sheets `choices` and `questions` that are put behind the list."""
    asked = [forms[form_id] for form_id in sorted({r.form_id for r in rows}) if form_id in forms]
    questions, choices = _questions(asked), _choices(asked, lists)
    of_form = _put(book, tr(QUESTIONS), (tr("form"), tr("question"), tr("asks"), tr("answer")), questions)
    of_list = _put(book, tr(CHOICES), (tr("list"), tr("code"), tr("means")), choices)
    last = max(2, len(rows) + 1)
    offered = [tr(decision) for decision in DECISIONS]
    says = tr("Choose one of: {decisions}", decisions=", ".join(offered))
    _choose(sheet, f'"{",".join(offered)}"', f"{letters['decision']}2:{letters['decision']}{last}", says)
    cells: dict[tuple[str, str, str], list[int]] = {}
    for number, row in enumerate(rows, start=2):
        if row.form_id in of_form:
            cells.setdefault(("question", of_form[row.form_id], row.form_id), []).append(number)
        if row.form_id in forms and (source := of_list.get(_source(forms[row.form_id], row.question))):
            cells.setdefault(("new answer", source, row.question), []).append(number)
    for (column, source, about), numbers in sorted(cells.items()):
        says = tr("{question} is one of the list shown.", question=about)
        if column == "question":
            says = tr("The form {form} asks no such question.", form=about)
        where = " ".join(f"{letters[column]}{a}:{letters[column]}{b}" for a, b in _runs(numbers))
        _choose(sheet, source, where, says, is_strict=column == "question")


def _choose(sheet: Any, source: str, cells: str, says: str, is_strict: bool = True) -> None:
    """Let the cells be chosen from a list. Where it is not strict another entry is asked about, and may stay."""
    from openpyxl.worksheet.datavalidation import DataValidation

    offer = DataValidation("list", formula1=source, allow_blank=True, showErrorMessage=True, sqref=cells)
    offer.error, offer.errorTitle, offer.errorStyle = (
        says[:250],
        tr("Choose from the list")[:32],
        "stop" if is_strict else "warning",
    )
    sheet.add_data_validation(offer)


def _runs(numbers: Sequence[int]) -> Iterator[tuple[int, int]]:
    """Rising numbers as runs of neighbours: (first, last)."""
    first = last = numbers[0]
    for number in numbers[1:]:
        if number != last + 1:
            yield first, last
            first = number
        last = number
    yield first, last


def _put(book: Any, title: str, heading: Sequence[str], rows: Sequence[Sequence[str]]) -> dict[str, str]:
    """A sheet to look things up in, by its first column; gives back where the second column of each stands."""
    from openpyxl.styles import Font

    sheet = book.create_sheet(title)
    sheet.append(list(heading))
    where: dict[str, tuple[int, int]] = {}
    for number, row in enumerate(rows, start=2):
        sheet.append([plain_cell(text) for text in row])
        for cell in sheet[number]:
            cell.data_type = "s"
            cell.number_format = "@"
        where[row[0]] = where.get(row[0], (number, number))[0], number
    for cell, width in zip(sheet[1], (20, 24, 60, 40), strict=False):
        cell.font = Font(bold=True)
        sheet.column_dimensions[cell.column_letter].width = width
    sheet.freeze_panes = "A2"
    return {name: f"'{title}'!$B${first}:$B${last}" for name, (first, last) in where.items()}


def _source(form: Form, question: str) -> str:
    """The list that the answers of a question come from, as the sheet `choices` names it; '' where there is none."""
    q = next((q for q in form.kept if q.name == question), None)
    return "" if q is None or not q.type.startswith("select_one") else q.list_name


def _questions(forms: Sequence[Form]) -> list[tuple[str, str, str, str]]:
    found = []
    for form in forms:
        names = labels({form.form_id: form})
        for q in form.kept:
            if not q.is_metadata:
                kind = tr(_ASKS[q.value_type])
                if q.type.startswith("select_one"):
                    kind = tr("one of the list {list}", list=q.list_name)
                elif q.type == "select_multiple":
                    kind = tr("some of the list {list}, parted by spaces", list=q.list_name)
                found.append((form.form_id, q.name, names.get(q.name, q.name), kind))
    return found


def _choices(forms: Sequence[Form], lists: Choices) -> list[tuple[str, str, str]]:
    """The lists that the forms ask for. Of two forms' fixed lists of one name the codes stand together."""
    found: dict[str, dict[str, str]] = {}
    for form in forms:
        for q in form.kept:
            if q.type in ("select_one", "select_multiple"):
                fixed = {row["name"]: text_in(row, "label") for row in form.choices[q.list_name]}
                found[q.list_name] = found.get(q.list_name, {}) | fixed
            elif q.type == "select_one_from_file" and q.list_name in lists:
                found[q.list_name] = dict(lists[q.list_name])
    return [(name, code, means) for name, codes in sorted(found.items()) for code, means in codes.items()]


def read_sheet(path: Path) -> Iterator[Decided]:
    """The rows with a decision. A row that a person added stands on what was written from another row about the same
    submission. Raises Refused when it is not a list of this program."""
    if not path.exists():
        raise Refused(tr("{file} is not there; `formpack problems --to {name}` writes the list.", file=path, name=path.name))
    if path.suffix.lower() != ".xlsx":
        said = marked("{file} is not a list of problems or records as it was written; save it as .xlsx, and name that.")
        raise Refused(tr(said, file=path.name or path))
    try:  # a formula stays its text: what it would come to is nobody's decision
        sheets = {sheet.title: sheet for sheet in sheets_of(path, as_written=True)}
    except (Unopened, Spent, OSError) as wrong:
        said = marked("{file} is not a list of problems or records ({why}); write a new one with `formpack problems --to`.")
        raise Refused(tr(said, file=path.name, why=str(wrong))) from None
    sheet = next((sheets[title] for title in _titles() if title in sheets), None)
    rows = {} if sheet is None else {number: [cell_text(v) for v in row] for number, row in sheet.rows}
    needed = (*OPEN, "rule", "submission", "row key")
    head = rows.pop(1, [])
    if not set(needed) <= set(head):
        meant = {said: name for name in needed for said in in_each_language(name).values()}
        head = [meant.get(cell, cell) for cell in head]
    if not set(needed) <= set(head):
        said = marked("{file}, row 1: these headings are missing: {names}. Write a new list with `formpack problems --to`.")
        raise Refused(tr(said, file=path.name, names=", ".join(tr(c) for c in needed if c not in head)))
    if twice := [c for c in dict.fromkeys(needed) if head.count(c) > 1]:
        said = marked("{file}, row 1: these headings stand more than once: {names}. Take out the columns added.")
        raise Refused(tr(said, file=path.name, names=", ".join(map(tr, twice))))
    cells = {n: dict.fromkeys(head, "") | dict(zip(head, row, strict=False)) for n, row in rows.items()}
    written: dict[str, tuple[str, str]] = {}
    for row in cells.values():
        if row["row key"]:
            written.setdefault(row["submission"], (row["rule"], row["row key"]))
    for number, row in cells.items():
        decision = _decision(row["decision"])
        if decision and decision != "leave":
            if not row["row key"]:
                row["rule"], row["row key"] = written.get(row["submission"], ("", ""))
            yield Decided(number, decision, *(row[name] for name in needed[1:]))


def _decision(text: str) -> str:
    """The decision that is written in any language, whatever its capitals and spaces; another text as it is."""
    plain = " ".join(text.casefold().split())
    if not plain or plain in DECISIONS:
        return plain
    return next((d for d in DECISIONS if plain in (said.casefold() for said in in_each_language(d).values())), text)


def _titles() -> Iterator[str]:
    """The titles that the sheet of a list may have, in any language."""
    yield from SHEETS
    for title in SHEETS:
        yield from (said[:31] for said in in_each_language(title).values())
