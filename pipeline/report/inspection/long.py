"""Records that may be many: as a table of the page and of the workbook, and whole as CSV; and what their codes are called."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from formpack.words import marked, tr
from pipeline.report.blocks import Block, Cell, Column, Fold, Says, Table
from pipeline.report.workbook import MOST_ROWS
from pipeline.store import Store
from pipeline.tables import names_of, write_csv

ON_PAGE, OF_STANDING = 60, 1000
"""Rows of a table on the page; of what stands, which is folded away where it is longer than the first."""


@dataclass(frozen=True)
class Names:
    """What codes are called, by list."""

    places: dict[str, str]
    rootstocks: dict[str, str]
    scions: dict[str, str]
    teams: dict[str, str]
    staff: dict[str, str]
    pests: dict[str, str]

    def person(self, code: str | None) -> str:
        """A person of the nursery, by name and code."""
        name = self.staff.get(code or "", code or "")
        return name if name == (code or "") else f"{name} ({code})"


def names(store: Store) -> Names:
    """What the nursery's lists call their codes."""
    return Names(*(names_of(store, of) for of in ("locations", "rootstocks", "scions", "teams", "staff", "pests")))


@dataclass(frozen=True)
class Period:
    """First and last day that it covers; `since` is None where it covers all before."""

    since: dt.date | None
    until: dt.date

    @property
    def values(self) -> list[dt.date]:
        return [self.since or dt.date.min, self.until]


@dataclass(frozen=True)
class Long:
    """Records that may be many: whole as CSV, up to `MOST_ROWS` in the workbook, the last (or first) of them on the page.
    `query` takes the days of the period, and names its columns as the CSV does; `row` makes cells of a row of it."""

    name: str
    caption: str
    columns: Sequence[Column]
    query: str
    row: Callable[..., Sequence[Any]]
    is_of_period: bool = True
    on_page: int = ON_PAGE
    is_last: bool = True

    @property
    def table(self) -> str:
        return f"inspected_{self.name}"

    def take(self, store: Store, period: Period) -> None:
        """Lay the records aside for all that shows them."""
        values = period.values if self.is_of_period else []
        store.connection.execute(f"CREATE OR REPLACE TEMP TABLE {self.table} AS {self.query}", values)

    def count(self, store: Store) -> int:
        return int(store.value(f"SELECT count(*) FROM {self.table}"))

    def write(self, store: Store, path: Path) -> None:
        write_csv(store, f"SELECT * FROM {self.table} ORDER BY rowid", path)

    def blocks(self, store: Store, is_page: bool) -> list[Block]:
        """The table with a sentence where it is not whole; a long one is folded away."""
        most, there = self.on_page if is_page else MOST_ROWS, self.count(store)
        turn = "DESC" if self.is_last else "ASC"
        rows = store.rows(f"SELECT * FROM {self.table} ORDER BY rowid {turn} LIMIT {most}")
        shown_rows = [self.row(*row) for row in (reversed(rows) if self.is_last else rows)]
        found: list[Block] = []
        if there > most:
            said = marked("The last {n} of {all} are here; all are in {file}.")
            if not self.is_last:
                said = marked("The first {n} of {all} are here; all are in {file}.")
            files = "inspection.xlsx, " if is_page and there <= MOST_ROWS else ""
            found.append(Says(tr(said, n=most, all=there, file=f"{files}{self.name}.csv"), "soft"))
        return [*found, folded(Table(self.name, self.caption, self.columns, shown_rows))]


def folded(table: Table, least: int = ON_PAGE) -> Block:
    """The table, folded away where it is long: of more rows than `least`."""
    return Fold(table.caption, [table]) if len(table.rows) > least else table


def newest(table: Table, is_page: bool, least: int = ON_PAGE) -> list[Block]:
    """The table with its last rows alone where it has more than a page, or a sheet, takes."""
    most, there = OF_STANDING if is_page else MOST_ROWS, len(table.rows)
    if there <= most:
        return [folded(table, least)]
    said = tr("The last {n} of {all} are here.", n=most, all=there)
    return [Says(said, "soft"), folded(replace(table, rows=table.rows[-most:]), least)]


def unknown(value: Any) -> Any:
    """What is recorded, or that nothing is."""
    return value if value not in (None, "") else Cell(None, tr("not recorded"), is_marked=True)
