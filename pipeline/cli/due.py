from __future__ import annotations

import textwrap
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from formpack.words import many, tr, trn
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
    from pipeline.rates.promises import free_says, of_age
    from pipeline.report.stock import place_names, remainders
    from pipeline.tables import TABLES, TASK_WORDS

    columns = TABLES["due"][1]
    with refusals():
        if task and task not in TASK_WORDS:
            raise Refused(tr("There is no task {task}; the tasks are {tasks}.", task=task, tasks=", ".join(TASK_WORDS)))
        ws = workspace_at(workspace)
        with run.opened(ws, ("due", "trees", "list_locations"), day_of(as_of)) as (store, day):
            places = place_names(store)
            rows = store.rows(
                "SELECT * FROM due WHERE days_over >= -$1 AND ($2 = '' OR task = $2)"
                " ORDER BY days_over DESC, task, group_code, order_ref",
                [days, task],
            )
            left = remainders(store, places) if task in ("", "clear_out") else []
            free = free_says(of_age(store)) if task in ("", "despatch") else ""
    if as_json:
        found = [dict(zip(columns, row, strict=True)) for row in rows]
        print_json({"as_of": day, "due": found, "clear_out": [asdict(r) for r in left]})
        return
    rows = [row for row in rows if row[1] != "clear_out"]
    say(
        trn(
            "Due by {n} day after {day}: {tasks}.",
            "Due by {n} days after {day}: {tasks}.",
            days,
            day=day,
            tasks=many(len(rows) + len(left), "task"),
        )
    )
    if rows:
        heads = (tr("group"), tr("task"), tr("order"), tr("due on"), tr("days over"), tr("place"), tr("plants"))
        print_table(
            heads,
            [
                (shown(code), tr(TASK_WORDS[kind]), order, on, over, places.get(place, place), trees or plants)
                for code, kind, on, over, place, plants, order, trees in rows
            ],
        )
    if free:
        say(free)
    for r in left:
        groups = ", ".join(f"{group}\u00a0({plants:,})" for group, plants in r.groups)
        said = trn(
            "Clear out {n} remainder, {plants}, in {place}: {groups}.",
            "Clear out {n} remainders, {plants}, in {place}: {groups}.",
            len(r.groups),
            plants=many(r.plants, "plant"),
            place=r.place,
            groups=groups,
        )
        lines = textwrap.wrap(said, 110, subsequent_indent="    ", break_long_words=False, break_on_hyphens=False)
        for line in lines:
            say(line.replace("\u00a0", " "))
