"""What every command shares: its options, one way to print, and the exit codes.

Exit 0: done. 1: done, and there is something a person must look at. 2: could not be done.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

WorkspaceOption = Annotated[Path, typer.Option("--workspace", help="The nursery's folder.", show_default="this folder")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON document for a program.")]
AsOfOption = Annotated[str | None, typer.Option("--as-of", metavar="DATE", help="The day that counts as today, as YYYY-MM-DD.")]


def day_of(text: str | None, option: str = "--as-of") -> dt.date | None:
    """The day that an option gives. Exits with 2 where it is none."""
    if text is None:
        return None
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        typer.echo(f"{option} {text} is not a day; write it as YYYY-MM-DD, for example 2026-03-02.", err=True)
        raise typer.Exit(2) from None


@contextlib.contextmanager
def refusals() -> Iterator[None]:
    """Turn a run that cannot be done into one line and exit 2."""
    import duckdb

    from formpack.catalog import FormError
    from pipeline.findings import Refused
    from pipeline.store import unreadable

    try:
        yield
    except (Refused, FormError) as wrong:
        typer.echo(str(wrong), err=True)
        raise typer.Exit(2) from None
    except duckdb.Error as wrong:
        typer.echo(str(unreadable(wrong)), err=True)
        raise typer.Exit(2) from None
    except OSError as wrong:
        where = f" ({wrong.filename})" if wrong.filename else ""
        typer.echo(f"The disk refuses: {wrong.strerror}{where}. Make room or ask for the right to write there.", err=True)
        raise typer.Exit(2) from None
    except (KeyboardInterrupt, RuntimeError) as wrong:
        if isinstance(wrong, RuntimeError) and str(wrong) != "Query interrupted":  # so DuckDB says it in the middle of a query
            raise
        typer.echo("Stopped; the books are as they were before.", err=True)
        raise typer.Exit(2) from None


def print_json(document: dict[str, Any]) -> None:
    typer.echo(json.dumps(document, ensure_ascii=False, indent=2, default=str))


def _cell(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:,.1f}"
    return f"{value:,}" if isinstance(value, int) else "" if value is None else str(value)


def print_table(columns: Sequence[str], rows: Sequence[Sequence[Any]], beneath: Sequence[Sequence[str]] = ()) -> None:
    """Columns lined up; numbers to the right, with thousands parted and rates to one decimal. `beneath` holds lines that
    follow each row."""
    cells = [[_cell(v) for v in row] for row in rows]
    widths = [max([len(c), *(len(r[i]) for r in cells)]) for i, c in enumerate(columns)]
    right = [all(isinstance(r[i], (int, float)) or r[i] is None for r in rows) and bool(rows) for i in range(len(columns))]
    for number, line in enumerate([list(columns), *cells]):
        said = (t.rjust(w) if r else t.ljust(w) for t, w, r in zip(line, widths, right, strict=True))
        typer.echo("  ".join(said).rstrip())
        for more in beneath[number - 1] if beneath and number else ():
            typer.echo(more)


class Bar:
    """A progress bar on the screen, only when the work takes longer than a second and a half."""

    def __init__(self) -> None:
        self.began = time.monotonic()
        self.shown: Any = None
        self.tasks: dict[str, Any] = {}

    def __call__(self, what: str, done: int, of: int) -> None:
        if not sys.stderr.isatty() or (self.shown is None and time.monotonic() - self.began < 1.5):
            return
        if self.shown is None:
            from rich.console import Console
            from rich.progress import Progress

            self.shown = Progress(console=Console(stderr=True), transient=True)
            self.shown.start()
        if what not in self.tasks:
            self.tasks[what] = self.shown.add_task(what, total=of)
        self.shown.update(self.tasks[what], completed=done)

    def __enter__(self) -> Bar:
        return self

    def __exit__(self, *_: object) -> None:
        if self.shown is not None:
            self.shown.stop()
