"""The embedded DuckDB store of a workspace.

Schema `kept` holds what can never be rebuilt (the bytes that came in, corrections). Everything else can be
dropped: `work` (readings and the ladder of tables between), `answers` (one table a form), `main` (the views
that people and reports read).
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import duckdb

from formpack.words import marked, tr
from pipeline import seals
from pipeline.findings import Refused

SQL = {path.stem: path for path in Path(__file__).parent.glob("*/sql/*.sql")}
"""Name of a table -> the file that makes it, in the room that runs it."""
_WAIT_SECONDS, _READER_WAITS = 5.0, 1.0
_IN_USE = ("Could not set lock", "being used by another process")
"""What the system says of a store that another command holds; the name of a folder may hold such a word as "lock"."""
LAYOUT = 5
"""Raise it when a table of `kept`, or one that is written to row by row, changes its columns."""
_FIRST_SEALED = 4
"""The layout from which on what is kept has seals."""
KEPT = tuple(
    """
    raw_files file_names passed_over not_taken seals corrections state_changes list_rows named_forms form_versions codes printed
    """.split()
)
"""The tables of `kept`: what can never be made again."""
NOT_COMPARED = ("state", "changes", "chain_cache")
"""Tables that hold how the others were made, and so are others where the way was another."""
_SET = """
SET enable_progress_bar = false;
SET TimeZone = 'UTC';
SET threads = 1;
SET memory_limit = '640MB';
CREATE OR REPLACE TEMP MACRO pack(message, given := []::VARCHAR[]) AS
    chr(2) || array_to_string(list_prepend(message, given), chr(31)) || chr(3);
CREATE OR REPLACE TEMP MACRO packn(one, more, n, given := []::VARCHAR[]) AS
    pack(one || chr(29) || more, list_prepend('n=#' || n, given));
"""
"""What every connection begins with. `pack` makes a text that `formpack.words` puts into words where it is shown:
`pack('{n} buds were set', ['n=#' || buds])`; a number has # before it, a day @, to be written as the language does; `packn` has
a message for one and one for several."""
_LARGE = 200 * 2**20
"""Bytes of a store from which on two threads are quicker than one (tests/bench)."""
_KEPT = """
CREATE SCHEMA IF NOT EXISTS kept;
CREATE SCHEMA IF NOT EXISTS work;
CREATE SCHEMA IF NOT EXISTS answers;
CREATE TABLE IF NOT EXISTS kept.raw_files (
    sha256 VARCHAR PRIMARY KEY, name VARCHAR, size BIGINT, content BLOB, received_at TIMESTAMP, received_on DATE);
CREATE TABLE IF NOT EXISTS kept.file_names (
    sha256 VARCHAR, name VARCHAR, seen_at TIMESTAMP, PRIMARY KEY (sha256, name));
CREATE TABLE IF NOT EXISTS kept.passed_over (sha256 VARCHAR PRIMARY KEY, why VARCHAR, program VARCHAR, since TIMESTAMP);
CREATE TABLE IF NOT EXISTS kept.not_taken (place VARCHAR PRIMARY KEY, why VARCHAR, on_day DATE);
CREATE TABLE IF NOT EXISTS kept.seals (
    number BIGINT PRIMARY KEY, made_at TIMESTAMP, what VARCHAR, many BIGINT, total VARCHAR, link VARCHAR);
CREATE TABLE IF NOT EXISTS kept.corrections (
    number BIGINT PRIMARY KEY, made_at TIMESTAMP, made_by VARCHAR, instance_id VARCHAR, kind VARCHAR, field VARCHAR,
    old_answer VARCHAR, new_answer VARCHAR, rule VARCHAR, reason VARCHAR);
CREATE TABLE IF NOT EXISTS kept.state_changes (changed_at TIMESTAMP, instance_id VARCHAR, state VARCHAR);
CREATE TABLE IF NOT EXISTS kept.list_rows (
    list_name VARCHAR, code VARCHAR, texts VARCHAR, inactive_since DATE, is_listed BOOLEAN);
