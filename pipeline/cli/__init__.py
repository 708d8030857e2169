"""The command `formpack`: one file a command. Nothing heavy is imported until a command runs."""

from __future__ import annotations

import sys

import typer

from pipeline.cli import (
    check,
    correct,
    demo,
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
    reconcile,
    records,
    report,
)

app = typer.Typer(
    name="formpack",
    help="Inspection forms for a citrus nursery, and the books that are kept from them.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
app.command("init")(init.init)
app.command("demo")(demo.demo)
app.command("forms")(forms.forms)
app.command("import")(import_.import_)
app.command("problems")(problems.problems)
app.command("records")(records.records)
app.command("correct")(correct.correct)
app.command("history")(history.history)
app.command("reconcile")(reconcile.reconcile)
app.command("plan")(plan.plan)
app.command("report")(report.report)
app.command("due")(due.due)
app.command("rebuild")(rebuild.rebuild)
app.command("export")(export.export)
app.command("check")(check.check)


def main() -> None:
    """Entry point."""
    sys.exit(frame.ended(app))
