"""The demo: a workspace of the invented nursery, run from end to end."""

from __future__ import annotations

import datetime as dt
import shutil
from dataclasses import dataclass
from pathlib import Path

from formpack import shipped
from formpack.words import many, percent, tr, trn
from pipeline import run
from pipeline.field import phone
from pipeline.findings import Refused
from pipeline.intake.ingest import Progress
from pipeline.report import write_report
from pipeline.report.stock import gather_stock
from pipeline.run import Imported
from pipeline.store import Store
from pipeline.workspace import Workspace, make_workspace


@dataclass(frozen=True)
class Demo:
    name: str
    day: dt.date
    imported: Imported
    lines: list[str]
    page: Path


def make_demo(folder: Path, progress: Progress) -> Demo:
    """Lay the demo's files into `folder` (new, empty, or an earlier demo), import them, write phone/ and reports/."""
    source = shipped("sample_submissions") / "demo"
    own = folder / "nursery.toml"
    if (
        folder.exists()
        and any(folder.iterdir())
        and not (own.exists() and own.read_bytes() == (source / "nursery.toml").read_bytes())
    ):
        raise Refused(tr("{folder} holds something else; name a new folder: `formpack demo FOLDER`.", folder=str(folder)))
    shutil.copytree(source, folder, dirs_exist_ok=True)
    workspace = Workspace(folder)
    make_workspace(folder, workspace.settings.name)
    imported = run.import_files(workspace, [workspace.inbox], None, progress)
    phone.write_forms(workspace)
    with run.opened(workspace, progress=progress) as (store, _):
        phone.write_lists(store, workspace)
        write_report(store, workspace)
        lines = _found(store)
    day = run.the_day(workspace.settings, None)
    return Demo(workspace.settings.name, day, imported, lines, workspace.reports / "nursery-report.html")


def _found(store: Store) -> list[str]:
    stock = gather_stock(store)
    total = stock.total
    taken, read = store.rows("SELECT taken, read FROM take_rates WHERE \"by\" = 'all'")[0]
    recount = store.value("SELECT count(*) FROM standing WHERE state <> 'ok'")
    late = store.value("SELECT count(*) FROM due WHERE days_over > 0 AND task <> 'recount'")
    return [
        *([" ".join(stock.not_in_this)] if stock.not_in_this else []),
        trn(
            "{n} plant stands ({low} to {high}) in {groups}; the book says {book}.",
            "{n} plants stand ({low} to {high}) in {groups}; the book says {book}.",
            total.estimate,
            low=total.low,
            high=total.high,
            groups=many(total.groups, "group"),
            book=total.book,
        ),
        " ".join(
            (
                tr("{taken} of {read} buds read took ({share}).", taken=taken, read=read, share=percent(taken / read)),
                trn("{n} group should be counted again.", "{n} groups should be counted again.", recount),
                trn("{n} task is late.", "{n} tasks are late.", late),
            )
        ),
    ]
