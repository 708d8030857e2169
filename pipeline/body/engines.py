"""Where the work on many nurseries is done: on this machine with DuckDB, or on Spark, here or on a cluster.

Both give every nursery the same task and run the same SQL, written once for DuckDB; sqlglot puts it into Spark's words. What an
engine gives back are sums of whole numbers, which come out the same in any order; its rows are put in order here.
"""

from __future__ import annotations

import contextlib
import os
import re
import sys
import warnings
from collections.abc import Callable, Iterator, Sequence
from dataclasses import astuple
from pathlib import Path
from typing import Any, Protocol

from formpack.words import marked, tr
from pipeline.body.proved import NEEDED
from pipeline.body.sources import TAKEN, Found, How, Source, was_begun
from pipeline.findings import Refused
from pipeline.office.hand_over import columns_of
from pipeline.run import no_progress
from pipeline.store import SQL

Task = Callable[[Source, How], Found]
Progress = Callable[[str, int, int], None]
LOG = "spark.log"
"""What Spark says while it is at work, in the body's workspace."""
_FEW = 4
"""Nurseries for each process that are worth beginning it."""
_ATTEMPTS = 4
"""How often Spark begins a task again whose process ended."""


class Engine(Protocol):
    def each(self, task: Task, sources: Sequence[Source], how: How) -> list[Found]: ...

    def sums(self, name: str) -> Any:
        """The rows of sql/NAME.sql over what was taken in, as an Arrow table in a fixed order."""


def in_order(table: Any) -> Any:
    """The rows of an Arrow table by all its columns, the first first."""
    return table.sort_by([(name, "ascending") for name in table.column_names])


