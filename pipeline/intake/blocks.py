"""Items of files -> blocks: submissions of one form in columns, a text an answer, each with where it stood and who it is."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from pyarrow import compute

from formpack.headings import Columns, Headings, folded
from formpack.submission import NO_HEADINGS, Aside, Record, Table, Unread, keepable, name_of, read, sound
from formpack.words import marked, pack
from pipeline.intake.days import FILES
from pipeline.store import Store

_IDENTITY = ("instanceID", "KEY", "deprecatedID", "form_id", "form_version")
_META = ("sha256", "item", "place", "instance_id", "deprecated_id", "twice", "rule", "why")
_BLANK = pa.scalar(None, pa.string())
MOST_HEADINGS = 5_000
"""Sets of names and tables of one file: each takes some milliseconds. The forms of a pack make some hundred."""
MOST_ALIKE = 1_000
"""Rows and items of one file with the same fault that are each said; those beyond are counted."""
_LAST_ITEM = 2**31 - 1
"""The number of what is said of a file as a whole, beyond those of its items."""
_CELLS_OF_A_BLOCK = 2_000_000


@dataclass(frozen=True)
class Block:
    """Submissions that name one form and version and came in on one day. `texts` holds an Arrow array of texts for each name
    (null: no answer), `meta` an array for each of _META; all are of one length. `twice` are the names, parted by spaces,
    that stand more than once with different answers; `rule` and `why` say what is wrong with what is no submission."""

    form_hint: str
    form_version: str
    received_on: dt.date
    texts: Mapping[str, Any]
    meta: Mapping[str, Any]

    def __len__(self) -> int:
        return len(self.meta["item"])

    def take(self, rows: Any) -> Block:
        """These rows alone, by their positions."""
        return replace(
            self,
            texts={k: v.take(rows) for k, v in self.texts.items()},
            meta={k: v.take(rows) for k, v in self.meta.items()},
        )

    def answers(self, row: int) -> dict[str, str]:
        """The answers of one submission."""
        return {name: v for name, texts in self.texts.items() if (v := texts[row].as_py()) is not None}


def row_identity(form_id: str, answers: Mapping[str, str]) -> str:
    """An identity for a submission that came without one: the same row again gets the same."""
    said = json.dumps([form_id, sorted(answers.items())], ensure_ascii=False)
    return "row:" + hashlib.sha256(said.encode()).hexdigest()[:32]


def _filled(texts: Any) -> Any:
    """The texts without the white space around them; a blank one is none."""
    trimmed = compute.utf8_trim(texts, characters=" \t\r\n")
    blank = compute.equal(compute.binary_length(trimmed), 0)
    return compute.if_else(blank, _BLANK, trimmed) if compute.any(blank).as_py() else trimmed


def _by_name(names: Sequence[str], columns: Sequence[Any]) -> tuple[dict[str, Any], dict[int, list[str]]]:
    """The columns, blanks taken out, by the names of their questions. Of two of one name the first answer stands; where they
    differ it is said, by row."""
    texts: dict[str, Any] = {}
    twice: dict[int, list[str]] = {}
    for name, column in zip(names, columns, strict=True):
        own = column
        before = texts.get(name)
        if before is not None:
            differs = compute.fill_null(compute.not_equal(before, own), False)
            for row in compute.indices_nonzero(differs).to_pylist():
                twice.setdefault(row, []).append(name)
            own = compute.coalesce(before, own)
        texts[name] = own
    return texts, twice


def _forms_of(hint: str, tags: Sequence[str], columns: Sequence[Any]) -> Iterator[tuple[str, Any]]:
    """The id of the form that the rows of a table are, by a column form_id or else by `hint`, with which rows (None: all)."""
    own = [c for tag, c in zip(tags, columns, strict=True) if folded(name_of(tag)) == "formid"]
    if not own or own[0].null_count == len(own[0]):
        yield hint, None
        return
    values = compute.fill_null(own[0], hint)
    for kind in (kinds := values.unique().to_pylist()):
        yield kind, None if len(kinds) == 1 else compute.indices_nonzero(compute.equal(values, kind))


class Gather:
    """Gathers the items of files into blocks: records of one form and heading, rows of tables."""

    def __init__(self, headings: Headings = NO_HEADINGS) -> None:
        self.headings = headings
        self.tables: dict[tuple[str, str, str], tuple[str, Columns]] = {}
        """What was found of each table: (SHA-256, place, form), with why it was not read ('' where it was)."""
        self.rows = 0
        self.alike: dict[tuple[str, str], int] = {}
        """How many rows and items of the present file have which fault."""
        self.records: dict[tuple[dt.date, str, str, tuple[str, ...]], list[tuple[str, int, str, list[str | None]]]] = {}
        self.blocks: dict[tuple[dt.date, str, str], list[Block]] = {}

    def add_file(self, sha256: str, name: str, source: bytes | Path, received_on: dt.date, form: str = "") -> Iterator[None]:
        """Take in all items of a file; stops after each, so that what has been gathered can be used meanwhile. `form` is what
        somebody said that its tables are."""
        number = 0
        self.alike = {}
        before = len(self.records) + len(self.tables)
        for found in read(source, name, None, self.headings, form):
            if len(self.records) + len(self.tables) - before > MOST_HEADINGS:
                what = marked("from item {item} on it has more than {n} different sets of names; split it")
                why = pack(what, item=number + 1, n=MOST_HEADINGS)
                self._add_unread(sha256, [(number, Unread(name, "refused_file", why))], received_on)
                return
            if isinstance(found, Record):
                if found.form_id not in self.headings.forms:  # it may be what a form is called that comes later
                    self.tables.setdefault((sha256, name, ""), ("", Columns((), (), ())))
                key = (received_on, found.form_id, found.form_version, found.tags)
                own = self.records.get(key)
                if own is None:
                    own = self.records[key] = []
                own.append((sha256, number, found.place, found.texts))
                self.rows, number = self.rows + 1 + len(found.tags) // 64, number + 1
            elif isinstance(found, Table):
                number = self._add_table(sha256, found, received_on, number)
            elif isinstance(found, Aside):
                self.tables[sha256, found.place, ""] = (found.why, Columns((), (), ()))
            else:
                self._add_unread(sha256, [(number, found)], received_on)
                number += 1
            yield
        more = [(rule, why, n - MOST_ALIKE) for (rule, why), n in self.alike.items() if n > MOST_ALIKE]
        said = [Unread(name, rule, pack("{n} more like these: {why}", n=n, why=why)) for rule, why, n in more]
        self._add_unread(sha256, list(enumerate(said, start=number)), received_on)

    def pass_over(self, sha256: str, name: str, received_on: dt.date, why: str) -> None:
        """Take in that a file is not read, and why, in place of what has been gathered of it."""
        for key, rows in list(self.records.items()):
            self.records[key] = [row for row in rows if row[0] != sha256]
            if not self.records[key]:
                del self.records[key]
        for same in self.blocks.values():
            others = [b.take(compute.indices_nonzero(compute.not_equal(b.meta["sha256"], sha256))) for b in same]
            same[:] = [b for b in others if len(b)]
        self.tables = {key: found for key, found in self.tables.items() if key[0] != sha256}
        self._add_unread(sha256, [(_LAST_ITEM, Unread(name, "passed_over", why))], received_on)

    def _add_table(self, sha256: str, table: Table, received_on: dt.date, number: int) -> int:
        """Rows and what could not be taken are numbered as they stand; blank rows are nothing. Returns the next number."""
        columns = [_filled(column) for column in table.columns]
        filled = np.zeros(len(table.numbers), dtype=bool)
        for column in columns:
            filled |= compute.is_valid(column).to_numpy(zero_copy_only=False)
        rows = np.flatnonzero(filled)
        at, bad = np.asarray(table.numbers, dtype=np.int64)[rows], np.array([n for n, _ in table.unread], dtype=np.int64)
        items = number + np.arange(len(at)) + np.searchsorted(bad, at)
        others = number + np.arange(len(bad)) + np.searchsorted(at, bad)
        self._add_unread(sha256, [(int(n), u) for n, (_, u) in zip(others, table.unread, strict=True)], received_on)
        if len(rows) < len(table.numbers):
            columns = [column.take(pa.array(rows)) for column in columns]
        if len(rows):
            used = [i for i, tag in enumerate(table.tags) if tag.strip() or columns[i].null_count < len(rows)]
            tags, columns = [table.tags[i] for i in used], [columns[i] for i in used]
            texts_of_numbers = pa.array(at).cast(pa.string())
            places = compute.binary_join_element_wise(f"{table.place}, row ", texts_of_numbers, "")
            for hint, some in _forms_of(table.form_id, tags, columns):
                own = [c if some is None else c.take(some) for c in (*columns, pa.array(items), places)]
                form_id = hint if hint in self.headings.forms else ""
                texts, twice = _by_name(self._names(sha256, table.place, form_id, tags, own[:-2]), own[:-2])
                texts.pop("form_id", None)
                self._add_columns(hint, "", received_on, texts, twice, _same(sha256, len(own[-1])), own[-2], own[-1])
        return number + len(at) + len(bad)

    def _names(self, sha256: str, place: str, form_id: str, tags: Sequence[str], columns: Sequence[Any]) -> Sequence[str]:
        """The names of the questions that the columns of a table mean, as far as its form is known. A column that is blank in
        all rows of the form need not fit it."""
        if not form_id:
            self.tables.setdefault((sha256, place, ""), ("", Columns((), (), ())))
            return [name_of(tag) or tag.strip() for tag in tags]
        found = self.headings.columns(form_id, tags)
        _, before = self.tables.get((sha256, place, form_id), ("", replace(found, strange=())))
        blank = {tag.strip() for tag, c in zip(tags, columns, strict=True) if c.null_count == len(c)}
        strange = tuple(dict.fromkeys((*before.strange, *(tag for tag in found.strange if tag not in blank))))
        self.tables[sha256, place, form_id] = ("", replace(found, strange=strange))
        return found.names

    def _add_unread(self, sha256: str, unread: list[tuple[int, Unread]], received_on: dt.date) -> None:
        found = []
        for one in unread:
            fault = one[1].rule, one[1].why
            self.alike[fault] = self.alike.get(fault, 0) + 1
            if self.alike[fault] <= MOST_ALIKE:
                found.append(one)
        if not found:
            return
        ids = [f"unread:{sha256[:16]}:{number}" for number, _ in found]
        meta = _meta(
            _same(sha256, len(found)),
            [n for n, _ in found],
            sound(u.place for _, u in found),
            ids,
            rule=[u.rule for _, u in found],
            why=keepable(u.why for _, u in found),
        )
        self._add(Block("", "", received_on, {}, meta))

    def _add(self, block: Block) -> None:
        self.rows += len(block) * (1 + len(block.texts) // 64)
        self.blocks.setdefault((block.received_on, block.form_hint, block.form_version), []).append(block)

    def _add_columns(
        self,
        form_id: str,
        version: str,
        received_on: dt.date,
        texts: dict[str, Any],
        twice: dict[int, list[str]],
        sha256: Any,
        items: Any,
        places: Any,
    ) -> None:
        """A block of columns, parted by form and version where the columns name them, with the identities found."""
        own = {name: texts.pop(name) for name in _IDENTITY if name in texts}
        for name, fallback in (("form_id", form_id), ("form_version", version)):
            if name in own and (own[name].null_count < len(items)):
                values = compute.fill_null(own[name], fallback)
                if len(kinds := values.unique()) == 1:
                    form_id, version = (kinds[0].as_py(), version) if name == "form_id" else (form_id, kinds[0].as_py())
                    continue
                for kind in kinds.to_pylist():
                    rows = compute.indices_nonzero(compute.equal(values, kind))
                    inside = {row: at for at, row in enumerate(rows.to_pylist())}
                    rest = {k: v.take(rows) for k, v in {**texts, **own}.items()}
                    rest[name] = _same(kind, len(rows))
                    part = {inside[row]: names for row, names in twice.items() if row in inside}
                    self._add_columns(
                        form_id, version, received_on, rest, part, sha256.take(rows), items.take(rows), places.take(rows)
                    )
                return
        nothing = pa.nulls(len(items), pa.string())
        identity = compute.coalesce(own.get("instanceID", nothing), own.get("KEY", nothing))
        meta = _meta(sha256, items, places, identity, own.get("deprecatedID"), {k: " ".join(v) for k, v in twice.items()})
        block = Block(form_id, version, received_on, texts, meta)
        if identity.null_count:
            ids = identity.to_pylist()
            ids = [row_identity(form_id, block.answers(row)) if i is None else i for row, i in enumerate(ids)]
            block = replace(block, meta={**meta, "instance_id": pa.array(ids, pa.string())})
        self._add(block)

    def drain(self) -> Iterator[Block]:
        """The blocks gathered so far, those of one form and version together, and begin anew."""
        records, self.records = self.records, {}
        self.rows = 0
        for (received_on, form_id, version, tags), rows in records.items():
            columns = [pa.array(texts, pa.string()) for texts in zip(*(r[3] for r in rows), strict=True)]
            texts, twice = _by_name([name_of(tag) for tag in tags], [_filled(column) for column in columns])
            self._add_columns(
                form_id,
                version,
                received_on,
                texts,
                twice,
                pa.array([r[0] for r in rows], pa.string()),
                pa.array([r[1] for r in rows]),
                pa.array(sound(r[2] for r in rows), pa.string()),
            )
        blocks, self.blocks, self.rows = self.blocks, {}, 0
        for same in blocks.values():
            yield from joined(same)


def joined(blocks: Iterable[Block]) -> Iterator[Block]:
    """Blocks of one form and version as one, or as several where they have so many names that one would be blank for the most
    part; where one lacks a name nothing was answered."""
    some: list[Block] = []
    names: set[str] = set()
    rows = 0
    for block in blocks:
        both = names | block.texts.keys()
        if some and len(both) * (rows + len(block)) > _CELLS_OF_A_BLOCK:
            yield _as_one(some)
            some, both, rows = [], set(block.texts), 0
        some.append(block)
        names, rows = both, rows + len(block)
    if some:
        yield _as_one(some)


def _as_one(blocks: Sequence[Block]) -> Block:
    if len(blocks) == 1:
        return blocks[0]
    names = list(dict.fromkeys(name for b in blocks for name in b.texts))
    texts = {n: pa.concat_arrays([b.texts.get(n, pa.nulls(len(b), pa.string())) for b in blocks]) for n in names}
    meta = {n: pa.concat_arrays([b.meta[n] for b in blocks]) for n in _META}
    return replace(blocks[0], texts=texts, meta=meta)


def _same(value: str, times: int) -> Any:
    return pa.repeat(pa.scalar(value, pa.string()), times)


def _meta(
    sha256: Any,
    item: Any,
    place: Any,
    instance_id: Any,
    deprecated: Any = None,
    twice: Mapping[int, str] | None = None,
    rule: Any = None,
    why: Any = None,
) -> dict[str, Any]:
    many = len(item)
    blank = _same("", many)
    said = pa.array([(twice or {}).get(row, "") for row in range(many)], pa.string()) if twice else blank
    texts = {"sha256": sha256, "place": place, "instance_id": instance_id, "twice": said, "rule": rule, "why": why}
    texts["deprecated_id"] = blank if deprecated is None else compute.fill_null(deprecated, "")
    found = {k: blank if v is None else v if isinstance(v, pa.Array) else pa.array(v, pa.string()) for k, v in texts.items()}
    return found | {"item": (item if isinstance(item, pa.Array) else pa.array(item)).cast(pa.int32())}


def said_of(block: Block) -> Any:
    """What submissions of no known form say, as one text each."""
    return pa.array(
        [
            json.dumps(
                [block.form_hint, block.answers(row), block.meta["why"][row].as_py()], sort_keys=True, ensure_ascii=False
            )
            for row in range(len(block))
        ],
        pa.string(),
    )


def kept_blocks(store: Store, at_once: int) -> Iterator[Block]:
    """Blocks of what stands in the temporary table `unread`, as it was received."""
    for hint, version, heading, received_on, many in store.rows(
        f"SELECT form_hint, form_version, heading, received_on, count(*) FROM unread JOIN {FILES} USING (sha256)"
        " GROUP BY ALL ORDER BY ALL"
    ):
        names = json.loads(heading)
        texts = "".join(f", texts[{i}] AS t{i}" for i in range(1, len(names) + 1))
        for start in range(0, many, at_once):
            table = (
                store.connection.sql(
                    f"SELECT {', '.join(f'u.{m}' for m in _META)}{texts} FROM unread u JOIN {FILES} USING (sha256)"
                    " WHERE form_hint = $1 AND form_version = $2 AND heading = $3 AND received_on = $4"
                    f" ORDER BY u.sha256, u.item LIMIT {at_once} OFFSET {start}",
                    params=[hint, version, heading, received_on],
                )
                .to_arrow_table()
                .combine_chunks()
            )
            column = {name: table.column(name).chunk(0) for name in table.column_names}
            yield Block(
                hint, version, received_on, {n: column[f"t{i}"] for i, n in enumerate(names, 1)}, {m: column[m] for m in _META}
            )
