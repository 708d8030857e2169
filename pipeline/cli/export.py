from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from formpack.words import tr, trn
from pipeline.cli.frame import JsonOption, WorkspaceOption, print_json, refusals, say, workspace_at


def export(
    folder: Annotated[Path, typer.Argument(help="A new folder for the backup.")],
    workspace: WorkspaceOption = Path(),
    as_json: JsonOption = False,
) -> None:
    """Write a backup in open files: what came in, corrections, lists, forms. `formpack rebuild --from` reads it."""
    from pipeline import run
    from pipeline.office.backup import write_backup
    from pipeline.store import Store

    with refusals():
        ws = workspace_at(workspace)
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
