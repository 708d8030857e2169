"""The benches: what is measured, beside what, and what is aimed at."""

from __future__ import annotations

import importlib.util
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import ClassVar

from tests.bench.checkout import ROOT, Checkout
from tests.bench.measure import Child, Side
from tests.bench.sets import Sets

BASELINES = ROOT / "tests" / "bench" / "baselines"
NEXT_DAY = "2026-11-03"
QUERIES = {
    "due": "SELECT * FROM due WHERE days_over >= -7 ORDER BY days_over DESC, task, group_code",
    "problems": "SELECT * FROM problems ORDER BY severity DESC, rule, instance_id",
    "reconcile": "SELECT stage, count(*), sum(estimate), sum(book_count) FROM standing GROUP BY stage",
    "history": "SELECT * FROM submissions WHERE instance_id = '{key}'",
    "trace": "SELECT group_code, sum(buds_set) FROM lots WHERE budwood_batch = '{batch}' GROUP BY group_code",
}


@dataclass(frozen=True)
class Goal:
    """At most so much; `ratio` and `stretch` are of the first side to the side named, the rest of the first side alone."""

    against: str = ""
    ratio: float | None = None
    stretch: float | None = None
    cpu: float | None = None
    memory: int | None = None


@dataclass
class Bench:
    name: str
    what: str
    many: int
    sides: list[Side]
    goals: tuple[Goal, ...]


