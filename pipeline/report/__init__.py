"""The report: one page to read and print, one workbook, and the tables as files."""

from __future__ import annotations

from pathlib import Path

from pipeline.outputs import together
from pipeline.store import Store
from pipeline.tables import export_tables
from pipeline.workspace import Workspace


def write_report(store: Store, workspace: Workspace) -> list[Path]:
    """Write reports/nursery-report.html, .xlsx and reports/tables/, all of it or nothing; returns the page, the workbook and
    the folder. Raises Refused."""
    from pipeline.report.chapters import gather_chapters
    from pipeline.report.figures import gather
    from pipeline.report.first import first_screen
    from pipeline.report.page import page_html
    from pipeline.report.workbook import write_workbook

    folder, figures = workspace.reports, gather(store, workspace)
    page, book, tables = folder / "nursery-report.html", folder / "nursery-report.xlsx", folder / "tables"
    first, chapters = first_screen(store, workspace, figures), gather_chapters(store, workspace, figures)
    with together(workspace.folder) as files:
        export_tables(store, files, tables)
        files.place(page).write_text(page_html(figures.name, figures.day, first, chapters), encoding="utf-8")
        write_workbook(store, files.place(book), first, chapters)
    return [page, book, tables]
