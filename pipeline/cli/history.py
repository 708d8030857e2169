from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

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
    day = "" if found["received_at"].date() == found["received_on"] else f", corrected to {found['received_on']},"
    form = found["form_id"] or "of no known form"
    say(f"{found['instance_id']}, {form}, came {found['received_at']}{day} in {found['source']}")
    for name, text in found["answers"].items():
        is_short = len(text) < 80 or name == "note"  # what somebody wrote in words is shown whole
        say(f"    {name}: {text if is_short else text[:77] + '...'}")
    for at, what in found["events"]:
        say(f"{at:%Y-%m-%d %H:%M:%S}  {what}")
