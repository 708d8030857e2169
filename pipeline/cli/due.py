from __future__ import annotations

import textwrap
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

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

if TYPE_CHECKING:
    from pipeline.field.due_list import DueList
    from pipeline.report.stock import Remainders
    from pipeline.workspace import Workspace


def due(
    days: Annotated[
        int, typer.Option(parser=number_of("--days", "integer", 0, 10_000), metavar="N", help="How many days to look ahead.")
    ] = 7,
    task: Annotated[str, typer.Option(help="Only this task.")] = "",
    person: Annotated[str, typer.Option(help="Only at places that this person looks after, by staff code.")] = "",
    team: Annotated[str, typer.Option(help="Only buds of this team that are to be read.")] = "",
    place: Annotated[str, typer.Option(help="Only at this place and what is part of it, by its code.")] = "",
    to: Annotated[Path | None, typer.Option("--to", metavar="FILE.pdf", help="Write a sheet to print for each person.")] = None,
    ics: Annotated[Path | None, typer.Option("--ics", metavar="FILE.ics", help="Write them for a calendar.")] = None,
    workspace: WorkspaceOption = Path(),
    as_of: AsOfOption = None,
    as_json: JsonOption = False,
) -> None:
    """List what is to be done: what is late first, then what falls in the days ahead."""
    from pipeline import run
    from pipeline.field import due_list as field
    from pipeline.findings import Refused
    from pipeline.rates.promises import free_says, of_age
    from pipeline.report.stock import remainders
    from pipeline.tables import TABLES, TASK_WORDS

    with refusals():
        if task and task not in TASK_WORDS:
            raise Refused(tr("There is no task {task}; the tasks are {tasks}.", task=task, tasks=", ".join(TASK_WORDS)))
        for path, ending in ((to, ".pdf"), (ics, ".ics")):
            if path is not None and path.suffix != ending:
                raise Refused(tr("{file} must end in {ending}.", file=str(path), ending=ending))
        wanted = field.Wanted(person, team, place, task, days)
        ws = workspace_at(workspace)
        with run.opened(ws, (*field.TABLES, "trees"), day_of(as_of)) as (store, _):
            found = field.due_list(store, wanted)
            groups = {t.group for t in found.tasks if t.task == "clear_out"}
            left = remainders(store, dict(found.places.labels), groups)
            free = free_says(of_age(store)) if task in ("", "despatch") and not wanted.is_narrow else ""
        written = _write(ws, found, to, ics)
    if as_json:
        rows = []
        for t in found.tasks:
            row = (t.group, t.task, t.due_on, t.days_over, t.place or None, t.plants, t.order or None, t.trees)
            whose = {"looked_after_by": t.person or None, "teams": t.teams}
            rows.append(dict(zip(TABLES["due"][1], row, strict=True)) | whose)
        print_json({"as_of": found.day, "due": rows, "clear_out": [asdict(r) for r in left]})
        return
    if to is not None or ics is not None:
        for line in written:
            say(line)
    else:
        _say(found, left, free, days)
    if written or found.by_person.keys() != {""}:
        for line in filter(None, [*found.doubts, found.nobody]):
            say(line)
    if team:
        say(tr("Only buds to be read are the task of a team; whose task other work is, the place says."))


def _write(ws: Workspace, found: DueList, to: Path | None, ics: Path | None) -> list[str]:
    """Write the sheets and the calendar that were asked for; gives what is to be said of them."""
    from pipeline.field.calendar_file import calendar_file
    from pipeline.field.due_sheets import write_due_sheets
    from pipeline.outputs import one_file

    files = [path for path in (to, ics) if path is not None]
    if not found.tasks:
        return [tr("Nothing is due by then, so {file} is not written.", file=str(path)) for path in files]
    said = []
    for path in files:
        with one_file(path) as beside:
            if path is to:
                write_due_sheets(beside, ws.settings.name, found, ws.forms, ws.settings.phone.show_expected)
            else:
                beside.write_bytes(calendar_file(ws.settings.name, found))
        said.append(tr("{tasks} in {file}.", tasks=many(len(found.tasks), "task"), file=str(path)))
    return said


def _say(found: DueList, left: list[Remainders], free: str, days: int) -> None:
    from formpack.group_code import shown
    from pipeline.tables import TASK_WORDS

    tasks = [t for t in found.tasks if t.task != "clear_out"]
    say(
        trn(
            "Due by {n} day after {day}: {tasks}.",
            "Due by {n} days after {day}: {tasks}.",
            days,
            day=found.day,
            tasks=many(len(tasks) + len(left), "task"),
        )
    )
    if tasks:
        heads = [tr("group"), tr("task"), tr("order"), tr("due on"), tr("days over"), tr("place"), tr("plants")]
        rows: list[list[Any]] = [
            [
                *(shown(t.group), tr(TASK_WORDS[t.task]), t.order, t.due_on, t.days_over, found.places.label(t.place)),
                t.trees or t.plants,
            ]
            for t in tasks
        ]
        if any(t.person for t in tasks):
            heads.insert(6, tr("looked after by"))
            for row, t in zip(rows, tasks, strict=True):
                row.insert(6, found.name(t.person))
        print_table(heads, rows)
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
