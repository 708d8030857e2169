from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.frame import Bar, JsonOption, print_json, refusals


def demo(
    folder: Annotated[Path, typer.Argument(help="Where to put the demo nursery.")] = Path("demo-nursery"),
    as_json: JsonOption = False,
) -> None:
    """Make a workspace of an invented nursery, take in two years of its submissions, and write its report."""
    from pipeline.cli.import_ import say
    from pipeline.demo import make_demo

    with refusals(), Bar() as bar:
        done = make_demo(folder, bar)
    if as_json:
        print_json({"workspace": str(folder), "states": done.imported.states, "report": str(done.page)})
        return
    typer.echo(f"{done.name}, as of {done.day}, in {folder}:")
    say(done.imported)
    for line in done.lines:
        typer.echo(line)
    typer.echo(
        f"Open {done.page} in a browser. Next: cd {folder}, then `formpack reconcile`, `formpack problems` or `formpack due`."
    )
