from __future__ import annotations

from pathlib import Path

import typer

from pipeline.cli.frame import AsOfOption, JsonOption, WorkspaceOption, day_of, print_json, refusals


def rebuild(workspace: WorkspaceOption = Path(), as_of: AsOfOption = None, as_json: JsonOption = False) -> None:
    """Make everything again from what the phones sent, as after a change of the program."""
    from pipeline import run
    from pipeline.store import Store
    from pipeline.workspace import Workspace

    with refusals():
        ws = Workspace(workspace)
        with Store.open(ws.store_file, make=False) as store:
            run.rebuild(store, ws, day_of(as_of))
            states = run.counts_of_states(store)
    if as_json:
        print_json({"states": states})
    else:
        typer.echo(f"Made again from what was kept: {sum(states.values()):,} submissions, {states['accepted']:,} accepted.")
