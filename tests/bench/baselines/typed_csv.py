"""python typed_csv.py FILES: what every baseline on tables begins with, DuckDB's own reader with a type for each column.

As a script: the files of one form into a table on disk, and nothing else.
"""

import sys
from pathlib import Path

import duckdb

DATES = {"visit_date", "list_date", "sow_date"}
TIMES = {"start", "end"}
DECIMALS = {"height_cm", "stem_mm", "stub_cm"}
NUMBERS = {
    "shown_count",
    "counted",
    "bagged",
    "cut",
    "staked",
    "topped",
    "not_ready",
    "dead",
    "lifted",
    "planted",
    "moved",
    "attempt",
    "buds_set",
    "passed_over",
    "green",
    "brown",
    "unsure",
    "missing",
    "lost",
    "despatched",
}


def kind(name: str) -> str:
    if name in DATES:
        return "DATE"
    if name in TIMES:
        return "TIMESTAMPTZ"
    if name in DECIMALS:
        return "DOUBLE"
    return "INTEGER" if name in NUMBERS or name.startswith("cull_") else "VARCHAR"


def load(connection: duckdb.DuckDBPyConnection, table: str, files: list[Path]) -> None:
    """Make a table of the files of one form."""
    with files[0].open(encoding="utf-8") as file:
        names = [name.strip('"\r\n') for name in file.readline().split(",")]
    columns = ", ".join(f"'{name}': '{kind(name)}'" for name in names)
    connection.execute(
        f"CREATE TABLE {table} AS SELECT * FROM read_csv(?, header = true, auto_detect = false, columns = {{{columns}}})",
        [[str(f) for f in files]],
    )


def connected(path: str) -> duckdb.DuckDBPyConnection:
    connection = duckdb.connect(path)
    connection.execute("SET enable_progress_bar = false; SET TimeZone = 'UTC'; SET threads = 2")
    return connection


if __name__ == "__main__":
    with connected("baseline.duckdb") as store:
        load(store, "stock_count", [Path(p) for p in sys.argv[1:]])
        print(store.execute("SELECT count(*) FROM stock_count").fetchone())
