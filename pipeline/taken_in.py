"""What came in, taken in: files that are named, or the inbox and what phones sent. Then the lists for phones are made anew, so
that whoever fetches them next knows of it."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import duckdb

from formpack.words import marked, tr
from pipeline import run
from pipeline.field import phone
from pipeline.field.receiver.spool import Spool
from pipeline.findings import Refused
from pipeline.intake.ingest import Progress, digest_of
from pipeline.run import Imported
from pipeline.store import Store, unreadable
from pipeline.workspace import Workspace


@dataclass(frozen=True)
class TakenIn:
    """What an import did; how many groups are in the lists for phones, where these are new; why these are as they were, where
    they could not be written; and why some of what phones sent waits on, a sentence for each person."""

    imported: Imported
    phone_groups: int | None = None
    lists_left: str = ""
    left_waiting: tuple[str, ...] = ()


def take_in(
    workspace: Workspace,
    paths: Sequence[Path] = (),
    as_of: dt.date | None = None,
    progress: Progress = run.no_progress,
    form: str = "",
    again: bool = False,
    is_sure: bool = False,
) -> TakenIn:
    """Import these files, or the inbox and what phones sent, as `run.import_files` does; then write the lists in phone/, where
    `formpack forms` wrote forms. The import stands whatever becomes of the lists. Raises Refused where nothing was taken in."""
    spool = Spool(workspace.receiver)
    paths = paths or [workspace.inbox, *([spool.waiting] if spool.waits() else [])]
    is_out = phone.are_out(workspace)
    show = ("submissions", "problems", *(phone.TABLES if is_out else ()))

    def import_these(some: Sequence[Path]) -> Imported:
        return run.import_files(workspace, some, as_of, progress, show, form, again, is_sure)

    left: list[str] = []
    try:
        imported = import_these(paths)
    except run.Doubted:
        if list(paths) != [spool.waiting]:
            raise
        imported = _by_person(spool, import_these, left)
    _let_go(workspace, spool)
    taken = TakenIn(imported, left_waiting=tuple(left))
    return _with_lists(workspace, taken, as_of, progress) if is_out else taken


def _by_person(spool: Spool, import_these: Callable[[Sequence[Path]], Imported], left: list[str]) -> Imported:
    """What phones sent, person by person: a phone with a wrong clock does not keep back what others sent. Why something is
    left is put into `left`. Raises Doubted where all of it is."""
    done: Imported | None = None
    for home in sorted({path.parent for path in spool.waits()}):
        try:
            new = import_these([home])
        except run.Doubted as wrong:
            left.append(tr("What {person} sent waits. {why}", person=home.name, why=str(wrong)))
            first = wrong
            continue
        if done:
            new = replace(
                new,
                files=done.files + new.files,
                new_files=done.new_files + new.new_files,
                new_submissions=done.new_submissions + new.new_submissions,
                not_taken=done.not_taken + new.not_taken,
            )
        done = new
    if done is None:
        raise first
    return done


def _let_go(workspace: Workspace, spool: Spool) -> None:
    """Take out of the spool what the store keeps, byte for byte."""
    waits = spool.waits()
    if not waits:
        return
    with Store.open(workspace.store_file, make=False, is_read_only=True) as store:
        for path in waits:
            sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
            is_kept = store.value("SELECT count(*) FROM kept.raw_files WHERE sha256 = ?", [sha256])
            if is_kept and digest_of(store, sha256) == sha256:
                path.unlink()


def _with_lists(workspace: Workspace, taken: TakenIn, as_of: dt.date | None, progress: Progress) -> TakenIn:
    """The same, once the lists in phone/ are written, or it is known why not."""
    said = marked("What came in is in the books, but the lists for phones are as they were: {why}")
    try:
        with run.opened(workspace, phone.TABLES, as_of, progress) as (store, _):
            lists = phone.write_lists(store, workspace)
    except Refused as wrong:
        why = str(wrong)
    except duckdb.IOException as wrong:
        why = str(unreadable(wrong))
    except OSError as wrong:
        why = f"{wrong.strerror or wrong} ({wrong.filename or workspace.phone})."
    else:
        return replace(taken, phone_groups=lists.groups if lists.changed else None)
    return replace(taken, lists_left=tr(said, why=why))
