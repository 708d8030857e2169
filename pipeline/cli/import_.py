from __future__ import annotations

from dataclasses import asdict, fields
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from formpack.words import many, tr, trn
from pipeline.cli.frame import (
    AsOfOption,
    Bar,
    JsonOption,
    WorkspaceOption,
    day_of,
    of_state,
    print_json,
    refusals,
    say,
    workspace_at,
)

if TYPE_CHECKING:
    from pipeline.run import Imported


def import_(
    paths: Annotated[
        list[Path] | None,
        typer.Argument(help="Files or folders: XML, ZIP, CSV, XLSX, JSON, NDJSON.", show_default="inbox/ and what phones sent"),
    ] = None,
    form: Annotated[
        str,
        typer.Option(
            "--form", metavar="ID", help="Which form the tables in these files belong to; by default their names say it."
        ),
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
    from pipeline.findings import Refused
    from pipeline.taken_in import take_in

    with refusals():
        if sure and as_of is None:
            raise Refused(tr("--sure is about a day that is said with it: `--as-of DAY --sure`."))
        ws = workspace_at(workspace)
        with Bar() as bar:
            taken = take_in(ws, paths or (), day_of(as_of), bar, form, again, sure)
    done = taken.imported
    if as_json:
        print_json(asdict(done) | {f.name: getattr(taken, f.name) for f in fields(taken)[1:]})
    else:
        say_imported(done)
        if taken.phone_groups is not None:
            say(tr("The lists for phones are new: {groups}.", groups=many(taken.phone_groups, "group")))
        for line in (*taken.left_waiting, *filter(None, [taken.lists_left])):
            say(line)
    raise typer.Exit(1 if done.stops or done.notes or taken.lists_left or taken.left_waiting else 0)


def say_imported(done: Imported) -> None:
    """The import in a few lines: what came, what became of it, where to look."""
    received = sum(done.states.values())
    submissions = many(done.new_submissions, "new submission")
    if done.files and done.new_files == done.files:
        say(
            trn(
                "{n} new file with {submissions}.",
                "{n} files, all of them new, with {submissions}.",
                done.files,
                submissions=submissions,
            )
        )
    elif done.files and not done.new_files and not done.new_submissions:
        say(trn("{n} file, which was here before.", "{n} files, none of them new.", done.files))
    elif done.files:
        say(
            tr(
                "{files}, {new} of them new, with {submissions}.",
                files=many(done.files, "file"),
                new=done.new_files,
                submissions=submissions,
            )
        )
    else:
        say(tr("There was no file to take in."))
    if done.not_taken:
        say(
            trn(
                "Besides these, {n} could not be taken in as asked; `formpack problems` says which, and why.",
                "Besides these, {n} could not be taken in as asked; `formpack problems` says which, and why.",
                done.not_taken,
            )
        )
    if received:
        states = ", ".join(of_state(n, state) for state, n in done.states.items())
        say(
            trn(
                "{n} submission received in all = {states}.",
                "{n} submissions received in all = {states}.",
                received,
                states=states,
            )
        )
    else:
        say(tr("No submission has been received yet."))
    if done.stops or done.notes:
        said = []
        if done.stops:
            said.append(
                trn(
                    "{n} finding keeps a submission out of the books.",
                    "{n} findings keep submissions out of the books.",
                    done.stops,
                )
            )
        if done.notes:
            said.append(trn("{n} finding is worth a look.", "{n} findings are worth a look.", done.notes))
        said.append(
            trn(
                "`formpack problems` lists it with what to do.",
                "`formpack problems` lists them with what to do.",
                done.stops + done.notes,
            )
        )
        say(" ".join(said))
