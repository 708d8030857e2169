from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from formpack.words import tr
from pipeline.cli.frame import (
    AsOfOption,
    JsonOption,
    WorkspaceOption,
    day_of,
    print_blocks,
    print_json,
    refusals,
    say,
    titles,
    workspace_at,
)


def trace(
    batch: Annotated[str, typer.Option(metavar="CODE", help="Follow the plants in which buds of this batch were set.")] = "",
    seed_lot: Annotated[str, typer.Option(metavar="CODE", help="Follow the plants of this seed lot.")] = "",
    sowing: Annotated[str, typer.Option(metavar="CODE", help="Follow the plants of this sowing.")] = "",
    team: Annotated[str, typer.Option(metavar="CODE", help="Follow the plants that this team budded.")] = "",
    group: Annotated[
        str, typer.Option(metavar="CODE", help="Follow the plants of this group, and say where they came from.")
    ] = "",
    order: Annotated[str, typer.Option(metavar="CODE", help="Say where the trees of this order came from.")] = "",
    to: Annotated[
        Path | None,
        typer.Option(
            "--to", metavar="FILE.html", help="Write it as a page to read and print, with a drawing of where plants went."
        ),
    ] = None,
    workspace: WorkspaceOption = Path(),
    as_of: AsOfOption = None,
    as_json: JsonOption = False,
) -> None:
    """Follow a batch, a seed lot, a sowing, a group or a team to every plant that stands and every customer; or an order back
    to its sources."""
    from dataclasses import asdict

    from pipeline import run
    from pipeline.findings import Refused
    from pipeline.office import trace as office
    from pipeline.outputs import one_file
    from pipeline.report.page import page_html
    from pipeline.report.trace_page import chapters, page_about

    asked = {"batch": batch, "seed_lot": seed_lot, "sowing": sowing, "team": team, "group": group, "order": order}
    given = {kind: code for kind, code in asked.items() if code}
    with refusals():
        if len(given) != 1:
            options = "--batch, --seed-lot, --sowing, --team, --group, --order"
            raise Refused(tr("Say what to follow, with one of {options}.", options=options))
        if to is not None and to.suffix != ".html":
            raise Refused(tr("{file} must end in .html.", file=str(to)))
        ((kind, code),) = given.items()
        ws = workspace_at(workspace)
        with run.opened(ws, office.TABLES, day_of(as_of)) as (store, day):
            found = office.trace(store, kind, code)
            first, rest = chapters(store, found, titles(ws))
        if to is not None:
            with one_file(to) as beside:
                beside.write_text(page_html(ws.settings.name, day, first, rest, page_about(found)), encoding="utf-8")
    if as_json:
        print_json({"as_of": day} | asdict(found))
    else:
        say(page_about(found))
        print_blocks(first.blocks)
        for chapter in rest:
            print_blocks(chapter.blocks)
    if to is not None and not as_json:
        say(tr("Written: {files}.", files=str(to)))
    raise typer.Exit(1 if found.needs_a_person else 0)
