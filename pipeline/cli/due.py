from __future__ import annotations

import textwrap
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from formpack.words import many
from pipeline.cli.frame import (
    AsOfOption,
    JsonOption,
    WorkspaceOption,
    day_of,
    number_of,
    print_json,
    print_table,
    refusals,
    say,
    workspace_at,
)


def due(
    days: Annotated[
        int, typer.Option(parser=number_of("--days", "integer", 0, 10_000), metavar="N", help="How many days to look ahead.")
    ] = 7,
    task: Annotated[str, typer.Option(help="Only this task.")] = "",
    workspace: WorkspaceOption = Path(),
    as_of: AsOfOption = None,
    as_json: JsonOption = False,
) -> None:
    """List what is to be done: what is late first, then what falls in the days ahead."""
    from formpack.group_code import shown
    from pipeline import run
    from pipeline.findings import Refused
    from pipeline.report.stock import place_names, remainders
    from pipeline.tables import TABLES, TASK_WORDS

    columns = TABLES["due"][1]
    with refusals():
        if task and task not in TASK_WORDS:
            raise Refused(f"There is no task {task}; the tasks are {', '.join(TASK_WORDS)}.")
        ws = workspace_at(workspace)
        with run.opened(ws, ("due", "list_locations"), day_of(as_of)) as (store, day):
            places = place_names(store)
            rows = store.rows(
                "SELECT * FROM due WHERE days_over >= -$1 AND ($2 = '' OR task = $2) ORDER BY days_over DESC, task, group_code",
                [days, task],
            )
            left = remainders(store, places) if task in ("", "clear_out") else []
    if as_json:
        found = [dict(zip(columns, row, strict=True)) for row in rows]
        print_json({"as_of": day, "due": found, "clear_out": [asdict(r) for r in left]})
        return
    rows = [row for row in rows if row[1] != "clear_out"]
    say(f"Due by {days} days after {day}: {many(len(rows) + len(left), 'task')}.")
    if rows:
        print_table(
            ("group", "task", "due on", "days over", "place", "plants"),
            [
                (shown(code), TASK_WORDS[kind], on, over, places.get(place, place), plants)
                for code, kind, on, over, place, plants in rows
            ],
        )
    for r in left:
        groups = ", ".join(f"{group}\u00a0({plants:,})" for group, plants in r.groups)
        said = f"Clear out {many(len(r.groups), 'remainder')}, {many(r.plants, 'plant')}, in {r.place}: {groups}."
        lines = textwrap.wrap(said, 110, subsequent_indent="    ", break_long_words=False, break_on_hyphens=False)
        for line in lines:
            say(line.replace("\u00a0", " "))
