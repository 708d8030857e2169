from __future__ import annotations

from pathlib import Path

import typer

from pipeline.cli.frame import (
    JsonOption,
    WorkspaceOption,
    print_json,
    refusals,
    say,
    workspace_at,
)


def check(workspace: WorkspaceOption = Path(), as_json: JsonOption = False) -> None:
    """Prove that the books are whole: nothing lost, every move in both groups, every plant accounted for."""
    from pipeline import run
    from pipeline.office.audit import proofs

    with refusals():
        ws = workspace_at(workspace)
        ws.settings  # noqa: B018
        with run.opened(ws) as (store, _):
            found = proofs(store)
            differing = run.differs_when_rebuilt(store, ws)
            found.append(("rebuilds_equal", "made again from what was kept, every table comes out the same", differing))
    if as_json:
        print_json({name: {"proves": what, "fails_at": places} for name, what, places in found})
    else:
        for _, what, places in found:
            say(f"{'no ' if places else 'yes'}  {what}")
            for place in places[:5]:
                say(f"       not at {place}")
            if len(places) > 5:
                say(f"       nor at {len(places) - 5} more places; --json names them")
    raise typer.Exit(1 if any(places for _, _, places in found) else 0)
