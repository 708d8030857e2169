"""Stages as data. A stage is what it reads, what it makes, and the SQL file or function that makes it; it is run again only
where the content of something that it reads, or the program, has changed.

Every table has a mark: the number of its rows and the sum of their hashes, worked out in DuckDB when it is made. A stage
remembers the marks of what it read. Where those are still the marks, it is not run; where its output comes out the same, the
marks stay, so nothing further is run. A stage with a `key` can also make parts of its tables again: for every change of a
table the keys whose rows became others are noted (`work.changes`), and such a stage is run over these keys alone, its SQL
as it stands in the file, `work.T` meaning the rows of T with these keys.
"""

from __future__ import annotations

import functools
import hashlib
import importlib
import json
import re
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import duckdb

from formpack.words import marked, tr
from pipeline.findings import Refused
from pipeline.store import NOT_COMPARED, SQL, STARTED, Store, quoted

HERE = Path(__file__).parent
MOST_KEYS = 20_000
"""Beyond so many changed keys parts are hardly cheaper than the whole; four times as many are remembered."""
AGAIN = marked("`formpack rebuild` makes everything again from what is kept.")
"""The way out where what was made is damaged; `tr` it."""
_TYPES = {"reading_id": "UUID"}
_TABLE = re.compile(r"\bwork\.\"?(\w+)\"?")


@dataclass(frozen=True, eq=False)
class Stage:
    """One stage. A name with a colon, or one of `INPUTS`, is no table but something that a person or a phone changes."""

    makes: tuple[str, ...]
    reads: tuple[str, ...]
    make: str = ""
    """The function that makes it, as `room.module.function`, given a `Work` and what `about` says; none for the SQL file named
    as the one table that is made."""
    about: tuple[str, ...] = ()
    key: str = ""
    """The column by which parts can be made again: rows of a key depend only on the rows of that key in what is read,
    and on `whole`."""
    whole: tuple[str, ...] = ()
    """Of `reads`, what is read in full; when one of these changes all is made again."""
    beside: tuple[str, ...] = ()
    """Of `reads`, what is read in full though it changes in parts: its rows are reached by keys that are digests of what they
    say, so that other rows come with other keys in something else that is read."""
    by: Mapping[str, str] = field(default_factory=dict)
    """Of `reads`, the column that the key is matched with, where it is not the column `key` itself."""

    @property
    def name(self) -> str:
        return self.makes[0]

    def column(self, read: str) -> str:
        """The column by which parts of a table are read; '' where it is read in full."""
        return "" if not self.key or read in (*self.whole, *self.beside) else self.by.get(read, self.key)


def sql(name: str, key: str = "", whole: str = "", beside: str = "", by: Mapping[str, str] | None = None) -> Stage:
    """The stage of an SQL file: what it reads is read off the file. `whole` and `beside` are names parted by spaces."""
    reads = tuple(dict.fromkeys(t for t in _TABLE.findall(sql_text(name)) if t != name))
    return Stage((name,), reads, key=key, whole=tuple(whole.split()), beside=tuple(beside.split()), by=by or {})


def code(make: str, makes: str, reads: str, key: str = "", whole: str = "", about: tuple[str, ...] = ()) -> Stage:
    """The stage of a function, `room.module.function`. What it makes and reads, and what of that in full, are names parted by
    spaces; what is read in full may be left out of `reads`."""
    return Stage(tuple(makes.split()), tuple(f"{reads} {whole}".split()), make, about, key, tuple(whole.split()))


@functools.cache
def sql_text(name: str) -> str:
    return SQL[name].read_text(encoding="utf-8")


@functools.cache
def _room(folder: Path) -> str:
    mark = hashlib.sha256()
    for path in sorted(p for p in folder.iterdir() if p.suffix in (".py", ".sql")):
        mark.update(path.name.encode() + b"\0" + path.read_bytes())
    return mark.hexdigest()


def program_of(room: str) -> str:
    """A digest of a room, what all rooms share (how lists and settings are read), the formulas and the forms' side."""
    return "".join(_room(f) for f in dict.fromkeys((HERE / room, HERE, HERE / "formulas", HERE.parent / "formpack")))


