from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.frame import AsOfOption, JsonOption, WorkspaceOption, day_of, print_json, print_table, refusals
from pipeline.findings import many


def due(
    days: Annotated[int, typer.Option(help="How many days to look ahead.")] = 7,
    task: Annotated[str, typer.Option(help="Only this task.")] = "",
    workspace: WorkspaceOption = Path(),
    as_of: AsOfOption = None,
    as_json: JsonOption = False,
) -> None:
    """List what is to be done: what is late first, then what falls in the days ahead."""
    from formpack.group_code import shown
    from pipeline import run
    from pipeline.findings import Refused
    from pipeline.report.stock import place_names
    from pipeline.tables import TABLES, TASK_WORDS
    from pipeline.workspace import Workspace

    columns = TABLES["due"][1]
    with refusals():
        if task and task not in TASK_WORDS:
            raise Refused(f"There is no task {task}; the tasks are {', '.join(TASK_WORDS)}.")
        ws = Workspace(workspace)
        with run.opened(ws, ("due", "list_locations"), day_of(as_of)) as (store, day):
            places = place_names(store)
            rows = store.rows(
                "SELECT * FROM due WHERE days_over >= -$1 AND ($2 = '' OR task = $2) ORDER BY days_over DESC, task, group_code",
                [days, task],
            )
    if as_json:
        print_json({"as_of": day, "due": [dict(zip(columns, row, strict=True)) for row in rows]})
        return
    typer.echo(f"Due by {days} days after {day}: {many(len(rows), 'task')}.")
    if rows:
        print_table(
            ("group", "task", "due on", "days over", "place", "plants"),
            [
                (shown(code), TASK_WORDS[kind], on, over, places.get(place, place), plants)
                for code, kind, on, over, place, plants in rows
            ],
        )
