"""Seals: an append-only chain of digests over what is kept, so that a record that is gone or altered is seen.

In the transaction in which rows of a kept table come, go or change, a seal is added: how many rows the table has, the sum of
numbers drawn from their texts, and a link, SHA-256 of the seal with the link before it. A seal says what the last one said and
what this transaction did, never what it found: so damage done between two transactions stays a difference whatever comes later.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from typing import Any

import duckdb

from formpack.words import many, tr

APPENDED = ("raw_files", "file_names", "corrections", "state_changes", "codes", "printed")
"""Tables that only ever get more rows: of these a transaction's own rows are looked at, not the whole."""
WHOLE = ("list_rows", "named_forms", "form_versions", "passed_over", "not_taken", "layout")
_SEALED = (*APPENDED, *WHOLE)
Content = tuple[int, int]
"""How many rows there are, and the sum of their numbers."""
Before = dict[str, tuple[Content, int]]
"""What a transaction found: of each table its content (of appended tables nothing), and its highest rowid."""
_NOTHING: tuple[Content, int] = ((0, 0), -1)


def _columns(connection: duckdb.DuckDBPyConnection) -> dict[str, list[str]]:
    found = connection.execute(
        "SELECT table_name, list(column_name ORDER BY column_index) FROM duckdb_columns()"
        " WHERE schema_name = 'kept' AND database_name = current_database() GROUP BY ALL"
    ).fetchall()
    return dict(found)


def _contents(connection: duckdb.DuckDBPyConnection, after: dict[str, int]) -> dict[str, Content]:
    """The content of each table beyond a rowid. Bytes are left out (their SHA-256 is a column), and nothing is like ''."""
    beyond = {name: f"FROM kept.{name} WHERE rowid > {rowid}" for name, rowid in after.items()}
    counts = connection.execute(" UNION ALL ".join(f"SELECT '{n}', count(*) {b}" for n, b in beyond.items())).fetchall()
    filled = [name for name, many in counts if many]
    if not filled:
        return dict.fromkeys(after, (0, 0))
    columns = _columns(connection)
    queries = []
    for name in filled:
        texts = [f"coalesce(\"{c}\"::VARCHAR, '')" for c in columns.get(name, ()) if c != "content"]
        said = ", ".join(f"length({t}), ':', {t}" for t in texts)
        queries.append(f"SELECT '{name}', count(*), sum(md5_number_lower(concat({said}))::HUGEINT) {beyond[name]}")
    found = connection.execute(" UNION ALL ".join(queries)).fetchall()
    return dict.fromkeys(after, (0, 0)) | {name: (many, int(total)) for name, many, total in found}


def begin(connection: duckdb.DuckDBPyConnection, lets_go: bool = False) -> Before | None:
    """What is there before a transaction does anything; None where there are no seals yet. Where it may let go of rows, all
    tables are looked at whole. A store of a former layout may lack tables: of these there is nothing."""
    there = _columns(connection)
    if "seals" not in there:
        return None
    if lets_go:
        whole = [name for name in _SEALED if name in there]
        return {name: (content, -1) for name, content in _contents(connection, dict.fromkeys(whole, -1)).items()}
    queries = [f"SELECT '{name}', coalesce(max(rowid), -1) FROM kept.{name}" for name in APPENDED if name in there]
    last = dict(connection.execute(" UNION ALL ".join(queries)).fetchall())
    now = _contents(connection, {name: -1 for name in WHOLE if name in there})
    return {name: (now.get(name, (0, 0)), last.get(name, -1)) for name in _SEALED}


def add(connection: duckdb.DuckDBPyConnection, before: Before | None) -> None:
    """Seal what a transaction has done, before it ends; in a store without seals, everything."""
    found = before or {}
    now = _contents(connection, {name: found.get(name, _NOTHING)[1] for name in _SEALED})
    sealed = _last(connection)
    number, link = last_link(connection)
    for name in _SEALED:
        was = found.get(name, _NOTHING)[0]
        more = (now[name][0] - was[0], now[name][1] - was[1])
        if any(more):
            content = tuple(a + b for a, b in zip(sealed.get(name, (0, 0)), more, strict=True))
            number, at = number + 1, dt.datetime.now()
            link = _link(link, number, at, name, *content)
            row = [number, at, name, content[0], str(content[1]), link]
            connection.execute("INSERT INTO kept.seals VALUES (?, ?, ?, ?, ?, ?)", row)


def _link(before: str, *said: Any) -> str:
    return hashlib.sha256(repr((before, *(str(s) for s in said))).encode()).hexdigest()


def last_link(connection: duckdb.DuckDBPyConnection) -> tuple[int, str]:
    """Number and link of the last seal."""
    found = connection.execute("SELECT number, link FROM kept.seals ORDER BY number DESC LIMIT 1").fetchall()
    return found[0] if found else (0, "")


def shown(connection: duckdb.DuckDBPyConnection) -> str:
    """The last seal as a person writes it down: its number and the beginning of its link."""
    number, link = last_link(connection)
    return f"{number}-{link[:12]}"


def has(connection: duckdb.DuckDBPyConnection, seal: str) -> bool:
    """Whether a seal that was written down is in the chain."""
    number, _, link = seal.partition("-")
    found = connection.execute("SELECT link FROM kept.seals WHERE number::VARCHAR = ?", [number]).fetchall()
    return len(link) >= 12 and bool(found) and str(found[0][0]).startswith(link)


def _last(connection: duckdb.DuckDBPyConnection) -> dict[str, Content]:
    """What was sealed last of each table. A total that is no number, which no seal has, is one that no table agrees with."""
    found = connection.execute("SELECT what, many, TRY_CAST(total AS HUGEINT) FROM kept.seals ORDER BY number").fetchall()
    return {what: (many, -1 if total is None else int(total)) for what, many, total in found}


def faults(connection: duckdb.DuckDBPyConnection) -> list[str]:
    """Where what is kept is not as it was sealed, in words; none where it is whole."""
    columns = _columns(connection)
    found = [tr("{table}, which is missing", table=f"kept.{name}") for name in (*_SEALED, "seals") if name not in columns]
    try:
        found += [] if found else _broken_links(connection)
        sealed = _last(connection)
    except (duckdb.Error, ValueError, TypeError):
        return [*found, tr("{table}, which cannot be read", table="kept.seals")]
    for name in (name for name in _SEALED if name in columns):
        try:
            found += _other_rows(name, sealed.get(name, (0, 0)), _contents(connection, {name: -1})[name])
        except duckdb.Error:
            found.append(tr("{table}, which cannot be read", table=f"kept.{name}"))
    return found


def _broken_links(connection: duckdb.DuckDBPyConnection) -> list[str]:
    seals = connection.execute("SELECT number, made_at, what, many, total, link FROM kept.seals ORDER BY number").fetchall()
    if not seals:
        return [tr("{table}, which is empty", table="kept.seals")]
    before, found = "", []
    for place, (number, *said, link) in enumerate(seals, start=1):
        if number != place or _link(before, number, *said) != link:
            found.append(tr("seal {number}, which is missing or altered", number=str(place)))
            break
        before = link
    return found


def _other_rows(name: str, was: Content, now: Content) -> list[str]:
    if more := now[0] - was[0]:
        rows, table = many(abs(more), "row"), f"kept.{name}"
        if more > 0:
            return [tr("{table}, which has {rows} more than sealed", table=table, rows=rows)]
        return [tr("{table}, which has {rows} fewer than sealed", table=table, rows=rows)]
    return [] if now == was else [tr("{table}, whose rows say something other than what was sealed", table=f"kept.{name}")]
