from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.frame import (
    AsOfOption,
    JsonOption,
    WorkspaceOption,
    day_of,
    print_json,
    refusals,
    say,
    workspace_at,
)


def rebuild(
    source: Annotated[Path | None, typer.Option("--from", metavar="DIR", help="A backup to fill a new workspace from.")] = None,
    workspace: WorkspaceOption = Path(),
    as_of: AsOfOption = None,
    as_json: JsonOption = False,
) -> None:
    """Make everything again from what the phones sent and the corrections, as after a change of the program."""
    from pipeline import run
    from pipeline.office import backup
    from pipeline.store import Store
    from pipeline.workspace import make_workspace

    with refusals():
        if source is not None:
            backup.lay_files(source, workspace)
            make_workspace(workspace)
        ws = workspace_at(workspace)
        if source is not None:
            backup.fill_store(ws, source)
        with Store.open(ws.store_file, make=False) as store:
            run.rebuild(store, ws, day_of(as_of))
            states = run.counts_of_states(store)
    if as_json:
        print_json({"states": states})
    else:
        say(f"Made again from what was kept: {sum(states.values()):,} submissions, {states['accepted']:,} accepted.")
