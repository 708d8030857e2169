from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from formpack.words import tr, trn
from pipeline.cli.frame import AsOfOption, JsonOption, WorkspaceOption, day_of, print_json, refusals, say, workspace_at

if TYPE_CHECKING:
    from pipeline.workspace import Workspace


def rebuild(
    source: Annotated[Path | None, typer.Option("--from", metavar="DIR", help="A backup to fill a new workspace from.")] = None,
    unproved: Annotated[bool, typer.Option("--unproved", help="Read a backup that cannot be proved to be whole.")] = False,
    workspace: WorkspaceOption = Path(),
    as_of: AsOfOption = None,
    as_json: JsonOption = False,
) -> None:
    """Make everything again from what the phones sent and the corrections, as after a change of the program."""
    from pipeline import run
    from pipeline.cli.check import AS_IT_IS
    from pipeline.findings import Refused
    from pipeline.office import backup
    from pipeline.office.audit import bytes_kept
    from pipeline.store import BACK, Store

    def made(ws: Workspace) -> dict[str, int]:
        with Store.open(ws.store_file, make=False) as store:
            if store.is_current and (gone := bytes_kept(store)[2]):  # what is made from them still stands: it is not dropped
                why = tr("Nothing is made again: kept bytes are gone or altered, of {file}.", file=gone[0])
                raise Refused(" ".join((why, tr(BACK), tr(AS_IT_IS))))
            run.rebuild(store, ws, day_of(as_of))
            return run.counts_of_states(store)

    faults: list[str] = []
    with refusals():
        if source is None:
            states = made(workspace_at(workspace))
        else:
            with backup.restored(source, workspace, not unproved) as (ws, faults):
                states = made(ws)
    if as_json:
        print_json({"states": states, "not_whole": faults})
    else:
        say(
            trn(
                "Made again from what was kept: {n} submission, {accepted} accepted.",
                "Made again from what was kept: {n} submissions, {accepted} accepted.",
                sum(states.values()),
                accepted=states["accepted"],
            )
        )
        for fault in faults:
            say(tr("The backup is not proved to be whole: {fault}.", fault=fault))
    raise typer.Exit(1 if faults else 0)
