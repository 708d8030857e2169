from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from formpack.words import tr
from pipeline.cli.frame import JsonOption, print_json, refusals, say


def init(
    folder: Annotated[Path, typer.Argument(help="Where the nursery's folder is to be.")] = Path(),
    name: Annotated[str, typer.Option(help="What the nursery calls itself.")] = "Our nursery",
    as_json: JsonOption = False,
) -> None:
    """Make a workspace: settings, lists to fill in, an inbox. What is already there stays as it is."""
    from pipeline.workspace import make_workspace

    with refusals():
        made = make_workspace(folder, name)
    if as_json:
        print_json({"workspace": str(folder), "made": made})
        return
    say(tr("Made {files}.", files=", ".join(made)) if made else tr("Everything was there already."))
    say(tr("Next: fill in lists/ (staff, teams, locations, seed lots), then run `formpack forms`."))
