"""What came in, taken in; then the lists for phones made anew, so that whoever fetches them next knows of it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import duckdb

from formpack.words import marked, tr
from pipeline import run
from pipeline.field import phone
from pipeline.findings import Refused
from pipeline.intake.ingest import Progress
from pipeline.run import Imported
from pipeline.store import unreadable
from pipeline.workspace import Workspace


@dataclass(frozen=True)
class TakenIn:
    """What an import did; how many groups are in the lists for phones, where these are new; and why these are as they were,
    where they could not be written."""

    imported: Imported
    phone_groups: int | None = None
    lists_left: str = ""


def take_in(
    workspace: Workspace,
    paths: Iterable[Path],
    as_of: dt.date | None = None,
    progress: Progress = run.no_progress,
    form: str = "",
    again: bool = False,
    is_sure: bool = False,
) -> TakenIn:
    """Import as `run.import_files` does; then write the lists in phone/, where `formpack forms` wrote forms. The import stands
    whatever becomes of the lists. Raises Refused where nothing was taken in."""
    if not phone.are_out(workspace):
        return TakenIn(run.import_files(workspace, paths, as_of, progress, form=form, again=again, is_sure=is_sure))
    show = ("submissions", "problems", *phone.TABLES)
    imported = run.import_files(workspace, paths, as_of, progress, show, form, again, is_sure)
    said = marked("What came in is in the books, but the lists for phones are as they were: {why}")
    try:
        with run.opened(workspace, phone.TABLES, as_of, progress) as (store, _):
            lists = phone.write_lists(store, workspace)
    except Refused as wrong:
        return TakenIn(imported, lists_left=tr(said, why=str(wrong)))
    except duckdb.IOException as wrong:
        return TakenIn(imported, lists_left=tr(said, why=str(unreadable(wrong))))
    except OSError as wrong:
        return TakenIn(imported, lists_left=tr(said, why=f"{wrong.strerror or wrong} ({wrong.filename or workspace.phone})."))
    return TakenIn(imported, lists.groups if lists.changed else None)
