"""The same work on Spark: forty nurseries, two at a time, come out row for row as on one machine; a task that is killed begins
again, and one that is killed again and again is of one nursery alone."""

from __future__ import annotations

import os
import re
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from pipeline.body import engines, sources
from pipeline.body.combined import Combined, combine, open_store
from pipeline.body.sources import Found, How, Source
from pipeline.store import SQL
from tests.body.clones import as_handed_over, clone
from tests.cli.test_cli import formpack
from tests.conftest import ROOT

if "CI" not in os.environ:
    pytest.importorskip("pyspark", reason="Spark is an extra: pip install '.[spark]'")
TWO_AT_A_TIME = "local[2]"
FORTY = 40


@pytest.fixture(scope="module", autouse=True)
def this_code() -> Iterator[None]:
    """Executors run the code that is tested."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTHONPATH", str(ROOT))
        yield


@pytest.fixture(scope="module")
def forty(three: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Forty hand-overs, one of them damaged and one of a later version."""
    folder = tmp_path_factory.mktemp("forty")
    for number in range(FORTY):
        clone(as_handed_over(three), f"N00{number % 3 + 1}", folder, f"K{number:02}", number)
    path = next((folder / "lots" / "nursery=K07").rglob("*.parquet"))
    path.write_bytes(path.read_bytes()[:-9])
    text = (folder / "nursery=K11.json").read_text(encoding="utf-8")
    (folder / "nursery=K11.json").write_text(text.replace('"version": 1', '"version": 2'), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def on_spark(forty: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Combined]:
    workspace = tmp_path_factory.mktemp("on-spark") / "body"
    return workspace, combine([forty], workspace, "spark", TWO_AT_A_TIME)


def everything(workspace: Path) -> dict[str, list[tuple[Any, ...]]]:
    """All rows of all tables of a body and of every nursery's; when a submission was imported is no part of it."""
    with open_store(workspace) as store:
        there = store.execute(
            "SELECT table_schema, table_name, list(column_name) FROM information_schema.columns"
            " WHERE table_catalog = 'combined' AND column_name <> 'received_at' GROUP BY ALL"
        ).fetchall()
        listed = {f'{s}."{t}"': ", ".join(f'"{c}"' for c in sorted(columns)) for s, t, columns in there}
        return {t: store.execute(f"SELECT {columns} FROM {t} ORDER BY ALL").fetchall() for t, columns in listed.items()}


def test_row_for_row_as_on_one_machine(forty: Path, on_spark: tuple[Path, Combined], tmp_path: Path) -> None:
    workspace, done = on_spark
    here = combine([forty], tmp_path / "here")
    assert [(one.nursery, one.why) for one in done.found] == [(one.nursery, one.why) for one in here.found]
    assert {one.nursery for one in done.left_out} == {"K07", "K11"} and len(done.found) == FORTY
    for name, table in here.tables.items():
        assert done.tables[name].equals(table), name
    want = everything(tmp_path / "here")
    assert everything(workspace) == want and len(want['main."nursery_takes"']) == FORTY - 2
    assert all(want.values())
    pages = [(w / "reports" / "body-report.html").read_text(encoding="utf-8") for w in (workspace, tmp_path / "here")]
    assert len({re.sub(r"\bc\d+-", "", page) for page in pages}) == 1, "drawings are numbered through a process"


def test_nothing_is_done_again(forty: Path, on_spark: tuple[Path, Combined]) -> None:
    how = How(str(on_spark[0].resolve()), sources.program_mark(), "", "")
    with engines.engine("spark", on_spark[0], TWO_AT_A_TIME) as engine:
        again = sources.take_all(sources.find([forty])[0], how, engine.each)
    assert sum(one.is_as_before for one in again) == FORTY - 2


def test_raw_submissions_by_the_command(three: Path, tmp_path: Path) -> None:
    """The whole pipeline of each nursery is a task of its own."""
    words = ("--workspace", "body", "--engine", "spark", "--master", TWO_AT_A_TIME)
    said = formpack("combine", str(three / "raw"), *words, cwd=tmp_path)
    assert said.startswith("3 nurseries are in body, with 210 submissions.")
    assert everything(tmp_path / "body") == everything(three / "here")
    assert (tmp_path / "body" / "spark.log").exists()


def _killed(source: Source, how: How) -> Found:
    """The process that has K00 ends once, before it has begun; that with K01 each time, when it is at work."""
    seen = Path(how.workspace) / f"seen-{source.nursery}"
    if source.nursery == "K00" and not seen.exists():
        seen.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    if source.nursery == "K01":
        sources._copy = lambda *_: os.kill(os.getpid(), signal.SIGKILL)  # type: ignore[assignment]
    return sources.take_in(source, how)


@pytest.mark.parametrize("name", ["spark", "duckdb"])
def test_a_task_that_is_killed(name: str, forty: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(engines, "_FEW", 1)  # three are worth processes of their own
    given = [one for one in sources.find([forty])[0] if one.nursery < "K03"]
    how = How(str(tmp_path), "program", "en", "")
    with engines.engine(name, tmp_path, TWO_AT_A_TIME) as engine:
        found = {one.nursery: one.why for one in sources.take_all(given, how, lambda _, *rest: engine.each(_killed, *rest))}
    assert found.keys() == {"K00", "K01", "K02"} and (tmp_path / "seen-K00").exists()
    assert found["K00"] == found["K02"] == "" and "was stopped 2 times" in found["K01"]
    there = {p.stem.removeprefix("nursery=") for p in (tmp_path / "taken").glob("nursery=*.json")}
    assert there == {"K00", "K02"}


def test_the_sql_stands_once() -> None:
    """Every sum is one query in DuckDB's words that sqlglot can put into Spark's."""
    import sqlglot

    own = [path for path in SQL.values() if path.parent.parent.name == "body"]
    assert len(own) == 8
    for path in own:
        (said,) = sqlglot.transpile(path.read_text(encoding="utf-8"), read="duckdb", write="spark")
        assert said.startswith(("SELECT", "WITH", "/*")), path.name


def test_a_spark_that_is_not_there(three: Path, tmp_path: Path) -> None:
    words = ("--workspace", "body", "--engine", "spark", "--master", "no-such-thing")
    assert "Spark did not start" in formpack("combine", str(three / "raw"), *words, cwd=tmp_path, code=2)