CREATE TABLE IF NOT EXISTS kept.named_forms (sha256 VARCHAR PRIMARY KEY, form_id VARCHAR);
CREATE TABLE IF NOT EXISTS kept.form_versions (
    form_id VARCHAR, version VARCHAR, asked VARCHAR, is_published BOOLEAN, PRIMARY KEY (form_id, version));
CREATE TABLE IF NOT EXISTS kept.codes (code VARCHAR PRIMARY KEY, issued_at TIMESTAMP, issued_on DATE);
CREATE TABLE IF NOT EXISTS kept.printed (
    number BIGINT PRIMARY KEY, printed_at TIMESTAMP, printed_on DATE, kind VARCHAR, about VARCHAR, shows VARCHAR);
CREATE TABLE IF NOT EXISTS kept.layout (number INTEGER);
CREATE TABLE IF NOT EXISTS work.state (key VARCHAR PRIMARY KEY, value VARCHAR);
CREATE TABLE IF NOT EXISTS work.changes (name VARCHAR, number BIGINT, by_column VARCHAR, key VARCHAR);
CREATE TABLE IF NOT EXISTS work.parsed_files (sha256 VARCHAR, read_as VARCHAR);
CREATE TABLE IF NOT EXISTS work.headings (
    sha256 VARCHAR, place VARCHAR, form_id VARCHAR, why VARCHAR, strange VARCHAR, absent VARCHAR);
CREATE TABLE IF NOT EXISTS work.received (
    sha256 VARCHAR, item INTEGER, place VARCHAR, form_hint VARCHAR, form_version VARCHAR, instance_id VARCHAR,
    deprecated_id VARCHAR, heading VARCHAR, texts VARCHAR[], twice VARCHAR, rule VARCHAR, why VARCHAR, reading_id UUID);
CREATE TABLE IF NOT EXISTS work.readings (
    reading_id UUID, instance_id VARCHAR, form_id VARCHAR, deprecated_id VARCHAR, said UUID, group_code VARCHAR,
    visit_date DATE, staff_code VARCHAR, ended VARCHAR, received_on DATE, sha256 VARCHAR, item INTEGER, source VARCHAR,
    form_version VARCHAR);
CREATE TABLE IF NOT EXISTS work.reading_findings (
    reading_id UUID, rule VARCHAR, field VARCHAR, value VARCHAR, detail VARCHAR);
