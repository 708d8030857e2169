"""What every command shares: its options, its workspace, one way to print, and the exit codes.

Exit 0: done. 1: done, and there is something a person must look at. 2: could not be done. 3: the program failed; the full text
is in a file.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import errno
import io
import json
import os
import platform
import shlex
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer
import typer.core

from formpack import words
from formpack.words import many_of, marked, tr, trn
from pipeline.harmless import json_text, one_line

if TYPE_CHECKING:
    from pipeline.report.blocks import Block
    from pipeline.workspace import Workspace

WorkspaceOption = Annotated[Path, typer.Option("--workspace", help="The nursery's folder.", show_default="this folder")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON document for a program.")]
AsOfOption = Annotated[str | None, typer.Option("--as-of", metavar="DATE", help="The day that counts as today, as YYYY-MM-DD.")]


class Spoken(typer.core.TyperGroup):
    """The commands, each of which can be asked to speak another language: `--language` may stand behind its name too."""

    asked = ""
    """The language that the command at work was asked for."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        for position, word in enumerate(args):
            if word == "--language" or word.startswith("--language="):
                taken = args[position : position + (2 if word == "--language" else 1)]
                args = [*taken, *args[:position], *args[position + len(taken) :]]
                break
        else:
            taken = []
        if not args[len(taken) :] or "--help" in args:  # help is shown before `listen` hears of the language
            words.use(_code(taken) or _language_of(args))
            for command in (self, *self.commands.values()):
                _speak(command, ctx)
        return super().parse_args(ctx, args)


def _code(taken: list[str]) -> str:
    return taken[-1].rpartition("=")[2] if taken else ""


def _language_of(args: list[str]) -> str:
    """What nursery.toml of the workspace says, where there is one that can be read."""
    from pipeline.findings import Refused
    from pipeline.settings import read_settings

    with contextlib.suppress(Refused, OSError, ValueError):
        return read_settings(_folder_of(args) / "nursery.toml").language
    return ""


def _folder_of(args: list[str]) -> Path:
    """The folder that `--workspace` names, or this one."""
    given = [v for o, v in pairwise(args) if o == "--workspace"]
    given += [word.partition("=")[2] for word in args if word.startswith("--workspace=")]
    return Path(given[-1] if given else ".")


def _speak(command: Any, ctx: Any) -> None:
    """Put what a command's help says into the language that is spoken. The words round it are those of the library."""
    command.help = tr(one_paragraph(command.help))
    for option in command.get_params(ctx):
        for name in ("help", "show_default"):
            said = getattr(option, name)
            if said and isinstance(said, str):
                setattr(option, name, tr(said))


def one_paragraph(text: str | None) -> str:
    """The text without the line breaks of the code it stands in."""
    return " ".join((text or "").split())


def listen(
    language: Annotated[str, typer.Option(metavar="LANGUAGE", help="Speak en, es or pt; else what nursery.toml says.")] = "",
) -> None:
    """Inspection forms for a citrus nursery, and the books that are kept from them."""
    if language and language not in words.LANGUAGES:
        languages = ", ".join(words.LANGUAGES)
        say(tr("--language {language}: the languages are {languages}.", language=language[:60], languages=languages), err=True)
        raise typer.Exit(2)
    Spoken.asked = language
    words.use(language)


STOPPED = marked("Stopped; the books are as they were before.")


def day_of(text: str | None, option: str = "--as-of") -> dt.date | None:
    """The day that an option gives. Exits with 2 where it is none."""
    return None if text is None else _read(option, "date", text)


def _read(option: str, kind: str, text: str) -> Any:
    """What the strict reader of a kind makes of an option. Exits with 2 where it cannot be read."""
    from formpack.readers import READERS, Unreadable

    value = READERS[kind](text)
    if isinstance(value, Unreadable):
        say(tr("{option} {text} {why}.", option=option, text=text[:60], why=value.why), err=True)
        raise typer.Exit(2)
    return value


def number_of(option: str, kind: str, least: float, most: float) -> Callable[[Any], Any]:
    """A parser for an option that takes a number (`integer` or `decimal`) from `least` to `most`."""

    def said(limit: float) -> str:
        return str(limit) if option in ("--year", "--port") else words.number(limit, 0 if limit == int(limit) else 1)

    def parser(text: Any) -> Any:
        value = _read(option, kind, str(text))
        if not least <= value <= most:
            say(
                tr("{option} takes a number from {least} to {most}.", option=option, least=said(least), most=said(most)),
                err=True,
            )
            raise typer.Exit(2)
        return value

    return parser


def titles(workspace: Workspace) -> dict[str, str]:
    """What each form is called in the language that is spoken."""
    return {form.form_id: form.title_spoken for form in workspace.forms.values()}


