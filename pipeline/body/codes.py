"""Rootstocks and scions as the body calls them: two nurseries may call one thing by two codes, or two things by one."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from formpack.readers import Unreadable, text_of
from formpack.words import listed, tr, unpacked
from pipeline.findings import Refused

Codes = tuple[tuple[str, str, str, str], ...]
"""(nursery or '' for all, list, code, what it means)."""
_LISTS = {"rootstocks": "rootstock", "scions": "scion"}
"""Lists whose codes may be put into others, with the column that has them."""


def read_codes(path: Path) -> Codes:
    """The rows of a CSV with the columns nursery (may lack, or be empty: all), list, code, means. Raises Refused."""
    text = text_of(path)
    if isinstance(text, Unreadable):
        raise Refused(tr("{file} {why}.", file=path, why=unpacked(text.why)))
    rows = csv.DictReader(text.splitlines())
    if lacking := {"list", "code", "means"} - set(rows.fieldnames or ()):
        raise Refused(tr("{file} has no column {columns}.", file=path, columns=listed(sorted(lacking), 3)))
    found: dict[tuple[str, str, str], str] = {}
    for line, row in enumerate(rows, start=2):
        nursery, name, code, means = ((row.get(c) or "").strip() for c in ("nursery", "list", "code", "means"))
        if name not in _LISTS or not code or not means:
            what = tr("list must be rootstocks or scions, and code and means must be given")
            raise Refused(tr("{file}, line {line}: {why}.", file=path, line=line, why=what))
        if found.setdefault((nursery, name, code), means) != means:
            what = tr("{code} means two things", code=code)
            raise Refused(tr("{file}, line {line}: {why}.", file=path, line=line, why=what))
    return tuple((*key, means) for key, means in found.items())


def meanings(codes: Codes, nursery: str) -> dict[tuple[str, str], str]:
    """What codes of a nursery mean, by (column, code): what is said of it alone goes first."""
    of_all, own = ({(_LISTS[name], code): means for n, name, code, means in codes if n == whose} for whose in ("", nursery))
    return of_all | own


def renamed(rows: Any, means: Mapping[tuple[str, str], str]) -> Any:
    """An Arrow table with its rootstocks and scions, and the levels that are such, as the body calls them."""
    import pyarrow as pa

    if not means:
        return rows
    there = rows.column_names
    kinds = rows["by"].to_pylist() if {"by", "level"} <= set(there) else []
    for column in [c for c in there if c in _LISTS.values() or (c == "level" and kinds)]:
        of = kinds if column == "level" else [column] * rows.num_rows
        called = [means.get((kind, code), code) for kind, code in zip(of, rows[column].to_pylist(), strict=True)]
        rows = rows.set_column(there.index(column), column, pa.array(called, pa.string()))
    return rows
