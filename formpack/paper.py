"""Form -> paper: a workbook to type what was written by hand into, and a sheet to print and fill in by hand."""

from __future__ import annotations

import base64
import html
import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import openpyxl
from openpyxl.styles import Alignment, Font, PatternFill
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.datavalidation import DataValidation

from formpack.catalog import LANGUAGES, Form, Question
from formpack.headings import GROUP_WORDS
from formpack.pictures import COLUMN
from formpack.submission import CODES_SHEET
from formpack.words import tr

ROWS = 500
"""Rows of the workbook that offer codes to choose from."""
VISITS = 8
"""Columns of the printed sheet, one for each group or visit."""
Choices = Sequence[tuple[str, str]]
"""Codes with what people call them."""


def asked(form: Form) -> list[Question]:
    """The questions that a person answers, in order; a code that the phone makes of several by itself."""
    return [q for q in form.kept if not q.is_metadata and (q.type != "calculate" or q.required)]


def _label(q: Question, language: str) -> str:
    of_group = dict(zip(LANGUAGES, GROUP_WORDS, strict=False)).get(language, GROUP_WORDS[0])
    return of_group if q.ledger == "group" and q.label(language) == q.name else q.label(language)


def _choices(form: Form, q: Question, lists: Mapping[str, Choices], language: str) -> Choices:
    if q.type == "select_one_from_file":
        return lists.get(q.list_name, ())
    if q.type in ("select_one", "select_multiple"):
        return [(row["name"], row.get(f"label::{language}") or row["name"]) for row in form.choices[q.list_name]]
    return ()


def typing_workbook(form: Form, lists: Mapping[str, Choices], language: str) -> bytes:
    """A workbook to type the form's answers into: labels above the names of the questions, codes to choose from in the cells.
    It is read by `formpack import` as it stands."""
    book = openpyxl.Workbook()
    sheet: Any = book.active
    sheet.title = form.form_id[:31]
    codes: Any = book.create_sheet(CODES_SHEET)
    codes.sheet_state = "hidden"
    questions = asked(form)
    sheet.append([_label(q, language) for q in questions])
    sheet.append([q.name for q in questions])
    for position, q in enumerate(questions, start=1):
        letter = get_column_letter(position)
        sheet.column_dimensions[letter].width = max(12, min(24, len(_label(q, language))))
        above, name = sheet.cell(1, position), sheet.cell(2, position)
        above.alignment, name.font = Alignment(wrap_text=True, vertical="top"), Font(bold=True)
        above.fill = name.fill = PatternFill("solid", fgColor="D9E4CF" if q.required else "EDF2E8")
        for row in range(3, ROWS + 3):
            if q.value_type != "integer":
                sheet.cell(row, position).number_format = "yyyy-mm-dd" if q.value_type == "date" else "@"
        some = _choices(form, q, lists, language)
        if some and q.type != "select_multiple":
            for row, (code, label) in enumerate(some, start=1):
                codes.cell(row, 2 * position - 1, code)
                codes.cell(row, 2 * position, label)
            column = get_column_letter(2 * position - 1)
            source = f"={CODES_SHEET}!${column}$1:${column}${len(some)}"
            choose = DataValidation("list", formula1=source, allow_blank=True, showErrorMessage=True)
            choose.errorTitle, choose.error = q.name, tr("Choose one of the codes of the list.")
            named = "; ".join(f"{code}: {label}" for code, label in some)
            choose.showInputMessage, choose.promptTitle = True, q.name
            choose.prompt = named if len(named) <= 250 else named[:247] + "..."
            choose.add(f"{letter}3:{letter}{ROWS + 2}")
            sheet.add_data_validation(choose)
    sheet.freeze_panes = "A3"
    for cell in (c for some in (sheet[1], *codes.iter_rows()) for c in some if isinstance(c.value, str)):
        cell.data_type = "s"  # never a spreadsheet formula
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


_STYLE = """
@page { size: A4 landscape; margin: 10mm } body { font: 10pt sans-serif } h1 { font-size: 14pt; margin: 0 0 2mm }
table { border-collapse: collapse; width: 100%; page-break-inside: auto } tr { page-break-inside: avoid }
th, td { border: 0.3mm solid #444; padding: 1mm; text-align: left; vertical-align: top; height: 6mm }
th { width: 30%; font-weight: normal } td { width: 8.7% } small { color: #444 } .optional { background: #f2f2f2 }
img { float: right; width: 21mm; max-height: 21mm; margin-left: 2mm; mix-blend-mode: multiply }
"""
_SHOWN = 12
"""Codes that are written out beside a question; of a longer list they are on a sheet of their own below."""


def _picture(q: Question, language: str, pictures: Mapping[str, Path]) -> str:
    path = pictures.get(q.cells.get(f"{COLUMN}{language}", ""))
    if path is None:
        return ""
    kind = "png" if path.suffix == ".png" else "jpeg"
    return f'<img alt="" src="data:image/{kind};base64,{base64.b64encode(path.read_bytes()).decode()}">'


def printed_sheet(form: Form, lists: Mapping[str, Choices], language: str, pictures: Mapping[str, Path]) -> str:
    """A page to print: a line for each question with its picture and the codes that answer it, a column for each visit."""
    lines, below = [], []
    for q in asked(form):
        some = _choices(form, q, lists, language)
        said = ", ".join(f"{code} {label}" if label != code else code for code, label in some)
        if len(some) > _SHOWN:
            below.append(f"<h2>{html.escape(_label(q, language))} ({q.name})</h2><p>{html.escape(said)}</p>")
            said = tr("codes below")
        hint = q.cells.get(f"hint::{language}", "") or ("YYYY-MM-DD" if q.value_type == "date" else "")
        small = "".join(f"<br><small>{html.escape(x)}</small>" for x in (hint, said) if x)
        kind = "" if q.required else ' class="optional"'
        shown = _picture(q, language, pictures)
        lines.append(f"<tr{kind}><th>{shown}{html.escape(_label(q, language))}{small}</th>{'<td></td>' * VISITS}</tr>")
    return (
        f'<!doctype html><html><head><meta charset="utf-8"><title>{html.escape(form.title)}</title><style>{_STYLE}</style>'
        f"</head><body><h1>{html.escape(form.title)} ({form.form_id})</h1><table>{''.join(lines)}</table>"
        f"{''.join(below)}</body></html>\n"
    )