_STATES = {
    marked("accepted"): many_of("{n} accepted", "{n} accepted"),
    marked("waiting"): many_of("{n} waiting", "{n} waiting"),
    marked("quarantined"): many_of("{n} quarantined", "{n} quarantined"),
    marked("superseded"): many_of("{n} superseded", "{n} superseded"),
    marked("withdrawn"): many_of("{n} withdrawn", "{n} withdrawn"),
}


def of_state(n: int, state: str) -> str:
    """`1,839 accepted`."""
    return trn(*_STATES[state], n)


how_many = number_of("--most", "integer", 0, 1_000_000)


def workspace_at(folder: Path) -> Workspace:
    """The workspace, once what an earlier command was writing in it is finished or taken back. Raises Refused."""
    from pipeline.findings import Refused
    from pipeline.outputs import settle
    from pipeline.workspace import Workspace

    try:
        str(folder.absolute()).encode()
    except UnicodeEncodeError:
        said = tr(
            "The name of the folder {folder} is not written in UTF-8, as the store needs it; rename it.", folder=str(folder)
        )
        raise Refused(said) from None
    settle(folder)
    workspace = Workspace(folder)
    words.use(Spoken.asked or workspace.settings.language)
    return workspace


@contextlib.contextmanager
def refusals() -> Iterator[None]:
    """Turn a run that cannot be done into one line (of forms, one for each fault) and exit 2."""
    import duckdb

    try:
        yield
    except KeyboardInterrupt:
        _stopped()
    except EOFError as wrong:  # typer takes it for the end of what a person types
        raise RuntimeError(f"EOFError: {wrong}") from wrong
    except BrokenPipeError:
        raise
    except (duckdb.ParserException, duckdb.ConversionException, duckdb.OutOfRangeException, duckdb.ConstraintException):
        raise  # no store, however damaged, makes a query what it is not
    except duckdb.Error as wrong:
        from pipeline.store import unreadable

        say(str(unreadable(wrong)), err=True)
        raise typer.Exit(2) from None
    except OSError as wrong:
        folder = Path(str(wrong.filename or "")).parent
        if isinstance(wrong, FileNotFoundError) and not folder.exists():
            say(tr("There is no folder {folder}; make it first, or name another.", folder=str(folder)), err=True)
            raise typer.Exit(2) from None
        why = f"{wrong.strerror or wrong}{f' ({wrong.filename})' if wrong.filename else ''}"
        say(tr("The disk refuses: {why}. Make room or ask for the right to write there.", why=why), err=True)
        raise typer.Exit(2) from None
    except Exception as wrong:
        from formpack.catalog import FormError
        from pipeline.findings import Refused
        from pipeline.store import was_stopped

        if was_stopped(wrong):
            _stopped()
        if not isinstance(wrong, (Refused, FormError)):
            raise
        for line in wrong.faults if isinstance(wrong, FormError) else [str(wrong)]:
            say(line, err=True)
        raise typer.Exit(2) from None


def _stopped() -> NoReturn:
    say(tr(STOPPED), err=True)
    raise typer.Exit(2) from None


