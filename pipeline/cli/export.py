from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from formpack.words import many, tr, trn
from pipeline.cli.frame import AsOfOption, JsonOption, WorkspaceOption, day_of, print_json, refusals, say, workspace_at

if TYPE_CHECKING:
    from pipeline.workspace import Workspace


def export(
    folder: Annotated[Path, typer.Argument(help="A new folder for the backup; of a hand-over, any.")],
    parquet: Annotated[
        bool, typer.Option("--parquet", help="Write a hand-over for a body: tables as Parquet, nobody named.")
    ] = False,
    with_names: Annotated[
        bool, typer.Option("--with-names", help="In a hand-over: people and teams as they are, and what people wrote.")
    ] = False,
    workspace: WorkspaceOption = Path(),
    as_of: AsOfOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write a backup in open files: what came in, corrections, lists, forms. `formpack rebuild --from` reads it. With
    --parquet, what a body of many nurseries combines."""
    from pipeline import run
    from pipeline.findings import Refused
    from pipeline.office.backup import write_backup
    from pipeline.store import Store

    with refusals():
        if (with_names or as_of) and not parquet:
            raise Refused(tr("--with-names and --as-of go with --parquet."))
        day = day_of(as_of)
        ws = workspace_at(workspace)
    if parquet:
        _hand_over(ws, folder, day, with_names, as_json)
        return
    with refusals():
        ws.settings  # noqa: B018
        with Store.open(ws.store_file, make=False) as store:
            if not store.is_current:
                run.refresh(store, ws)
            files, faults = write_backup(store, ws, folder)
    if as_json:
        print_json({"folder": str(folder), "raw_files": files, "damaged": faults})
    else:
        say(
            trn(
                "{n} file as it came, corrections, lists, forms and settings are in {folder}.",
                "{n} files as they came, corrections, lists, forms and settings are in {folder}.",
                files,
                folder=str(folder),
            )
        )
        for fault in faults:
            say(tr("What is kept is damaged, and went out as it is: {fault}. Keep the older backups.", fault=fault))
    raise typer.Exit(1 if faults else 0)


def _hand_over(ws: Workspace, folder: Path, as_of: dt.date | None, is_named: bool, as_json: bool) -> None:
    from pipeline import run
    from pipeline.office import hand_over

    with refusals():
        hand_over.settings_of(ws)
        with run.opened(ws, as_of=as_of, is_published=True) as (store, day):
            done = hand_over.hand_over(store, ws, folder, day, is_named)
    if as_json:
        print_json({"manifest": str(done.manifest), "rows": done.rows, "named": is_named})
        return
    say(
        tr(
            "{folder} holds {submissions} and {tables} of this nursery.",
            folder=str(folder),
            submissions=many(done.rows["submissions"], "submission"),
            tables=many(len(done.rows), "table"),
        )
    )
    if is_named:
        say(
            tr(
                "Codes of people and teams, and what people wrote, stand in it as they are. Give it to nobody who may"
                " not know them."
            )
        )
    else:
        say(tr("Nobody is named in it: people, teams and buyers are called by pseudonyms, and what people wrote is left out."))
