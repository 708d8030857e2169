from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import typer

from formpack.words import tr, trn
from pipeline.cli.frame import AsOfOption, JsonOption, WorkspaceOption, day_of, print_json, refusals, say, workspace_at


def report(workspace: WorkspaceOption = Path(), as_of: AsOfOption = None, as_json: JsonOption = False) -> None:
    """Write the report (a page to read and print), the workbook and the tables into reports/."""
    from pipeline import run
    from pipeline.report import write_report
    from pipeline.report.figures import gather

    with refusals():
        ws = workspace_at(workspace)
        with run.opened(ws, as_of=day_of(as_of), is_published=True) as (store, _):
            written = write_report(store, ws)
            figures = asdict(gather(store, ws)) if as_json else {}
            to_look_at = store.value("SELECT count(*) FROM problems") + store.value(
                "SELECT count(*) FROM standing WHERE state = 'impossible'"
            )
    if as_json:
        print_json({"files": [str(p) for p in written], "to_look_at": to_look_at, "figures": figures})
    else:
        say(tr("Written: {files}.", files=", ".join(str(p) for p in written)))
        if to_look_at:
            say(
                trn(
                    "{n} thing in it needs a person to look at it.",
                    "{n} things in it need a person to look at them.",
                    to_look_at,
                )
            )
    raise typer.Exit(1 if to_look_at else 0)