def ended(app: typer.Typer) -> int:
    """Do what this process was asked to, and give its exit code. What a command does not expect is written down in full, and
    said in one line."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")  # a letter that the screen's alphabet lacks is shown by its number
    try:
        with refusals():
            app(prog_name="formpack")
        return 0
    except typer.Exit as end:
        return end.exit_code
    except SystemExit as end:
        if end.code != 130:  # so typer ends where a person stops it while something is printed
            return end.code if isinstance(end.code, int) else 0
        say(tr(STOPPED), err=True)
        return 2
    except Exception as wrong:
        said = "".join(traceback.format_exception(wrong))
        where = write_down(said)
        failed = tr("The program failed ({kind}). Nothing that came in is lost.", kind=type(wrong).__name__)
        if where:
            full = tr("The full text is in {file}; send it to whoever looks after the program.", file=str(where))
        else:
            full = tr("The full text:")
        say(f"{failed} {full}", err=True)
        for line in [] if where else said.splitlines():
            say(line, err=True)
        return 3


def write_down(said: str) -> Path | None:
    """Put the text of a failure into errors/ of the workspace, or into the folder for temporary files; gives the file."""
    from importlib import metadata

    version = "of no known version"
    with contextlib.suppress(metadata.PackageNotFoundError):
        version = metadata.version("formpack")
    now = dt.datetime.now()
    head = f"formpack {version}, Python {platform.python_version()}, {platform.platform()}, {now:%Y-%m-%d %H:%M:%S}"
    text = f"{head}\n{shlex.join(sys.argv)}\n\n{said}"
    nursery = _folder_of(sys.argv)
    for folder in ([nursery / "errors"] if (nursery / "nursery.toml").is_file() else []) + [Path(tempfile.gettempdir())]:
        path = folder / f"formpack-{now:%Y-%m-%d-%H%M%S}-{os.getpid()}.txt"
        with contextlib.suppress(OSError):
            folder.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8", errors="backslashreplace")
            return path
    return None


def _print(text: str, err: bool = False) -> None:
    try:
        typer.echo(text, err=err)
    except OSError as wrong:
        if wrong.errno not in (errno.EPIPE, errno.EINVAL):  # the second where Windows means the first
            raise
        with contextlib.suppress(OSError, ValueError):  # who read it wants no more, as `head`; the rest goes nowhere
            os.dup2(os.open(os.devnull, os.O_WRONLY), (sys.stderr if err else sys.stdout).fileno())


def say(text: str = "", err: bool = False) -> None:
    """Print one line. What people wrote in it cannot steer the screen: line breaks too are shown by their numbers."""
    _print(one_line(words.unpacked(text)), err)


def print_json(document: dict[str, Any]) -> None:
    """Print one document. It says exactly what is there; only characters that would steer a screen stand by their numbers."""
    _print(json_text(json.dumps(_in_words(document), ensure_ascii=False, indent=2, default=str)))


def _in_words(value: Any) -> Any:
    """The document with every sentence that is stored packed put into words."""
    if isinstance(value, str):
        return words.unpacked(value)
    if isinstance(value, dict):
        return {k: _in_words(v) for k, v in value.items()}
    return [_in_words(v) for v in value] if isinstance(value, (list, tuple)) else value


def _cell(value: Any) -> str:
    if isinstance(value, (int, float)):
        return words.number(value, 1 if isinstance(value, float) else 0)
    if isinstance(value, dt.date):
        return words.short_day(value)
    return "" if value is None else one_line(words.unpacked(str(value)))


def print_table(columns: Sequence[str], rows: Sequence[Sequence[Any]], beneath: Sequence[Sequence[str]] = ()) -> None:
    """Columns lined up; numbers to the right, with thousands parted and rates to one decimal, days and numbers as the language
    has them. `beneath` holds lines that follow each row."""
    cells = [[_cell(v) for v in row] for row in rows]
    widths = [max([len(c), *(len(r[i]) for r in cells)]) for i, c in enumerate(columns)]
    right = [all(isinstance(r[i], (int, float)) or r[i] is None for r in rows) and bool(rows) for i in range(len(columns))]
    for number, line in enumerate([list(columns), *cells]):
        said = (t.rjust(w) if r else t.ljust(w) for t, w, r in zip(line, widths, right, strict=True))
        say("  ".join(said).rstrip())
        for more in beneath[number - 1] if beneath and number else ():
            say(more)


def print_blocks(blocks: Sequence[Block]) -> None:
    """Print the sentences and tables of a report; drawings, and what explains it, stand on its page."""
    import textwrap

    from pipeline.report.blocks import Cell, Column, Head, Says, Table
    from pipeline.report.page import said

    def shown(value: Any, column: Column) -> Any:
        text = value.text if isinstance(value, Cell) else ""
        plain = value.value if isinstance(value, Cell) else value
        return text or (plain if column.kind in ("number", "day") else said(plain, column.kind))

    for block in blocks:
        if isinstance(block, (Says, Head)):
            for line in textwrap.wrap(block.text, 118, break_long_words=False, break_on_hyphens=False):
                say(line)
        elif isinstance(block, Table):
            say()
            say(block.caption)
            rows = [*block.rows, *([block.total] if block.total else [])]
            cells = [[shown(value, c) for value, c in zip(row, block.columns, strict=True)] for row in rows]
            print_table([c.head for c in block.columns], cells)


WORK = (marked("keeping"), marked("reading"), marked("making"))
"""What an import is at, beside the progress bar."""


class Bar:
    """A progress bar on the screen, only when the work takes longer than a second and a half."""

    def __init__(self) -> None:
        self.began = time.monotonic()
        self.shown: Any = None
        self.tasks: dict[str, Any] = {}

    def __call__(self, what: str, done: int, of: int) -> None:
        if sys.stderr is None or not sys.stderr.isatty() or (self.shown is None and time.monotonic() - self.began < 1.5):
            return
        if self.shown is None:
            from rich.console import Console
            from rich.progress import Progress

            self.shown = Progress(console=Console(stderr=True), transient=True)
            self.shown.start()
        if what not in self.tasks:
            self.tasks[what] = self.shown.add_task(tr(what), total=of)
        self.shown.update(self.tasks[what], completed=done)

    def __enter__(self) -> Bar:
        return self

    def __exit__(self, *_: object) -> None:
        if self.shown is not None:
            self.shown.stop()
