"""Form -> a complete XLSForm workbook: what a phone's form software takes, and what a person likes to edit."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence

import openpyxl
from openpyxl.styles import Alignment, Font, PatternFill
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet

from formpack.catalog import Form

_FIRST = ("type", "name", "list_name")
_WIDTHS = {
    "type": 24,
    "name": 18,
    "label": 38,
    "hint": 30,
    "constraint_message": 38,
    "constraint": 34,
    "relevant": 30,
    "calculation": 40,
}


_TOP, _BOLD = Alignment(wrap_text=True, vertical="top"), Font(bold=True)
_OF_A_PART, _HEAD = (PatternFill("solid", fgColor=color) for color in ("EDF2E8", "D9E4CF"))


def _fill(sheet: Worksheet, rows: Sequence[Mapping[str, str]]) -> None:
    columns = list(dict.fromkeys(k for row in rows for k in row if k and k not in ("part",)))
    columns.sort(key=lambda c: _FIRST.index(c) if c in _FIRST else len(_FIRST))
    sheet.append(columns)
    for row in rows:
        sheet.append([row.get(c) or None for c in columns])
        if row.get("type", "").startswith(("begin_", "end_")):
            for cell in sheet[sheet.max_row]:
                cell.fill = _OF_A_PART
    for cell in sheet[1]:
        cell.font, cell.fill = _BOLD, _HEAD
    for position, column in enumerate(columns, start=1):
        sheet.column_dimensions[get_column_letter(position)].width = _WIDTHS.get(column.split("::")[0], 16)
    for line in sheet.iter_rows(min_row=2):
        for cell in line:
            if cell.value is not None:
                cell.alignment = _TOP
                cell.data_type = "s"  # never a spreadsheet formula
    sheet.freeze_panes = "C2"


def form_workbook(form: Form, version: str | None = None, language: str | None = None) -> bytes:
    """The .xlsx of a form: sheets survey, choices, settings. `version` stands in for the sheet's own.

    The standard has one title a form, so it is the one in `language`, in which the phone also begins; without one, or where
    the form does not speak it, that of its own `default_language`.
    """
    book = openpyxl.Workbook()
    survey = book.active
    assert isinstance(survey, Worksheet)
    survey.title = "survey"
    _fill(survey, form.rows)
    choices = [choice for rows in form.choices.values() for choice in rows]
    if choices:
        _fill(book.create_sheet("choices"), choices)
    settings = {k: v for k, v in form.settings.items() if not k.startswith("form_title::")} | {
        "version": version or form.version
    }
    if language is None or language not in form.languages:
        language = form.settings.get("default_language", "") or form.languages[0]
    settings |= {"form_title": form.title_in(language), "default_language": language}
    _fill(book.create_sheet("settings"), [settings])
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()
