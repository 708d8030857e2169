from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from formpack.words import tr, trn
from pipeline.cli.frame import AsOfOption, JsonOption, WorkspaceOption, day_of, print_json, refusals, say, workspace_at


def correct(
    file: Annotated[Path, typer.Argument(help="The list of problems or records with decisions filled in.")],
    by: Annotated[str, typer.Option(help="The staff code of whoever decided.")],
    undo: Annotated[bool, typer.Option("--undo", help="Add the opposite of what the list did.")] = False,
    workspace: WorkspaceOption = Path(),
    as_of: AsOfOption = None,
    as_json: JsonOption = False,
) -> None:
    """Take in the decisions of a list of problems or records. Nothing that came in is changed; each is a record of its own."""
    from pipeline import run

    with refusals():
        verdicts, moved = run.take_decisions(workspace_at(workspace), file, by, undo, day_of(as_of))
    counts = {what: sum(v.what == what for v in verdicts) for what in ("done", "already", "refused")}
    is_worse = not undo and any(m.before == "accepted" and m.now in ("quarantined", "waiting") for m in moved)
    if as_json:
        print_json({**counts, "rows": [asdict(v) for v in verdicts], "moved": [asdict(m) for m in moved]})
    else:
        for v in verdicts:
            about = {"row": v.row, "says": v.says}
            say(
                tr("row {row}: refused, because {says}.", **about) if v.what == "refused" else tr("row {row}: {says}.", **about)
            )
        if not verdicts:
            say(tr("No row has a decision; fill in the columns decision and reason, save, and do it again."))
        say(tr("{done} done, {already} done before, {refused} refused.", **counts))
        for m in moved:
            say(
                trn(
                    "{n} submission was {before} and is {now} now.",
                    "{n} submissions were {before} and are {now} now.",
                    m.submissions,
                    before=tr(m.before),
                    now=tr(m.now),
                )
            )
        if is_worse:
            say(tr("`formpack problems` says why."))
    raise typer.Exit(1 if counts["refused"] or is_worse else 0)
