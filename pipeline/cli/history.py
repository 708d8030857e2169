from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from formpack import words
from formpack.words import tr
from pipeline.cli.frame import JsonOption, WorkspaceOption, print_json, refusals, say, workspace_at


def history(
    submission: Annotated[str, typer.Argument(help="The identity of a submission, or its beginning.")],
    workspace: WorkspaceOption = Path(),
    as_json: JsonOption = False,
) -> None:
    """Show what a submission said when it came, every correction, and the states it went through, in order."""
    from pipeline import run
    from pipeline.office.history import history_of

    with refusals():
        ws = workspace_at(workspace)
        ws.settings  # noqa: B018
        with run.opened(ws, ("submissions",)) as (store, _):
            found = history_of(store, submission)
    if as_json:
        print_json(found)
        return
    about = {
        "submission": found["instance_id"],
        "form": found["form_id"] or tr("of no known form"),
        "at": words.day(found["received_at"]) + f"{found['received_at']: %H:%M}",
        "day": found["received_on"],
        "file": found["source"],
    }
    if found["received_at"].date() == found["received_on"]:
        say(tr("{submission}, {form}, came on {at} in {file}", **about))
    else:
        say(tr("{submission}, {form}, came on {at}, corrected to {day}, in {file}", **about))
    for name, text in found["answers"].items():
        is_short = len(text) < 80 or name == "note"  # what somebody wrote in words is shown whole
        say(f"    {name}: {text if is_short else text[:77] + '...'}")
    for at, what in found["events"]:
        say(f"{at:%Y-%m-%d %H:%M:%S}  {what}")
