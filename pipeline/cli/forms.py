from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

from formpack.words import listed, many, tr, trn
from pipeline.cli.frame import AsOfOption, JsonOption, WorkspaceOption, day_of, print_json, refusals, say, workspace_at


def forms(workspace: WorkspaceOption = Path(), as_of: AsOfOption = None, as_json: JsonOption = False) -> None:
    """Write what the phones need into phone/ (forms, the group list and the other lists), and forms on paper into paper/."""
    from formpack.catalog import load_forms
    from pipeline import run
    from pipeline.field import phone
    from pipeline.store import Store

    with refusals():
        ws = workspace_at(workspace)
        ws.settings  # noqa: B018
        load_forms(workspace / "forms")  # says every fault, where Workspace.forms says the first
        with Store.open(ws.store_file) as store:
            run.prove(store)
            run.refresh(store, ws, day_of(as_of), phone.TABLES)
            made = phone.write_all(store, ws)
    if as_json:
        print_json(asdict(made))
        return
    counted = {"forms": many(made.forms, "form"), "lists": many(made.lists, "list"), "groups": many(made.groups, "group")}
    say(tr("{forms} and {lists} are in {folder}; groups.csv has {groups}.", folder=str(ws.phone), **counted))
    if made.own:
        say(tr("Of your own: {forms}.", forms=listed(made.own)))
    if made.out_of_use:
        say(tr("Out of use: {forms}.", forms=listed(made.out_of_use)))
    if made.houses:
        say(
            trn(
                "That is more than {most}, so {n} house has a list of its own in {folder}.",
                "That is more than {most}, so {n} houses have lists of their own in {folder}.",
                made.houses,
                most=phone.MOST_ROWS,
                folder=str(ws.phone / "houses"),
            )
        )
    say(
        tr(
            "{folder} has each form to print (.html) and to type into (.xlsx); `formpack import` reads what is typed.",
            folder=str(ws.paper),
        )
    )
    if not made.validated:
        say(tr("Java is not on this machine, so the forms were converted but not run through the form validator."))
    for warning in made.warnings:
        say(warning)
