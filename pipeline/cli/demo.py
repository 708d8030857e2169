from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from formpack.words import tr
from pipeline.cli.frame import Bar, JsonOption, print_json, refusals, say


def demo(
    folder: Annotated[Path, typer.Argument(help="Where to put the demo nursery.")] = Path("demo-nursery"),
    as_json: JsonOption = False,
) -> None:
    """Make a workspace of an invented nursery, take in two years of its submissions, and write its report."""
    from pipeline.cli.import_ import say_imported
    from pipeline.demo import make_demo

    with refusals(), Bar() as bar:
        done = make_demo(folder, bar)
    if as_json:
        print_json({"workspace": str(folder), "states": done.imported.states, "report": str(done.page)})
        return
    say(tr("{name}, as of {day}, in {folder}:", name=done.name, day=done.day, folder=str(folder)))
    say_imported(done.imported)
    for line in done.lines:
        say(line)
    say(
        tr(
            "Open {page} in a browser. Next: cd {folder}, then `formpack reconcile`, `formpack problems` or `formpack due`.",
            page=str(done.page),
            folder=str(folder),
        )
    )
