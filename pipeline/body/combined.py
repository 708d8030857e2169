"""The whole of a body's run: what it is given -> what is taken in -> sums by an engine -> tables, store, page."""

from __future__ import annotations

import datetime as dt
import shutil
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import duckdb

from formpack import words
from formpack.words import marked, tr
from pipeline.body import sources
from pipeline.body.codes import Codes
from pipeline.body.engines import PARTED, engine
from pipeline.body.pooled import tables_of
from pipeline.body.sources import STORE, TAKEN, Found, How
from pipeline.findings import Refused
from pipeline.outputs import Batch, together
from pipeline.run import no_progress
from pipeline.workspace import SETTINGS_NAME


@dataclass(frozen=True)
class Combined:
    """What came of it: every nursery that was given, the tables, the files written."""

    found: list[Found]
    tables: dict[str, Any]
    files: list[Path]
    not_given: list[str]
    """Nurseries that were in it before and are not now."""

    @cached_property
    def rows(self) -> dict[str, list[dict[str, Any]]]:
        """The rows of each table."""
        return {name: table.to_pylist() for name, table in self.tables.items()}

    @property
    def page(self) -> Path:
        return self.files[1]

    @property
    def left_out(self) -> list[Found]:
        return [one for one in self.found if one.why]


def combine(
    folders: Iterable[Path],
    workspace: Path,
    engine_name: str = "duckdb",
    master: str = "",
    as_of: dt.date | None = None,
    progress: Any = no_progress,
    codes: Codes = (),
) -> Combined:
    """Combine the nurseries in these folders in the workspace, which is new or of an earlier combining. Raises Refused."""
    from pipeline.body.page import write_page

    _refuse_others(workspace)
    given, odd = sources.find(folders)
    workspace.mkdir(parents=True, exist_ok=True)
    workspace = workspace.resolve()
    how = How(str(workspace), sources.program_mark(), words.current(), as_of.isoformat() if as_of else "", codes)
    before = sources.taken_before(workspace)
    with engine(engine_name, workspace, master, progress) as chosen:
        found = sorted([*sources.take_all(given, how, chosen.each), *odd], key=lambda one: (one.nursery, one.place))
        progress(tr("Putting them together"), 0, 1)
        tables = tables_of(chosen, found)
    reports = workspace / "reports"
    with together(workspace) as files:
        _write_store(workspace, tables, files)
        written = write_page(tables, reports, files)
    not_given = sorted(before - {one.nursery for one in found})
    return Combined(found, tables, [workspace / STORE, *written], not_given)


def _refuse_others(workspace: Path) -> None:
    """A body's workspace is its own: nothing of a nursery, nor of anything else, is mixed with it."""
    if odd := sorted(set(str(workspace.resolve())) & set("*?[]{}")):
        said = marked("{folder} has {signs} in its name, which engines take for patterns; name another folder.")
        raise Refused(tr(said, folder=workspace, signs=" ".join(odd)))
    if (workspace / SETTINGS_NAME).exists():
        said = marked(
            "{folder} is the workspace of a nursery; name a new folder with --workspace, which will be the body's own."
        )
        raise Refused(tr(said, folder=workspace))
    if workspace.exists() and (not workspace.is_dir() or (any(workspace.iterdir()) and not (workspace / TAKEN).is_dir())):
        said = marked("{folder} holds something else; name a new folder with --workspace, which will be the body's own.")
        raise Refused(tr(said, folder=workspace))


def _write_store(workspace: Path, tables: dict[str, Any], batch: Batch) -> None:
    """The tables of the body, and in the schema `by_nursery` every table of every nursery under each other, as they stand in
    `taken/`: a program that opens the store does so in the workspace."""
    with tempfile.TemporaryDirectory(prefix=".store-", dir=workspace) as aside:
        path = Path(aside) / STORE
        with duckdb.connect(str(path)) as connection:
            for name, table in tables.items():
                connection.register("incoming", table)
                connection.execute(f'CREATE TABLE "{name}" AS FROM incoming')
                connection.unregister("incoming")
            connection.execute("CREATE SCHEMA by_nursery")
            connection.execute(f"SET file_search_path = '{str(workspace).replace(chr(39), chr(39) * 2)}'")
            for name in sorted({p.parent.name for p in (workspace / TAKEN).glob("*/nursery=*")}):
                connection.execute(f'CREATE VIEW by_nursery."{name}" AS {_under_each_other(workspace / TAKEN / name)}')
        shutil.move(path, batch.place(workspace / STORE))


def _under_each_other(folder: Path) -> str:
    """A query of the rows of a table of all nurseries. Where forms of their own ask one thing in several ways, what was
    answered there stands as words."""
    from pyarrow import parquet

    reads = "read_parquet([{files}], " + PARTED + ", union_by_name = true)"
    every = f"'{TAKEN}/{folder.name}/nursery=*/season=*/*.parquet'"
    alike: dict[tuple[tuple[str, str], ...], list[str]] = {(): [every]}
    odd: set[str] = set()
    if folder.name.startswith("answers_"):
        alike.clear()
        kinds: dict[str, str] = {}
        for own in sorted(folder.glob("nursery=*")):
            there = tuple((f.name, str(f.type)) for f in parquet.read_schema(next(own.rglob("*.parquet"))))
            alike.setdefault(there, []).append(f"'{TAKEN}/{folder.name}/{own.name}/season=*/*.parquet'")
            odd |= {name for name, kind in there if kinds.setdefault(name, kind) != kind}
        if not odd:
            alike = {(): [every]}
    parts = []
    for columns, files in alike.items():
        as_words = ", ".join(f'"{c}"::VARCHAR AS "{c}"' for c, _ in columns if c in odd)
        parts.append(f"SELECT *{f' REPLACE ({as_words})' if as_words else ''} FROM {reads.format(files=', '.join(files))}")
    return " UNION ALL BY NAME ".join(parts)


def open_store(workspace: Path) -> duckdb.DuckDBPyConnection:
    """The store of a body, for reading, wherever the program was started."""
    connection = duckdb.connect(str(workspace / STORE), read_only=True)
    connection.execute(f"SET file_search_path = '{str(workspace.resolve()).replace(chr(39), chr(39) * 2)}'")
    return connection
