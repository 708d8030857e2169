from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from formpack.words import many
from pipeline.cli.frame import AsOfOption, Bar, JsonOption, WorkspaceOption, day_of, print_json, refusals, say, workspace_at

if TYPE_CHECKING:
    from pipeline.run import Imported


def import_(
    paths: Annotated[
        list[Path] | None, typer.Argument(help="Files or folders: XML, ZIP, CSV, XLSX, JSON, NDJSON.", show_default="inbox/")
    ] = None,
    form: Annotated[
        str,
        typer.Option("--form", metavar="ID", help="What form the tables in these files are, by default by name."),
    ] = "",
    again: Annotated[
        bool, typer.Option("--again", help="Try files once more that are passed over because they broke a run.")
    ] = False,
    workspace: WorkspaceOption = Path(),
    as_of: AsOfOption = None,
    sure: Annotated[bool, typer.Option("--sure", help="The day given with --as-of is right, though it looks wrong.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Take in what came from the phones. Doing it twice changes nothing; nothing that comes in is ever lost."""
    from pipeline import run
    from pipeline.findings import Refused

    with refusals():
        if sure and as_of is None:
            raise Refused("--sure is about a day that is said with it: `--as-of DAY --sure`.")
        ws = workspace_at(workspace)
        with Bar() as bar:
            done = run.import_files(ws, paths or [ws.inbox], day_of(as_of), bar, form=form, again=again, is_sure=sure)
    if as_json:
        print_json(asdict(done))
    else:
        say_imported(done)
    raise typer.Exit(1 if done.stops or done.notes else 0)


def say_imported(done: Imported) -> None:
    """The import in a few lines: what came, what became of it, where to look."""
    received = sum(done.states.values())
    parts = ", ".join(f"{n:,} {state}" for state, n in done.states.items())
    say(f"{many(done.files, 'file')}, {done.new_files:,} of them new, with {many(done.new_submissions, 'new submission')}.")
    if done.not_taken:
        say(f"Beside these {done.not_taken:,} could not be taken in as asked; `formpack problems` says which, and why.")
    say(f"{many(received, 'submission')} received in all = {parts}.")
    if done.stops or done.notes:
        keeps, are = ("keeps" if done.stops == 1 else "keep"), ("is" if done.notes == 1 else "are")
        say(
            f"{many(done.stops, 'finding')} {keeps} a submission out of the books, {done.notes:,} {are} worth a look: "
            "`formpack problems` lists them with what to do."
        )
