"""What a nursery's tables may say before they are put with those of others: nothing of one stops the rest, or changes it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from formpack.words import marked, tr
from pipeline.body.codes import renamed
from pipeline.findings import Refused
from pipeline.harmless import one_line
from pipeline.office import hand_over

NEEDED = ("lots", "sums_of_losses", "survival", "loss_causes", "off_type", "standing_sums", "submissions", "teams", "problems")
"""The tables that are put together; others are only laid beside each other."""
MOST_BYTES, _MOST_CELLS = 2**30, 10**8
"""Of one file, and of its words."""
_MOST_BUDS, _MOST_PLANTS = 10**9, 10**12
"""What the counts of a column of one nursery may come to: of squares of buds and of all nurseries then come whole numbers of 64
bits."""
MOST_LETTERS = 255
_MOST_LEVELS = {"lots": 200}
_MOST_STEPS = 5000
"""Different words in a column by which is summed; every rootstock and scion widens what is fitted."""
TOO_LARGE = marked("{file} is larger than any nursery's; look at it by itself")
_KINDS = ("int64", "int32", "double", "string", "bool", "date32[day]", "timestamp[us]")
_FIRST, _END = ((day - dt.date(1970, 1, 1)).days for day in (dt.date.min, dt.date.max))
_COUNTS = {
    "lots": ("attempt buds_set", "green brown missing rootstock scion", 0),
    "sums_of_losses": ("stage kind exposure lost", "rootstock", 0),
    "survival": ("by level clock step at_risk lost", "", 0),
    "loss_causes": ("by stage cause lost", "", 0),
    "off_type": ("groups lifted off_type", "rootstock", 0),
    "standing_sums": ("by", "groups plants low high", -_MOST_PLANTS),
    "teams": ("", "team_code flag", 0),
}
"""Columns that are summed, or by which is summed: those that must stand in every row, those that may be empty, and the least
that a number of them may be."""
_WITHIN = {"survival": [("lost", "at_risk")], "off_type": [("off_type", "lifted")]}


def prove(out: Path, means: Mapping[tuple[str, str], str]) -> None:
    """What a nursery's tables say, before they are put with others: columns of the kinds of their version, and numbers such as
    plants can come to. Files of tables that are put together are written anew, so that no engine meets what another program
    wrote, and with rootstocks and scions as the body calls them. Raises Refused."""
    import pyarrow as pa
    from pyarrow import parquet

    of: dict[str, list[Any]] = {}
    for path in sorted(out.rglob("*.parquet")):
        name = path.relative_to(out).as_posix()
        try:
            table = name.partition("/")[0]
            with parquet.ParquetFile(path) as file:
                _prove_columns(file.schema_arrow, name, table)
                if table not in NEEDED:
                    continue
                size = file.metadata.num_rows * file.metadata.num_columns
                if size > _MOST_CELLS:
                    raise Refused(tr(TOO_LARGE, file=name))
                known = hand_over.schema()["$defs"][table]["properties"]
                columns = [f.name for f in file.schema_arrow if known.get(f.name, {}).get("arrow") == str(f.type)]
            words = [c for c in columns if known[c]["arrow"] == "string"]
            with parquet.ParquetFile(path, read_dictionary=words) as file:
                rows = file.read(columns=columns)
            if sum(_letters(rows[c]) for c in words) > MOST_BYTES:
                raise Refused(tr(TOO_LARGE, file=name))
            rows = renamed(pa.table({c: rows[c].cast(pa.string()) if c in words else rows[c] for c in columns}), means)
            parquet.write_table(rows, path, compression="zstd")
        except (pa.ArrowException, OSError, ValueError) as wrong:
            if isinstance(wrong, OSError) and wrong.errno is not None:
                raise
            raise Refused(tr("{file} is no Parquet file; have it handed over again", file=name)) from None
        of.setdefault(table, []).append(rows)
    for table, parts in of.items():
        _prove_values(pa.concat_tables(parts, promote_options="default"), table)


def _letters(column: Any) -> int:
    """How many bytes a column of words takes that is read as numbers of words."""
    import pyarrow.compute as pc

    return sum(
        int(np.asarray(pc.binary_length(part.dictionary).fill_null(0))[np.asarray(part.indices.drop_null())].sum())
        for part in column.chunks
    )


def _prove_columns(there: Any, name: str, table: str) -> None:
    """Raises Refused where a file has not the columns of its version, or some that no program could lay beside others."""
    kinds = {field.name: str(field.type) for field in there}
    if table in NEEDED:
        for column, kind in hand_over.columns_of(table).items():
            if kinds.get(column) != kind:
                what = marked(
                    "{file} has not the column {column} as {kind}; have it handed over again with this version of formpack"
                )
                raise Refused(tr(what, file=name, column=column, kind=kind))
    alike = [column.casefold() for column in there.names]
    odd = [c for c in there.names if alike.count(c.casefold()) > 1 or c in ("nursery", "season") or kinds[c] not in _KINDS]
    if odd:
        what = marked("{file} has the column {column}, which no hand-over has; have it handed over again")
        raise Refused(tr(what, file=name, column=one_line(odd[0])[:MOST_LETTERS]))


def _prove_values(rows: Any, table: str) -> None:
    """Raises Refused where a table has what cannot be: nothing where something must stand, less than none, more than any
    nursery has, more lost than there were, days of no calendar, words without end."""
    import pyarrow.compute as pc

    must, may, least = _COUNTS.get(table, ("", "", 0))
    for column in rows.column_names:
        values = rows[column]
        is_odd = column in must.split() and values.null_count > 0
        if column in (*must.split(), *may.split()):
            if str(values.type) == "string":
                is_odd |= (pc.max(pc.utf8_length(values)).as_py() or 0) > MOST_LETTERS
                is_odd |= len(values.unique()) > _MOST_LEVELS.get(table, _MOST_STEPS)
            else:
                low, high = pc.min_max(values).as_py().values()
                total = pc.sum(pc.abs(values.cast("double", safe=False))).as_py()
                most = _MOST_BUDS if table == "lots" else _MOST_PLANTS
                is_odd |= high is not None and (low < least or total > most)
        elif str(values.type).startswith(("date", "timestamp")):
            of_a_day = 1 if str(values.type).startswith("date") else 86_400_000_000
            low, high = pc.min_max(values.cast("int32" if of_a_day == 1 else "int64")).as_py().values()
            is_odd |= high is not None and not _FIRST * of_a_day <= low <= high < _END * of_a_day
        if is_odd:
            what = marked("{table} has in the column {column} what cannot be; look at it and have it handed over again")
            raise Refused(tr(what, table=table, column=column))
    for part, whole in _WITHIN.get(table, ()):
        if pc.any(pc.greater(rows[part], rows[whole])).as_py():
            what = marked("{table} has more in the column {part} than in {whole}; look at it and have it handed over again")
            raise Refused(tr(what, table=table, part=part, whole=whole))