class OnThisMachine:
    """Nurseries in processes side by side, as many as there are cores; few of them one after another in this one."""

    def __init__(self, workspace: Path, progress: Progress = no_progress, processes: int | None = None) -> None:
        import duckdb

        self.progress, self.processes = progress, os.cpu_count() if processes is None else processes
        self.connection = duckdb.connect()
        self.workspace = workspace
        self.are_there = False

    def each(self, task: Task, sources: Sequence[Source], how: How) -> list[Found]:
        found: dict[str, Found] = {}
        if min(self.processes or 1, len(sources) // _FEW) < 2:
            for one in sources:
                self.progress(tr("Taking in nurseries"), len(found), len(sources))
                found[one.nursery] = task(one, how)
        idle = 0
        while (left := [one for one in sources if one.nursery not in found]) and idle < _ATTEMPTS:
            before = len(found)
            # where a process was ended all were: what was at work then is tried by itself, so that none is blamed for another
            for some in [[one] for one in left if was_begun(one, how)] or [left]:
                self._side_by_side(task, some, how, found)
            idle = idle + 1 if len(found) == before else 0
        said = tr("no process came to an end with it; look at it by itself")
        return [found.get(one.nursery) or Found(one.nursery, one.place, said) for one in sources]

    def _side_by_side(self, task: Task, sources: Sequence[Source], how: How, found: dict[str, Found]) -> None:
        """Each nursery in one of several processes. Where one of these is ended all are."""
        from concurrent.futures import ProcessPoolExecutor, as_completed
        from concurrent.futures.process import BrokenProcessPool
        from multiprocessing import get_context

        of_all = len(found) + len(sources)
        pool = ProcessPoolExecutor(min(self.processes or 1, len(sources)), mp_context=get_context("spawn"))
        try:
            begun = {pool.submit(task, one, how): one for one in sources}
            for done in as_completed(begun):
                self.progress(tr("Taking in nurseries"), len(found), of_all)
                found[begun[done].nursery] = done.result()
        except BrokenProcessPool:
            pass
        finally:
            pool.shutdown(cancel_futures=True)

    def sums(self, name: str) -> Any:
        if not self.are_there:
            for table in NEEDED:
                self.connection.execute(f"CREATE VIEW {table} AS {_stacked(self.workspace / TAKEN, table)}")
            self.are_there = True
        return in_order(self.connection.sql(SQL[name].read_text(encoding="utf-8")).to_arrow_table())


PARTED = "hive_partitioning = true, hive_types_autocast = false"
"""How DuckDB reads tables parted by nursery and season; these are words, whatever they look like."""
_DUCKDB = {
    "int64": "BIGINT",
    "int32": "INTEGER",
    "double": "DOUBLE",
    "string": "VARCHAR",
    "date32[day]": "DATE",
    "bool": "BOOLEAN",
}
_SPARK = {"int64": "bigint", "int32": "int", "double": "double", "string": "string", "date32[day]": "date", "bool": "boolean"}


def _columns(table: str, kinds: dict[str, str]) -> dict[str, str]:
    """The columns of a table with their types, as an engine calls them: those that every hand-over has, and of which nursery
    and season they are. Moments are left aside."""
    own = {c: kinds[kind] for c, kind in columns_of(table).items() if kind in kinds}
    return own | dict.fromkeys(("nursery", "season"), kinds["string"])


def files_of(taken: Path, table: str) -> str:
    """The files of a table of all nurseries, '' where there are none."""
    return str(taken / table / "nursery=*" / "season=*" / "*.parquet") if any(taken.glob(f"{table}/nursery=*")) else ""


def _stacked(taken: Path, table: str) -> str:
    kinds = _columns(table, _DUCKDB)
    if files := files_of(taken, table):
        listed = ", ".join(f'"{c}"' for c in kinds)
        path = files.replace("'", "''")
        return f"SELECT {listed} FROM read_parquet('{path}', {PARTED})"
    listed = ", ".join(f'NULL::{kind} AS "{c}"' for c, kind in kinds.items())
    return f"SELECT {listed} WHERE false"


class OnSpark:
    """Every nursery a task of its own on an executor, and sums by Spark SQL."""

    def __init__(self, workspace: Path, master: str = "") -> None:
        try:
            from pyspark.sql import SparkSession
        except ImportError:
            said = marked(
                "Spark is not here: `pip install 'formpack[spark]'` brings it; it needs a Java runtime (17 or later)."
            )
            raise Refused(tr(said)) from None
        for name in ("PYSPARK_PYTHON", "PYSPARK_DRIVER_PYTHON"):
            os.environ.setdefault(name, sys.executable)
        # nothing here is of pandas
        warnings.filterwarnings("ignore", "PySpark does not yet fully support pandas", FutureWarning)
        self.workspace = workspace
        local = re.fullmatch(r"local(?:\[([\w*]+)\])?", master)
        building = SparkSession.builder.appName("formpack combine")
        if local:
            # else a task whose process ends once ends all
            building = building.master(f"local[{local[1] or 1},{_ATTEMPTS}]").config("spark.driver.bindAddress", "127.0.0.1")
            building = building.config("spark.driver.host", "127.0.0.1").config("spark.sql.shuffle.partitions", "4")
        elif master:
            building = building.master(master)
        for key, value in _CONFIGURED.items():
            building = building.config(key, value)
        try:
            with _errors_into(workspace / LOG):
                self.spark: Any = building.getOrCreate()
        except Exception as wrong:  # of Java, of the network, of a name: the library says it in words of its own
            why = (str(wrong).splitlines() or [""])[0]
            raise Refused(
                tr("Spark did not start ({why}). It needs a Java runtime, and a --master that is there.", why=why)
            ) from None
        self.are_there = False

    def close(self) -> None:
        self.spark.stop()

    def each(self, task: Task, sources: Sequence[Source], how: How) -> list[Found]:
        if not sources:
            return []

        def of_part(batches: Iterator[Any]) -> Iterator[Any]:
            import pyarrow as pa

            for batch in batches:
                rows = [astuple(task(Source(**given), how)) for given in batch.to_pylist()]
                yield pa.RecordBatch.from_arrays([pa.array(c) for c in zip(*rows, strict=True)], names=_FOUND)

        kinds = "nursery string, place string, size bigint, origin string, made_at string, is_raw boolean"
        apart = self.spark.sparkContext.parallelize([astuple(one) for one in sources], len(sources))
        frame = self.spark.createDataFrame(apart, kinds)
        rows = frame.mapInArrow(of_part, "nursery string, place string, why string, day string, is_as_before boolean").collect()
        return [Found(*row) for row in rows]

    def sums(self, name: str) -> Any:
        import sqlglot

        if not self.are_there:
            self._register()
            self.are_there = True
        (said,) = sqlglot.transpile(SQL[name].read_text(encoding="utf-8"), read="duckdb", write="spark")
        return in_order(self.spark.sql(said).toArrow())

    def _register(self) -> None:
        taken = self.workspace / TAKEN
        for table in NEEDED:
            kinds = ", ".join(f"`{c}` {kind}" for c, kind in _columns(table, _SPARK).items())
            if files_of(taken, table):
                frame = self.spark.read.schema(kinds).parquet(str(taken / table))
            else:
                frame = self.spark.createDataFrame([], kinds)
            frame.createOrReplaceTempView(table)


@contextlib.contextmanager
def _errors_into(path: Path) -> Iterator[None]:
    """What Java says goes into a file from here on: a process takes over where its errors go from the one that begins it."""
    sys.stderr.flush()
    former = os.dup(2)
    try:
        with path.open("ab") as file:
            os.dup2(file.fileno(), 2)
        yield
    finally:
        os.dup2(former, 2)
        os.close(former)


_FOUND = ["nursery", "place", "why", "day", "is_as_before"]
_CONFIGURED = {
    "spark.ui.enabled": "false",
    "spark.ui.showConsoleProgress": "false",
    "spark.sql.session.timeZone": "UTC",
    "spark.sql.sources.partitionColumnTypeInference.enabled": "false",
    "spark.sql.execution.arrow.pyspark.enabled": "true",
    "spark.sql.execution.arrow.maxRecordsPerBatch": "1",
    "spark.sql.ansi.enabled": "true",
}


@contextlib.contextmanager
def engine(name: str, workspace: Path, master: str = "", progress: Progress = no_progress) -> Iterator[Engine]:
    """The engine of this name. Raises Refused."""
    if name == "duckdb":
        yield OnThisMachine(workspace, progress)
        return
    on_spark = OnSpark(workspace, master)
    try:
        yield on_spark
    finally:
        on_spark.close()
