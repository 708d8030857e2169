"""The tables of the contract as sheets of one workbook."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import openpyxl
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Alignment, Font, PatternFill
from openpyxl.utils import get_column_letter

from pipeline.store import Store
from pipeline.tables import TABLES, answer_tables, in_order, plain_cell

_RATES = set(
    """
    take_rate low high adjusted adjusted_low adjusted_high p_wrong survival se share cumulative exact_share confidence
    difference lost_share survival_recorded share_recorded published_low published_high chance_enough
    """.split()
)
MOST_ROWS = 20_000
"""Rows of a table that a sheet shows; a spreadsheet opens more slowly than anybody wants, and takes 1,048,576 at most."""
_WIDE = {"message": 70, "advice": 60, "instance_id": 44, "instance_ids": 44, "source": 30, "level": 22}


def write_workbook(store: Store, path: Path) -> None:
    """One sheet a table, headers frozen, dates as dates, rates as percentages, no text that a spreadsheet would run."""
    book = openpyxl.Workbook(write_only=True)
    bold, fill = Font(bold=True), PatternFill("solid", fgColor="D9E4CF")
    shown = {name: columns for name, (_, columns) in TABLES.items()} | answer_tables(store)
    for name, columns in shown.items():
        sheet = book.create_sheet(name[:31])
        sheet.freeze_panes = "B2"
        for position, column in enumerate(columns, start=1):
            sheet.column_dimensions[get_column_letter(position)].width = _WIDE.get(column, max(11, len(column) + 2))
        many = store.value(f'SELECT count(*) FROM main."{name}"')
        rows = store.rows(f"{in_order(name)} LIMIT {MOST_ROWS}")
        sheet.auto_filter.ref = f"A1:{get_column_letter(len(columns))}{len(rows) + 1}"
        head = []
        for column in columns:
            cell = WriteOnlyCell(sheet, column)
            cell.font, cell.fill = bold, fill
            head.append(cell)
        sheet.append(head)
        for row in rows:
            cells: list[Any] = []
            for column, value in zip(columns, row, strict=True):
                is_long = column in ("message", "advice")
                is_run = isinstance(value, str) and value.startswith(("=", "+", "-", "@"))
                if value is None or isinstance(value, int) or (isinstance(value, str) and not is_run and not is_long):
                    cells.append(plain_cell(value))  # a cell with nothing to say of its looks is made much faster
                    continue
                cell = WriteOnlyCell(sheet, plain_cell(value))
                if isinstance(value, str):
                    cell.data_type, cell.quotePrefix = "s", is_run  # a text that begins with = stays a text
                    if is_long:
                        cell.alignment = Alignment(wrap_text=True, vertical="top")
                elif isinstance(value, (dt.date, dt.datetime)):
                    cell.number_format = "yyyy-mm-dd"
                elif column in _RATES and isinstance(value, float) and name != "standing":
                    cell.number_format = "0.0%"
                elif isinstance(value, float):
                    cell.number_format = "0.000"
                cells.append(cell)
            sheet.append(cells)
        if many > MOST_ROWS:
            sheet.append([f"{many - MOST_ROWS:,} more rows are in tables/{name}.csv and tables/{name}.parquet."])
    book.save(path)