@functools.cache
def program(stage: Stage) -> str:
    """A digest of what the stage is made of: its SQL; or its function's room, with what that rests on."""
    if stage.make:
        said = stage.make + program_of(stage.make.partition(".")[0] if stage.make.count(".") > 1 else "")
    else:
        said = sql_text(stage.name)
    about = [duckdb.__version__, said, stage.about, stage.reads, stage.key, stage.whole, stage.beside, sorted(stage.by.items())]
    return hashlib.sha256(repr(about).encode()).hexdigest()[:32]


@dataclass
class Ledger:
    """What is known of the tables: `marks` (mark, number of the last change, number from which changes are noted), and what
    each stage read (mark, number) and was made by; the contents of tables that functions change themselves; the shape of every
    table and view, and the DuckDB that told it."""

    marks: dict[str, list[Any]] = field(default_factory=dict)
    read: dict[str, dict[str, list[Any]]] = field(default_factory=dict)
    made: dict[str, str] = field(default_factory=dict)
    contents: dict[str, str] = field(default_factory=dict)
    shapes: dict[str, str] = field(default_factory=dict)
    told_by: str = ""

    @classmethod
    def load(cls, store: Store) -> Ledger:
        """What the store says. Raises Refused where that is not what was written there."""
        try:
            said = store.get("stages")
            is_new = not said and set(store.tables()) <= STARTED
            if not is_new and store.get("proof") != _proof(store):
                raise Refused(tr("What is noted of how tables were made (work.state) is damaged. {again}", again=tr(AGAIN)))
        except duckdb.Error:
            what = marked("What is noted of how tables were made (work.state) is missing or damaged. {again}")
            raise Refused(tr(what, again=tr(AGAIN))) from None
        return cls(**json.loads(said)) if said else cls()

    def save(self, store: Store) -> None:
        store.put("stages", json.dumps(vars(self), sort_keys=True))
        store.put("proof", _proof(store))

    def now(self, name: str) -> list[Any]:
        return self.marks.get(name, ["", 0, 0])

    def stale(self, stage: Stage) -> list[str] | None:
        """What the stage reads that is not as it was; None where all of it must be made anew."""
        if self.made.get(stage.name) != program(stage):
            return None
        was = self.read.get(stage.name, {})
        return [name for name in stage.reads if name not in was or was[name][0] != self.now(name)[0]]


def _proof(store: Store) -> str:
    said = store.rows("SELECT key, value FROM work.state WHERE key <> 'proof' ORDER BY key")
    return hashlib.sha256(repr(said).encode()).hexdigest()


def _listed(columns: Mapping[str, str]) -> str:
    return "(" + ", ".join(f'"{column}" {kind}' for column, kind in columns.items()) + ")"


