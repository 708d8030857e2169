from __future__ import annotations

import contextlib
import datetime as dt
import textwrap
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from formpack.words import listed, many, tr, trn
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
            whose: dict[str, Any] = {"looked_after_by": t.person or None, "teams": t.teams, "not_by": t.not_by, "buds": t.buds}
            rows.append(dict(zip(TABLES["due"][1], row, strict=True)) | whose)
        closed = [asdict(c) for c in found.closed]
        print_json({"as_of": found.day, "not_to_be_entered": closed, "due": rows, "clear_out": [asdict(r) for r in left]})
        return
    for line in found.warnings:
        say(line)
    if to is not None or ics is not None:
        for line in written:
            say(line)
    else:
        _say(found, left, free, days)
    if not team and (written or found.by_person.keys() != {""}):
        for line in filter(None, [*found.doubts, found.nobody]):
            say(line)
    for code in () if team else found.member_of:
        say(tr("{person} is in team {team}: `formpack due --team {team}`.", person=person, team=code))
    if team:
        say(tr("A team is asked only to read its own buds; other work goes by place."))


def _write(ws: Workspace, found: DueList, to: Path | None, ics: Path | None) -> list[str]:
    """Write the sheets and the calendar that were asked for; gives what is to be said of them."""
    from pipeline.field.calendar_file import calendar_file
    from pipeline.field.due_sheets import write_due_sheets
    from pipeline.outputs import one_file

    files = [path for path in (to, ics) if path is not None]
    if not found.tasks:
        return [tr("Nothing is due by then, so {file} is not written.", file=str(path)) for path in files]
    with contextlib.ExitStack() as both:  # where one cannot be replaced the other is not either
        for path in files:
            beside = both.enter_context(one_file(path))
            if path is to:
                write_due_sheets(beside, ws.settings.name, found, ws.forms, ws.settings.phone.show_expected)
            else:
                beside.write_bytes(calendar_file(ws.settings.name, found))
    return [tr("{tasks} in {file}.", tasks=many(len(found.tasks), "task"), file=str(path)) for path in files]


def _when(days_over: int) -> str:
    if days_over > 0:
        return trn("{n} day late", "{n} days late", days_over)
    return trn("in {n} day", "in {n} days", -days_over) if days_over else tr("today")


def _say(found: DueList, left: list[Remainders], free: str, days: int) -> None:
    from formpack.group_code import shown

    tasks = [t for t in found.tasks if t.task != "clear_out"]
    say(
        tr(
            "Due until {until}, as of {day}: {tasks}.",
            until=found.day + dt.timedelta(days),
            day=found.day,
            tasks=many(len(found.tasks), "task"),
        )
    )
    if tasks:
        columns: list[tuple[str, list[Any]]] = [
            (tr("group"), [shown(t.group) for t in tasks]),
            (tr("task"), [found.what(replace(t, order="", teams=())) for t in tasks]),
            (tr("order"), [t.order for t in tasks]),
            (tr("due on"), [t.due_on for t in tasks]),
            (tr("when"), [_when(t.days_over) for t in tasks]),
            (tr("place"), [found.places.label(t.place) for t in tasks]),
            (tr("looked after by"), [found.name(t.person) for t in tasks] if any(t.person for t in tasks) else []),
            (tr("team"), [listed(t.teams) for t in tasks] if any(t.teams for t in tasks) else []),
            (tr("plants"), [t.concerned for t in tasks]),
        ]
        heads, cells = zip(*(c for c in columns if c[1]), strict=True)
        print_table(heads, list(zip(*cells, strict=True)))
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