"""


BACK = marked("Restore the last backup into a new folder: `formpack rebuild --from BACKUP --workspace NEW`.")
"""The way out where what is kept is damaged; `tr` it."""
_UNREADABLE = {
    "not a valid DuckDB": marked(
        "{file} is no store: something else stands under its name. Put that elsewhere. {back} Without a backup, import the"
        " inbox again in a new folder."
    ),
    "Could not read enough bytes": marked(
        "{file} is cut: it ends before its tables do. {back} Without a backup, import the inbox again in a new folder."
    ),
    "Corrupt database": marked(
        "{file} is damaged: a part of it is not what was written there. {back} Without a backup, import the inbox again in a"
        " new folder."
    ),
    "Is a directory": marked(
        "{file} is a folder, where the store has to be a file. Put that elsewhere. {back} Without a backup, import the inbox"
        " again in a new folder."
    ),
}
"""What the system says of a file that is no whole store -> what is said of it."""


def unreadable(wrong: Exception, name: str = "") -> Refused:
    """A file that cannot be read as a store, told apart in words, with the way out."""
    said, file, back = str(wrong), name or tr("The store"), tr(BACK)
    for words, what in _UNREADABLE.items():
        if words in said:
            return Refused(tr(what, file=file, back=back))
    if "newer version of DuckDB" in said:
        return Refused(
            tr("{file} was written with a later version of DuckDB; update formpack and what it came with.", file=file)
        )
    if "No space left" in said:
        return _unwritten(wrong)
    if "Permission denied" in said or "read-only" in said.lower():
        return Refused(tr("{file} may not be opened by you; ask for the right to read and write it.", file=file))
    what = marked("{file} cannot be used ({why}). `formpack check` says what is damaged. {back}")
    return Refused(tr(what, file=file, why=said.splitlines()[0], back=back))


def kept_json(text: str) -> dict[str, Any]:
    """A document that is kept. Raises Refused where it is not as it was kept."""
    try:
        found = json.loads(text)
    except (ValueError, RecursionError, TypeError):
        found = None
    if not isinstance(found, dict):
        said = marked("What is kept is damaged: a text in it cannot be read. `formpack check` says more. {back}")
        raise Refused(tr(said, back=tr(BACK)))
    return found


def was_stopped(wrong: BaseException) -> bool:
    """Whether a person stopped it; in the middle of a query DuckDB says it in words of its own."""
    return isinstance(wrong, KeyboardInterrupt) or (isinstance(wrong, RuntimeError) and str(wrong) == "Query interrupted")


STARTED = frozenset(re.findall(r"EXISTS work\.(\w+)", _KEPT))
"""The tables of `work` that an empty store has."""


def _looked_at(path: Path) -> None:
    """Refuse what is no store before anything could change it."""
    beside = path.with_name(f"{path.name}.wal")
    if not path.exists():
        if beside.exists():
            said = marked("{file} is missing, and what was last written to it is still here, as {other}. {back}")
            raise Refused(tr(said, file=path.name, other=beside.name, back=tr(BACK)))
    elif path.is_file() and not path.stat().st_size:
        said = marked("{file} is empty: there is no store in it. Take it away, and import the inbox again. Or: {back}")
        raise Refused(tr(said, file=path.name, back=tr(BACK)))
    elif beside.exists():  # opened for writing, what stands beside would be written into it
        with duckdb.connect(str(path), read_only=True) as connection:
            _ = Store(connection, path).layout


def _begin(path: Path) -> None:
    """Put an empty store in place as a whole: of one whose making is cut short nothing is ever found at `path`."""
    with tempfile.TemporaryDirectory(prefix=".new-", dir=path.parent) as folder:
        new = Path(folder) / path.name
        duckdb.connect(str(new)).close()
        with contextlib.suppress(OSError):  # another command was first, or this disk knows no links: then it is made in place
            os.link(new, path)


def quoted(name: str) -> str:
    """A table of `work`, or answers.FORM, as SQL has it."""
    schema, _, table = name.rpartition(".")
    return f'{schema or "work"}."{table}"'


def _unwritten(wrong: Exception) -> Refused:
    why = str(wrong).splitlines()[0]
    if any(words in why for words in _UNREADABLE):
        return unreadable(wrong)
    return Refused(tr("The store could not be written, and is as it was; make room and do it again. ({why})", why=why))


class Store:
    """An open store. Close it, or use it in `with`."""

    def __init__(self, connection: duckdb.DuckDBPyConnection, path: Path | None = None) -> None:
        self.connection, self.path = connection, path
        self.kept = path.parent / "kept" if path else None
        """The folder of photos and large files; none for a store in memory, which holds all itself."""
        self.is_inside = False
        """Whether a transaction has begun."""

    @classmethod
    def open(cls, path: Path, make: bool = True, is_read_only: bool = False) -> Store:
        """Open the store at `path`; waits a little where another command has it. Raises Refused."""
        until = time.monotonic() + (_READER_WAITS if is_read_only else _WAIT_SECONDS)
        while True:
            try:
                _looked_at(path)
                if not path.exists():
                    if not make:
                        raise Refused(tr("Nothing has been imported here yet; run `formpack import` first."))
                    _begin(path)
                connection = duckdb.connect(str(path), read_only=is_read_only)
                break
            except duckdb.IOException as wrong:
                if not any(words in str(wrong) for words in _IN_USE):
                    raise unreadable(wrong, path.name) from None
                if time.monotonic() > until:
                    raise Refused(tr("Another command is using the store; wait until it ends and try again.")) from None
                time.sleep(0.1)
            except duckdb.Error as wrong:
                raise unreadable(wrong, path.name) from None
        store = cls(connection, path)
        try:
            connection.execute(_SET)
            store.set_threads()
            if not is_read_only:
                store.make_schema()
            else:
                _ = store.layout
        except BaseException as wrong:
            connection.close()
            if isinstance(wrong, duckdb.Error):
                raise unreadable(wrong, path.name) from None
            raise
        return store

    def set_threads(self) -> None:
        """One thread for a small store, whose queries are over before a second one has begun; two for a large one."""
        files = [self.path, self.path.with_name(f"{self.path.name}.wal")] if self.path else []
        size = sum(file.stat().st_size for file in files if file.exists())
        if size >= _LARGE:
            self.connection.execute("SET threads = 2")

    @property
    def layout(self) -> int:
        """The number of the store's layout: 0 for a new store, 1 for the first one, which did not say. Raises Refused where it
        cannot be told, or where the file is no store of this program."""
        name = self.path.name if self.path else tr("The store")
        there = self.rows("SELECT schema_name, table_name FROM duckdb_tables() WHERE database_name = current_database()")
        tables = {table for schema, table in there if schema == "kept"}
        number = 0
        if "layout" in tables:
            number = self.value("SELECT TRY_CAST(max(number) AS INTEGER) FROM kept.layout") or 0
        wanted = set(KEPT) if number == LAYOUT else {"raw_files"} if tables else set()
        if lacking := sorted(wanted - tables):
            tables_lacking = ", ".join(f"kept.{table}" for table in lacking)
            raise Refused(tr("{file} is damaged: it has no {tables}. {back}", file=name, tables=tables_lacking, back=tr(BACK)))
        if "seals" in tables and number < _FIRST_SEALED:
            said = marked("{file} is damaged: the number of its layout (kept.layout) is not what it was. {back}")
            raise Refused(tr(said, file=name, back=tr(BACK)))
        if "raw_files" not in tables and there:
            said = marked("{file} is a DuckDB file of another program, and is left as it is; name another folder.")
            raise Refused(tr(said, file=name))
        return number or int("raw_files" in tables)

    @property
    def is_current(self) -> bool:
        """Whether the layout is this program's."""
        return self.layout == LAYOUT

    def make_schema(self) -> None:
        """The tables that are written to row by row, where they are not there yet. A store of a former layout keeps what came
        in, and everything else is made anew: in the transaction that makes it, so that it is never without. Raises Refused for
        one of a later layout."""
        layout = self.layout
        if layout == LAYOUT or (layout and layout < LAYOUT and not self.is_inside):
            return
        if layout > LAYOUT:
            said = marked("This store was written by a later version of formpack; use that version, or update this one.")
            raise Refused(tr(said))
        with self.transaction():
            if layout:
                self.drop_what_is_made(again=False)
            self.connection.execute(_KEPT)
            if 0 < layout < 4:  # before, a file had the one name under which it first came
                self.connection.execute("INSERT INTO kept.file_names SELECT sha256, name, received_at FROM kept.raw_files")
            self.connection.execute("DELETE FROM kept.layout")
            self.connection.execute("INSERT INTO kept.layout VALUES (?)", [LAYOUT])

    def drop_what_is_made(self, again: bool = True) -> None:
        """Drop everything that can be made from what is kept."""
        for schema, name, kind in self.rows(
            "SELECT table_schema, table_name, table_type FROM information_schema.tables"
            " WHERE table_schema IN ('main', 'work', 'answers') AND table_catalog = current_database()"
            " ORDER BY table_schema = 'work', table_type"
        ):
            self.connection.execute(f'DROP {"VIEW" if kind == "VIEW" else "TABLE"} {schema}."{name}"')
        if again:
            self.connection.execute(_KEPT)

    @classmethod
    def in_memory(cls) -> Store:
        """A store that is gone when it is closed."""
        store = cls(duckdb.connect(":memory:"))
        store.connection.execute(_SET)
        store.make_schema()
        return store

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.connection.close()

    @contextlib.contextmanager
    def transaction(self, is_sealed: bool = True, lets_go: bool = False) -> Iterator[None]:
        """All or nothing: what is done inside is kept when it ends well and undone when it does not. One inside another is a
        part of it. What it does to kept tables is sealed, unless the seals come with the rows; only one that `lets_go` may take
        rows out of those that otherwise only get more."""
        if self.is_inside:
            yield
            return
        self.connection.execute("BEGIN")
        self.is_inside = True
        try:
            before = seals.begin(self.connection, lets_go)
            yield
            if is_sealed:
                seals.add(self.connection, before)
        except (duckdb.IOException, duckdb.FatalException, duckdb.OutOfMemoryException) as wrong:
            self._undo()
            raise _unwritten(wrong) from None
        except BaseException:
            self._undo()
            raise
        finally:
            self.is_inside = False
        try:
            self.connection.execute("COMMIT")
        except duckdb.Error as wrong:  # checks are over by now: what can still fail is the disk
            self._undo()
            raise _unwritten(wrong) from None

    def _undo(self) -> None:
        with contextlib.suppress(duckdb.Error):  # a COMMIT that failed has already undone it
            self.connection.execute("ROLLBACK")

    def rows(self, sql: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        return self.connection.execute(sql, list(values)).fetchall()

    def value(self, sql: str, values: Sequence[Any] = ()) -> Any:
        found = self.rows(sql, values)
        return found[0][0] if found else None

    def insert(self, table: str, columns: Sequence[str], rows: Sequence[Sequence[Any]]) -> None:
        """Insert rows in bulk; types are those of the table's columns, and nothing is coerced beyond them."""
        if not rows:
            return
        import pyarrow as pa

        types = {name: kind for name, kind, *_ in self.rows(f"DESCRIBE {table}")}
        arrow = {
            "BIGINT": pa.int64(),
            "INTEGER": pa.int32(),
            "DOUBLE": pa.float64(),
            "DATE": pa.date32(),
            "BOOLEAN": pa.bool_(),
            "VARCHAR": pa.string(),
            "UUID": pa.string(),
            "TIMESTAMP": pa.timestamp("us"),
            "BLOB": pa.large_binary(),
        }
        batch = pa.table({c: pa.array([row[i] for row in rows], type=arrow[types[c]]) for i, c in enumerate(columns)})
        self.connection.register("incoming", batch)
        names = ", ".join(f'"{c}"' for c in columns)
        self.connection.execute(f"INSERT INTO {table} ({names}) SELECT {names} FROM incoming")
        self.connection.unregister("incoming")

    def contents(self) -> dict[str, tuple[Any, ...]]:
        """Of each table that stages make its number of rows and the sum of their hashes. Of what was received the order of its
        answers, and its blanks, do not matter."""
        received = (
            "(SELECT * EXCLUDE (heading, texts), list_sort(list_filter(list_zip(heading::JSON::VARCHAR[], texts),"
            " lambda x: x[2] IS NOT NULL)) FROM work.received)"
        )
        sources = {name: quoted(name) for name in self.tables() if name not in NOT_COMPARED} | {"received": received}
        return {n: self.rows(f"SELECT count(*), sum(hash(t)::HUGEINT) FROM {s} t")[0] for n, s in sources.items()}

    def tables(self) -> list[str]:
        """The tables of `work`, and those of `answers` as answers.FORM."""
        there = self.rows(
            "SELECT schema_name, table_name FROM duckdb_tables() WHERE database_name = current_database()"
            " AND schema_name IN ('work', 'answers') ORDER BY ALL"
        )
        return [table if schema == "work" else f"{schema}.{table}" for schema, table in there]

    def shapes(self) -> dict[str, str]:
        """Of every table and view the digest of its columns, or of its query."""
        columns = "string_agg(column_name || ' ' || data_type, ', ' ORDER BY column_index)"
        return dict(
            self.rows(
                f"SELECT schema_name || '.' || table_name, left(md5({columns}), 12) FROM duckdb_columns() JOIN duckdb_tables()"
                " USING (database_name, schema_name, table_name) WHERE database_name = current_database()"
                " AND schema_name IN ('kept', 'work', 'answers') GROUP BY ALL UNION ALL"
                " SELECT schema_name || '.' || view_name, left(md5(sql), 12) FROM duckdb_views()"
                " WHERE database_name = current_database() AND schema_name IN ('main', 'work') AND NOT internal ORDER BY ALL"
            )
        )

    def get(self, key: str) -> str:
        return self.value("SELECT value FROM work.state WHERE key = ?", [key]) or ""

    def put(self, key: str, value: str) -> None:
        self.connection.execute("INSERT OR REPLACE INTO work.state VALUES (?, ?)", [key, value])
