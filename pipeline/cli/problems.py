from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.frame import AsOfOption, JsonOption, WorkspaceOption, day_of, print_json, refusals


def problems(
    severity: Annotated[str, typer.Option(help="Only `stop` or only `note`.")] = "",
    group: Annotated[str, typer.Option(help="Only this group.")] = "",
    most: Annotated[int, typer.Option(help="How many to print at the most; 0 prints all.")] = 40,
    workspace: WorkspaceOption = Path(),
    as_of: AsOfOption = None,
    as_json: JsonOption = False,
) -> None:
    """List everything that a person should look at, worst first, each with what to do."""
    from formpack.group_code import plain, shown
    from pipeline import run
    from pipeline.findings import Refused
    from pipeline.store import Store
    from pipeline.tables import TABLES
    from pipeline.workspace import Workspace

    columns = TABLES["problems"][1]
    with refusals():
        if severity not in ("", "stop", "note"):
            raise Refused("--severity is stop or note.")
        ws = Workspace(workspace)
        with Store.open(ws.store_file, make=False) as store:
            run.refresh(store, ws, day_of(as_of))
            rows = store.rows(
                f"SELECT {', '.join(columns)}, source, visit_date FROM problems LEFT JOIN"
                " (SELECT instance_id, source, visit_date FROM submissions) USING (instance_id)"
                " WHERE ($1 = '' OR severity = $1) AND ($2 = '' OR group_code = $2)"
                " ORDER BY severity = 'note', rule LIKE 'waits%', rule, visit_date, instance_id, field",
                [severity, plain(group) or group],
            )
    if as_json:
        print_json({"problems": [dict(zip((*columns, "source", "visit_date"), r, strict=True)) for r in rows]})
        raise typer.Exit(1 if rows else 0)
    before = ""
    for row in rows[: most or None]:
        instance_id, form_id, code, level, _, _, _, message, advice, source, day = row
        title = f"{'Kept out of the books' if level == 'stop' else 'Worth a look'}"
        if title != before:
            typer.echo(("" if not before else "\n") + title)
            before = title
        what = ", ".join(str(x) for x in (form_id, shown(code) if code else None, day) if x)
        typer.echo(f"  {what or source}: {message}")
        typer.echo(f"      {advice}  [{instance_id}]")
    if most and len(rows) > most:
        typer.echo(f"\n... and {len(rows) - most} more; --most 0 prints all.")
    if not rows:
        typer.echo("Nothing needs a look.")
    raise typer.Exit(1 if rows else 0)