@dataclass
class Measured:
    """Code to be measured, former code beside it, and the sets; makes the benches by name, each when it is asked for."""

    NAMES: ClassVar = ("help", "xml", "csv", "report", "more", "more-million", "unchanged", "growth")

    code: Checkout
    sets: Sets
    old: Callable[[], Checkout]

    def benches(self, name: str) -> list[Bench]:
        made: list[Bench] = getattr(self, name.replace("-", "_"))()
        return made

    @cached_property
    def lxml(self) -> Path | None:
        """Where lxml is, when the environment lacks it: a folder of its own, so that the environment stays as it is."""
        if importlib.util.find_spec("lxml"):
            return None
        extra = self.sets.data / "extra"
        if not (extra / "lxml").exists():
            subprocess.run([sys.executable, "-m", "pip", "install", "-q", "--target", extra, "lxml"], check=True)
        return extra

    def baseline(self, name: str, script: str, *arguments: object, path: Path | None = None) -> Side:
        # a script stands in the folder of its own modules, so Python may look there
        return Side(name, lambda at: Child((str(BASELINES / script), *map(str, arguments)), at, path))

    def fresh(self, of: Path, *paths: Path) -> Callable[[Path], Child]:
        """An import of everything into a new workspace, states only."""
        return lambda at: self.code.states_only(self.code.workspace(of, at / "nursery"), *paths)

    @staticmethod
    def copied(store: Path, act: Callable[[Path], Child]) -> Callable[[Path], Child]:
        """Something done in a copy of a prepared workspace."""
        return lambda at: act(Path(shutil.copytree(store, at / "nursery")))

    @classmethod
    def commanded(cls, code: Checkout, store: Path, *order: object) -> Callable[[Path], Child]:
        """A command in a copy of a prepared workspace."""
        return cls.copied(store, lambda at: code.command(at, *order))

    def in_place(self, store: Path, *order: object) -> Callable[[Path], Child]:
        """A command in a prepared workspace itself, in which it changes nothing."""
        return lambda _: self.code.command(store, *order)

    # --- the benches ------------------------------------------------------------------------------------------------
    def help(self) -> list[Bench]:
        sides = [
            Side("formpack --help", lambda at: self.code.command(at, "--help")),
            Side("import typer", lambda at: Child(("-c", "import typer"), at)),
        ]
        return [Bench("help", "`formpack --help`", 1, sides, (Goal("import typer", 1.5),))]

    def xml(self) -> list[Bench]:
        of = self.sets.nursery(100_000)
        archive = of / "xml.zip"
        sides = [
            Side("import", self.fresh(of, archive)),
            self.baseline("lxml, documents in memory", "lxml_parse.py", "memory", archive, path=self.lxml),
            self.baseline("lxml, read from the archive", "lxml_parse.py", "archive", archive, path=self.lxml),
        ]
        many = self.sets.size(100_000)
        return [Bench("xml", f"import of {many:,} XML in one archive, states only", many, sides, (Goal(sides[1].name, 6, 4),))]

    def csv(self) -> list[Bench]:
        of = self.sets.counts(1_000_000)
        opened = self.code.prepared(of, "states", of / "csv")
        files = sorted((of / "counts").glob("*.csv"))
        sides = [
            Side("import", self.copied(opened, lambda at: self.code.states_only(at, *files))),
            self.baseline("DuckDB, typed read_csv", "typed_csv.py", *files),
        ]
        many = self.sets.size(1_000_000)
        return [
            Bench("csv", f"import of {many:,} rows of stock counts, states only", many, sides, (Goal(sides[1].name, 5, 3),))
        ]

    def report(self) -> list[Bench]:
        of = self.sets.nursery(1_000_000)
        store = self.code.prepared(of, "states", of / "csv")
        loaded = self.sets.data / f"loaded-{of.name}.duckdb"
        if not loaded.exists():
            subprocess.run([sys.executable, BASELINES / "tables_duckdb.py", "load", of / "csv", loaded], check=True)
        sides = [
            Side("report", self.commanded(self.code, store, "report")),
            self.baseline("DuckDB, load and one query", "tables_duckdb.py", "both", of / "csv"),
            self.baseline("DuckDB, one query over loaded tables", "tables_duckdb.py", "query", loaded),
            self.baseline("pandas from CSV", "tables_pandas.py", of / "csv"),
        ]
        goals = (Goal(sides[1].name, 6, memory=2048), Goal(sides[3].name, 1))
        many = self.sets.size(1_000_000)
        return [Bench("report", f"all tables and the report on {many:,} submissions", many, sides, goals)]

    def more(self) -> list[Bench]:
        of = self.sets.nursery(27_000)
        new, old = self.code.prepared(of, "all", of / "xml.zip"), self.old()
        before = old.prepared(of, "all", of / "xml.zip")
        benches = []
        for name, what, day in (("more", "", ()), ("more-next-day", ", the next day", ("--as-of", NEXT_DAY))):
            order = ("import", of / "more.zip", *day)
            sides = [
                Side("import", self.commanded(self.code, new, *order)),
                Side("former code", self.commanded(old, before, *order)),
            ]
            what = f"{self.sets.more:,} more into {self.sets.size(27_000):,}{what}"
            benches.append(Bench(name, what, self.sets.more, sides, (Goal(sides[1].name, 0.15),)))
        return benches

    def more_million(self) -> list[Bench]:
        of = self.sets.nursery(1_000_000)
        store = self.code.prepared(of, "all", of / "csv")
        benches = []
        for name, what, day in (("more-million", "", ()), ("more-million-next-day", ", the next day", ("--as-of", NEXT_DAY))):
            order = ("import", of / "more.zip", *day)
            side = Side("import", self.commanded(self.code, store, *order))
            what = f"{self.sets.more:,} more into {self.sets.size(1_000_000):,}{what}"
            benches.append(Bench(name, what, self.sets.more, [side], (Goal(cpu=10, memory=1024),)))
        return benches

    def unchanged(self) -> list[Bench]:
        of = self.sets.nursery(1_000_000)
        store = self.code.prepared(of, "all", of / "csv")
        with (of / "csv" / "open_group-1.csv").open(encoding="utf-8") as file:
            file.readline()
            key = file.readline().partition(",")[0].strip('"')
        batches = (of / "lists" / "budwood_batches.csv").read_text(encoding="utf-8").splitlines()
        batch = batches[len(batches) // 2].partition(",")[0]
        asked = {"history": (key,), "trace": ("--batch", batch)}
        benches, many = [], self.sets.size(1_000_000)
        for name, query in QUERIES.items():
            order = (name, *asked.get(name, ()))
            asking = query.format(key=key, batch=batch)
            sides = [
                Side(name, self.in_place(store, *order)),
                self.baseline("one query, read-only", "one_query.py", store / "store.duckdb", asking),
            ]
            what = f"`formpack {name}` when nothing changed, {many:,} submissions"
            benches.append(Bench(name, what, many, sides, (Goal(sides[1].name, 3),)))
        return benches

    def growth(self) -> list[Bench]:
        large, small = self.sets.nursery(1_000_000), self.sets.nursery(100_000)
        many = self.sets.size(1_000_000)
        imports = [Side(f"{of.name} submissions", self.fresh(of, of / "csv")) for of in (large, small)]
        stores = [self.code.prepared(of, "states", of / "csv") for of in (large, small)]
        reports = [
            Side(f"{of.name} submissions", self.commanded(self.code, store, "report"))
            for of, store in zip((large, small), stores, strict=True)
        ]
        return [
            Bench(
                f"growth-{name}",
                f"{what}, {many:,} against {self.sets.size(100_000):,} submissions",
                many,
                sides,
                (Goal(sides[1].name, 11),),
            )
            for name, what, sides in (("import", "import of tables", imports), ("tables", "tables and report", reports))
        ]
