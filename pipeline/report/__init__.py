"""The report: one page to read and print, one workbook, and the tables as files."""

from __future__ import annotations

from pathlib import Path

from pipeline.store import Store
from pipeline.tables import export_tables
from pipeline.workspace import Workspace


def write_report(store: Store, workspace: Workspace) -> list[Path]:
    """Write reports/nursery-report.html, .xlsx and reports/tables/; returns the page, the workbook and the folder."""
    from pipeline.report.figures import gather
    from pipeline.report.page import page_html
    from pipeline.report.workbook import write_workbook

    folder = workspace.reports
    folder.mkdir(exist_ok=True)
    page, book, files = folder / "nursery-report.html", folder / "nursery-report.xlsx", folder / "tables"
    export_tables(store, files)
    beside = folder / ".nursery-report.html.new"
    beside.write_text(page_html(gather(store, workspace)), encoding="utf-8")
    beside.replace(page)
    write_workbook(store, book)
    return [page, book, files]
