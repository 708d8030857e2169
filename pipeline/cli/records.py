from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from formpack.words import tr, trn
from pipeline.cli.frame import (
    AsOfOption,
    JsonOption,
    WorkspaceOption,
    day_of,
    how_many,
    of_state,
    print_json,
    print_table,
    refusals,
    say,
    titles,
    workspace_at,
)

if TYPE_CHECKING:
    from pipeline.office.records import Found

_OUT = ("quarantined", "waiting")


def records(
    group: Annotated[str, typer.Option(help="Only of this group.")] = "",
    person: Annotated[str, typer.Option(help="Only by this person, by staff code.")] = "",
    since: Annotated[str | None, typer.Option("--from", metavar="DATE", help="Only work of this day or later.")] = None,
    until: Annotated[str | None, typer.Option(metavar="DATE", help="Only work of this day or earlier.")] = None,
    form: Annotated[str, typer.Option(help="Only of this form.")] = "",
    file: Annotated[str, typer.Option(help="Only what came in this file.")] = "",
    submission: Annotated[str, typer.Option(help="Only this one, by its identity or the beginning of it.")] = "",
    state: Annotated[str, typer.Option(help="Only `accepted`, `waiting`, `quarantined`, `superseded`, `withdrawn`.")] = "",
    most: Annotated[int, typer.Option(parser=how_many, metavar="N", help="How many to print; 0 prints all.")] = 20,
    to: Annotated[Path | None, typer.Option("--to", metavar="FILE.xlsx", help="Write them as a workbook to decide in.")] = None,
    workspace: WorkspaceOption = Path(),
    as_of: AsOfOption = None,
    as_json: JsonOption = False,
) -> None:
    """List what was sent, the latest work first, each with its answers and its state."""
    from pipeline import run
    from pipeline.findings import Refused
    from pipeline.intake.states import STATES
    from pipeline.office import records as office

    with refusals():
        if state and state not in STATES:
            raise Refused(tr("--state {state}: the states are {states}.", state=state, states=", ".join(STATES)))
        if to is not None and to.suffix != ".xlsx":
            raise Refused(tr("{file} must end in .xlsx.", file=str(to)))
        wanted = office.Wanted(group, person, day_of(since, "--from"), day_of(until, "--until"), form, file, submission, state)
        ws = workspace_at(workspace)
        limit = office.MOST_ROWS if to is not None else None if as_json or not most else most
        with run.opened(ws, ("submissions", "forms"), day_of(as_of)) as (store, _):
            found = office.find(store, wanted, ws.forms, limit)
            names = titles(ws)
            if to is not None:
                is_of_files = wanted == office.Wanted(file=file)
                _, taken = office.write_records(store, to, found, is_of_files, ws.forms, run.choices_of(ws, store))
    if as_json:
        files = [{"name": f.name, "sha256": f.sha256, "submissions": f.submissions} for f in found.files]
        print_json({"records": office.as_json(found.records), "states": found.states, "files": files})
    elif to is not None:
        _say_written(to, found, taken, is_of_files)
    else:
        _say(found, names, wanted != office.Wanted())
    raise typer.Exit(1 if any(found.states.get(s) for s in _OUT) else 0)


def _say_written(to: Path, found: Found, taken: int, is_of_files: bool) -> None:
    file = str(to)
    if not is_of_files:
        say(trn("{n} submission in {file}.", "{n} submissions in {file}.", taken, file=file))
    elif len(found.files) == 1:
        say(
            trn(
                "{n} submission in {file}, with a row for the file.",
                "{n} submissions in {file}, with a row for the file.",
                taken,
                file=file,
            )
        )
    else:
        say(
            trn(
                "{n} submission in {file}, with a row for each file.",
                "{n} submissions in {file}, with a row for each file.",
                taken,
                file=file,
            )
        )
    if taken < found.many:
        say(
            trn(
                "{n} more does not fit in one workbook; choose fewer, with --group, --from, --until.",
                "{n} more do not fit in one workbook; choose fewer, with --group, --from, --until.",
                found.many - taken,
            )
        )
    if taken or is_of_files:
        say(tr("Fill in decision, new answer and reason, then `formpack correct {name} --by CODE`.", name=to.name))


def _say(found: Found, names: dict[str, str], is_asked: bool) -> None:
    from formpack.group_code import shown
    from pipeline.office.records import said

    if not found.many:
        say(
            tr("No submission is like that; without options all are listed.")
            if is_asked
            else tr("No submission has been received yet.")
        )
        return
    rows = []
    for r in found.records:
        code = shown(r.group_code) if len(r.group_code) == 8 else r.group_code
        row = tr("row {row}", row=r.row) if isinstance(r.row, int) else r.row
        where = f"{r.file}, {row}" if r.row else r.file
        is_replaced = r.replaced_by and r.state == "superseded"
        state = tr("replaced by {submission}", submission=r.replaced_by) if is_replaced else tr(r.state)
        rows.append((r.visit_date, names.get(r.form_id, r.form_id), code, r.staff_code, state, where))
    beneath = []
    for r in found.records:
        lines = textwrap.wrap(said(r), 108, break_long_words=False, break_on_hyphens=False)
        beneath.append([f"    {line}" for line in [*lines, f"[{r.instance_id}]"]])
    states = ", ".join(of_state(n, state) for state, n in found.states.items())
    say(trn("{n} submission: {states}.", "{n} submissions: {states}.", found.many, states=states))
    head = (tr("day"), tr("form"), tr("group"), tr("person"), tr("state"), tr("came in"))
    print_table(head, rows, beneath)
    if len(found.records) < found.many:
        say(tr("... and {n} more: --most 0 prints all.", n=found.many - len(found.records)))
    if kept_out := sum(found.states.get(s, 0) for s in _OUT):
        say(
            trn(
                "{n} of them is kept out or waiting: `formpack problems` says why.",
                "{n} of them are kept out or waiting: `formpack problems` says why.",
                kept_out,
            )
        )
    way = tr(
        "To put one right or take it back: the same with `--to list.xlsx`, fill it in, `formpack correct list.xlsx --by CODE`."
    )
    say(way)
