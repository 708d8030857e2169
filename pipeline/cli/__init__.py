"""The command `formpack`: one file a command. Nothing heavy is imported until a command runs."""

from __future__ import annotations

import sys

import typer

from pipeline.cli import (
    check,
    combine,
    correct,
    demo,
    despatch,
    due,
    export,
    forms,
    frame,
    history,
    import_,
    init,
    plan,
    problems,
    rebuild,
    receive,
    reconcile,
    records,
    report,
    signs,
    trace,
)

app = typer.Typer(
    name="formpack",
    cls=frame.Spoken,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
app.callback()(frame.listen)
for command in (
    init.init,
    demo.demo,
    forms.forms,
    signs.signs,
    receive.receive,
    import_.import_,
    problems.problems,
    records.records,
    correct.correct,
    history.history,
    reconcile.reconcile,
    plan.plan,
    report.report,
    trace.trace,
    due.due,
    despatch.despatch,
    rebuild.rebuild,
    export.export,
    combine.combine,
    check.check,
):
    app.command(command.__name__.rstrip("_"))(command)


def main() -> None:
    """Entry point."""
    sys.exit(frame.ended(app))