class Work:
    """What a stage's function is given: the store, in which `work.T` means the part of T that is asked for, and `put`."""

    def __init__(self, store: Store, context: Any, parts: Mapping[str, str] | None, first: Collection[str] = ()) -> None:
        self.store, self.context, self.parts = store, context, {} if parts is None else parts
        self.first = first
        """The tables that were never made before: they are made in place, as there is nothing to compare them with."""
        self.is_part = parts is not None
        """Whether only some keys are asked for: they stand in the temporary table `touched`."""
        self.made: set[str] = set()
        self.changed: dict[str, Mapping[str, str] | None] = {}

    def _execute(self, name: str, query: str) -> None:
        """Make the new table: for good where all of it is made, so that it need not be copied, else for a while."""
        self.made.add(name)
        kind = "TEMP TABLE" if self.is_part else "TABLE"
        self.store.connection.execute(f"CREATE OR REPLACE {kind} {self._new(name)} {query}")

    def _new(self, name: str) -> str:
        """Where a table just made stands."""
        return f"new_{name}" if self.is_part else quoted(name) if name in self.first else f"work.new_{name}"

    def said(self, query: str) -> str:
        return _TABLE.sub(lambda m: self.parts.get(m[1], m[0]), query) if self.parts else query

    def rows(self, query: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        return self.store.rows(self.said(query), values)

    def value(self, query: str, values: Sequence[Any] = ()) -> Any:
        return self.store.value(self.said(query), values)

    def arrays(self, query: str, values: Sequence[Any] = ()) -> dict[str, Any]:
        """The columns of a query's rows as arrays."""
        found: dict[str, Any] = self.store.connection.execute(self.said(query), list(values)).fetchnumpy()
        return found

    def put(self, name: str, columns: Mapping[str, str], rows: Sequence[Sequence[Any]]) -> None:
        """Make a table from rows; `columns` are names with their types."""
        self._execute(name, _listed(columns))
        self.store.insert(self._new(name), list(columns), rows)

    def lay_aside(self, name: str, columns: Mapping[str, str], rows: Sequence[Sequence[Any]]) -> None:
        """Make a temporary table from rows."""
        self.store.connection.execute(f'CREATE OR REPLACE TEMP TABLE "{name}" {_listed(columns)}')
        self.store.insert(f'"{name}"', list(columns), rows)

    def put_arrow(self, name: str, table: Any) -> None:
        """Make a table from an Arrow table."""
        self.store.connection.register("incoming", table)
        self._execute(name, "AS SELECT * FROM incoming")
        self.store.connection.unregister("incoming")

    def put_query(self, name: str, query: str) -> None:
        """Make a table from a query."""
        self._execute(name, f"AS {self.said(query)}")

    def note(self, name: str, keys: Mapping[str, str] | None) -> None:
        """Say that the function changed the table itself: by each column a query of the keys whose rows are others now, or
        None where all may be."""
        self.changed[name] = keys


class Runner:
    """Brings tables up to what they are made from, in one transaction of the caller's."""

    def __init__(self, store: Store, stages: Sequence[Stage], inputs: Mapping[str, str], context: Any) -> None:
        self.store, self.stages, self.context = store, stages, context
        self.known = Ledger.load(store)
        self.known.marks |= {name: [mark, 0, 0] for name, mark in inputs.items()}
        self.first: list[str] = []
        """Tables made for the first time that have no mark yet."""
        self.columns: dict[str, set[str]] = {}
        for stage in stages:
            for read in stage.reads:
                if column := stage.column(read):
                    self.columns.setdefault(read, set()).add(column)

    def needed(self, tables: Iterable[str]) -> list[Stage]:
        """The stages that these tables rest on, in order."""
        wanted, found = set(tables), []
        for stage in reversed(self.stages):
            if wanted & set(stage.makes):
                wanted |= set(stage.reads)
                found.append(stage)
        return found[::-1]

    def is_fresh(self, tables: Iterable[str]) -> bool:
        """Whether nothing would have to be made."""
        return all(self.known.stale(stage) == [] for stage in self.needed(tables))

    def bring_up(self, tables: Iterable[str], progress: Callable[[str, int, int], None]) -> list[str]:
        """Make what is not fresh of what these tables rest on. Returns the names of the stages that were run."""
        done = []
        needed = self.needed(tables)
        for number, stage in enumerate(needed, start=1):
            stale = self.known.stale(stage)
            if stale == []:
                continue
            progress("making", number, len(needed))
            self._run(stage, stale)
            done.append(stage.name)
        self.known.marks |= {name: [mark, 1, 1] for name, mark in _sums(self.store, self.first).items()}
        self.first = []
        for stage in needed:
            if stage.name in done:
                self.known.made[stage.name] = program(stage)
                self.known.read[stage.name] = {name: self.known.now(name)[:2] for name in stage.reads}
        return done

    def remember(self, done: Iterable[str]) -> None:
        """Write down what is known after these stages ran and their views were made."""
        known, now = self.known, duckdb.__version__
        tables = [t for t in self.store.tables() if t != "state" and ":" not in str(known.now(t)[0])]
        is_parsed = known.told_by != now or any("received" in stage.makes for stage in self.stages if stage.name in done)
        anew = [t for t in tables if is_parsed or t in NOT_COMPARED or t not in known.contents]
        known.contents = {t: known.contents.get(t, "") for t in tables} | _sums(self.store, anew)
        known.shapes = {name: shape for name, shape in self.store.shapes().items() if not name.startswith("kept.")}
        known.told_by = now
        known.save(self.store)

    def damaged(self, tables: Iterable[str] | None = None) -> list[str]:
        """Of these tables, or of all, what is not as it was made, and of their views. What another program made is passed over:
        it is made again before anybody sees it."""
        known, there = self.known, set(self.store.tables())
        made = {table for stage in self.stages if known.made.get(stage.name) == program(stage) for table in stage.makes}
        sums = {name: str(mark) for name, (mark, *_) in known.marks.items() if name in made and ":" in str(mark)}
        shapes = {}
        if known.told_by == duckdb.__version__:
            sums, shapes = sums | known.contents, known.shapes
        asked = None if tables is None else set(tables)

        def is_asked(name: str) -> bool:
            return asked is None or bool({name, *name.split(".")} & asked)

        wanted = [name for name in sums if is_asked(name)]
        found = {name for name in wanted if name not in there}
        now = _sums(self.store, [name for name in wanted if name in there])
        found |= {name for name, content in now.items() if content != sums[name]}
        shaped = self.store.shapes() if shapes else {}
        found |= {name for name, shape in shapes.items() if is_asked(name) and shaped.get(name) != shape}
        views = {name: tr("the view {name}", name=name.removeprefix("main.")) for name in found if name.startswith("main.")}
        return sorted({views.get(name, name.removeprefix("work.")) for name in found})

    def made(self, stage: Stage, parts: Mapping[str, str] | None) -> Work:
        """What a stage makes, under names of its own: of the parts given, or of everything."""
        first = [] if parts is not None else [name for name in stage.makes if not self.known.now(name)[1]]
        work = Work(self.store, self.context, parts, first)
        if stage.make:
            module, _, function = stage.make.rpartition(".")
            getattr(importlib.import_module(f"pipeline.{module}"), function)(work, *stage.about)
        else:
            work.put_query(stage.name, sql_text(stage.name))
        return work

    def _run(self, stage: Stage, stale: list[str] | None) -> None:
        keys = self._touched(stage, stale) if stale is not None and stage.key else None
        work = self.made(stage, None if keys is None else self.parts(stage, keys))
        for name, changed in work.changed.items():
            self._noted(name, changed)
        for name in stage.makes:
            if name in work.made and work.is_part:
                self._install_part(stage, name)
            elif name in work.made and name in work.first:
                self.first.append(name)
            elif name in work.made:
                self._install(name)

    # which parts

    def _touched(self, stage: Stage, stale: list[str]) -> str | None:
        """A query of the keys that are touched by what changed; None where all must be made."""
        queries = ["SELECT NULL AS key WHERE false"]
        for name in stale:
            column = stage.column(name)
            seen, (_, number, since) = self.known.read[stage.name][name][1], self.known.now(name)
            if not number or seen < since or not (column or name in stage.beside):
                return None
            if column:
                here = f"name = '{name}' AND number > {seen} AND by_column = '{column}'"
                queries.append(f"SELECT key FROM work.changes WHERE {here}")
        return " UNION ALL ".join(queries)

    def parts(self, stage: Stage, keys: str) -> dict[str, str]:
        """Temporary views of what a stage reads, cut to the keys of a query; these stand in the temporary table `touched`."""
        run, kind = self.store.connection.execute, _TYPES.get(stage.key, "VARCHAR")
        run(f"CREATE OR REPLACE TEMP TABLE touched AS SELECT DISTINCT key::{kind} AS key FROM ({keys})")
        found = {}
        for name in stage.reads:
            if name != "answers" and (column := stage.column(name)):
                run(
                    f'CREATE OR REPLACE TEMP VIEW "part_{name}" AS SELECT * FROM work."{name}"'
                    f' WHERE "{column}" IN (SELECT key FROM touched)'
                )
                found[name] = f'"part_{name}"'
        return found

    # what becomes of a new table

    def _is_compared(self, name: str) -> bool:
        """Whether somebody wants to know which keys changed, and there is something to compare with."""
        return bool(self.columns.get(name)) and bool(self.known.now(name)[1])

    def _install(self, name: str) -> None:
        """A table made as a whole takes the place of the one before."""
        keys = self._compare(name, "work.new_", "") if self._is_compared(name) else None
        self.store.connection.execute(f'DROP TABLE IF EXISTS work."{name}"')
        self.store.connection.execute(f'ALTER TABLE work."new_{name}" RENAME TO "{name}"')
        self._marked(name, keys)

    def _install_part(self, stage: Stage, name: str) -> None:
        """Rows of the touched keys take the place of those before, where they are others."""
        key, run = stage.key, self.store.connection.execute
        here = f'WHERE "{key}" IN (SELECT key FROM touched)'
        run(f"CREATE OR REPLACE TEMP TABLE others AS {self._differing(name, 'new_', key, here)}")
        if self.store.value("SELECT count(*) FROM others"):
            keys = self._compare(name, "new_", here)
            mark = self.known.now(name)[0]
            lines, total = (int(x) for x in mark.split(":"))
            mine = f'WHERE "{key}" IN (SELECT key FROM others)'
            for sign, source in ((-1, f'work."{name}"'), (1, f"new_{name}")):
                many, hashes = self.store.rows(_SUMMED.format(source=f"{source} t {mine}"))[0]
                lines, total = lines + sign * many, total + sign * int(hashes or 0)
            run(f'DELETE FROM work."{name}" {mine}')
            run(f'INSERT INTO work."{name}" BY NAME SELECT * FROM "new_{name}" {mine}')
            self._marked(name, keys, f"{lines}:{total}")
        run(f'DROP TABLE "new_{name}"')

    def _differing(self, name: str, new: str, column: str, here: str) -> str:
        """A query of the keys (by a column) whose rows are others in the new table."""
        return (
            f'SELECT key FROM (SELECT "{column}" AS key, hash(t)::HUGEINT AS h FROM {new}{name} t UNION ALL'
            f' SELECT "{column}", -(hash(t)::HUGEINT) FROM work."{name}" t {here}) WHERE key IS NOT NULL'
            " GROUP BY key HAVING sum(h) <> 0"
        )

    def _compare(self, name: str, new: str, here: str) -> dict[str, str] | None:
        """By each column that somebody reads parts by, a query of the keys that changed; None where the table has other columns
        than before, or more changed than is worth noting."""
        shapes = [self.store.rows(f"DESCRIBE {x}{name}") for x in ("work.", new)]
        many = [self.store.value(f"SELECT count(*) FROM {x}{name}") for x in ("work.", new)]
        if [r[:2] for r in shapes[0]] != [r[:2] for r in shapes[1]] or (not here and abs(many[0] - many[1]) > MOST_KEYS):
            return None
        found = {}
        for column in sorted(self.columns.get(name, ())):
            found[column] = f'SELECT key FROM temp."by_{column}"'
            differing = self._differing(name, new, column, here)
            self.store.connection.execute(f'CREATE OR REPLACE TEMP TABLE "by_{column}" AS {differing}')
        return found

    def _marked(self, name: str, keys: Mapping[str, str] | None, mark: str = "") -> None:
        """Give a table its mark; where it is another than before, note which keys changed (`keys` None: not known)."""
        if not mark:
            lines, hashes = self.store.rows(_SUMMED.format(source=f'work."{name}" t'))[0]
            mark = f"{lines}:{int(hashes or 0)}"
        if mark == self.known.now(name)[0]:
            return
        self._noted(name, keys, mark)

    def _noted(self, name: str, keys: Mapping[str, str] | None, mark: str = "") -> None:
        _, number, since = self.known.now(name)
        number += 1
        run = self.store.connection.execute
        assert keys is None or self.columns.get(name, set()) <= set(keys), f"{name}: it is not noted which keys changed"
        many = [self.store.value(f"SELECT count(*) FROM ({query}) q") for query in (keys or {}).values()]
        if keys is None or max(many, default=0) > MOST_KEYS:
            run("DELETE FROM work.changes WHERE name = ?", [name])
            since = number
        else:
            if self.store.value("SELECT count(*) FROM work.changes WHERE name = ?", [name]) > 4 * MOST_KEYS:
                run("DELETE FROM work.changes WHERE name = ?", [name])
                since = number - 1
            for column, query in keys.items():
                run(f"INSERT INTO work.changes SELECT '{name}', {number}, '{column}', key::VARCHAR FROM ({query}) q")
        self.known.marks[name] = [mark or str(number), number, since]


_SUMMED = "SELECT count(*), sum(hash(t)::HUGEINT) FROM {source}"


def _sums(store: Store, names: Sequence[str]) -> dict[str, str]:
    """The content of tables, as marks have it; '' of one that cannot be read."""

    def counted(what: str, names: Sequence[str]) -> list[tuple[Any, ...]]:
        queries = [f"SELECT '{name}', count(*), {what} FROM {quoted(name)} t" for name in names]
        return store.rows(" UNION ALL ".join(queries)) if queries else []

    try:
        sums = {name: f"{lines}:0" for name, lines, _ in counted("0", names)}
        filled = [name for name, content in sums.items() if content != "0:0"]  # to hash nothing takes as long as a few rows
        return sums | {name: f"{lines}:{int(total)}" for name, lines, total in counted("sum(hash(t)::HUGEINT)", filled)}
    except duckdb.Error:
        if len(names) == 1:
            return {names[0]: ""}
        half = len(names) // 2
        return _sums(store, names[:half]) | _sums(store, names[half:])
