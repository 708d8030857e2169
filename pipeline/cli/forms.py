from __future__ import annotations

from pathlib import Path

import typer

from pipeline.cli.frame import AsOfOption, JsonOption, WorkspaceOption, day_of, print_json, refusals


def forms(workspace: WorkspaceOption = Path(), as_of: AsOfOption = None, as_json: JsonOption = False) -> None:
    """Write what the phones need into phone/ (forms, the group list and the other lists), and forms on paper into paper/."""
    from formpack.catalog import load_forms
    from pipeline import run
    from pipeline.field import phone
    from pipeline.store import Store
    from pipeline.workspace import Workspace

    with refusals():
        ws = Workspace(workspace)
        ws.settings  # noqa: B018
        load_forms(workspace / "forms")  # says every fault, where Workspace.forms says the first
        with Store.open(ws.store_file) as store:
            run.prove(store)
            run.refresh(store, ws, day_of(as_of), phone.TABLES)
            lists, groups, warnings = phone.write_lists(store, ws)
            count, validated = phone.write_forms(ws, store)
        phone.write_paper(ws)
    if as_json:
        print_json({"forms": count, "lists": lists, "groups": groups, "validated": validated, "warnings": warnings})
        return
    typer.echo(f"{count} forms and {lists} lists are in {ws.phone}; groups.csv has {groups} groups.")
    typer.echo(f"{ws.paper} has each form to print (.html) and to type into (.xlsx); `formpack import` reads what is typed.")
    if not validated:
        typer.echo("Java is not on this machine, so the forms were converted but not run through the form validator.")
    for warning in warnings:
        typer.echo(warning)
