"""Many nurseries together on this machine: nothing of one is mixed with another, and what is wrong is of one alone."""

from __future__ import annotations

import datetime as dt
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest
from pyarrow import parquet

from pipeline import run
from pipeline.body import engines, sources
from pipeline.body.combined import _write_store, combine, open_store
from pipeline.body.pooled import tables_of
from pipeline.body.proved import NEEDED
from pipeline.body.sources import Found, How
from pipeline.office import hand_over
from pipeline.office.backup import content_of
from pipeline.outputs import Batch
from pipeline.workspace import Workspace
from tests.bench.nurseries import write_nurseries
from tests.body.clones import as_handed_over, clone
from tests.cli.test_cli import formpack
from tests.conftest import new_workspace


@pytest.fixture
def handed_over(three: Path, tmp_path: Path) -> Path:
    """Hand-overs of four nurseries, made of what was taken in of three."""
    folder = tmp_path / "handed-over"
    folder.mkdir()
    for number, nursery in enumerate(("N001", "N002", "N003", "N001"), 1):
        clone(as_handed_over(three), nursery, folder, f"C{number}", number)
    return folder


def rows(workspace: Path, query: str) -> list[tuple[Any, ...]]:
    with open_store(workspace) as store:
        return store.execute(query).fetchall()


def test_codes_of_nurseries_are_not_mixed(three: Path) -> None:
    """The three have teams, people and groups of the same codes."""
    here = three / "here"
    assert rows(here, "SELECT nursery, state FROM nurseries ORDER BY 1") == [(f"N00{n}", "taken in") for n in (1, 2, 3)]
    (groups,) = rows(here, "SELECT count(*), count(DISTINCT group_code) FROM by_nursery.standing")
    assert groups[0] > groups[1]
    assert rows(here, "SELECT sum(lots) FROM nursery_takes") == rows(
        here, "SELECT count(*) FROM by_nursery.lots WHERE green + brown + missing > 0"
    )
    teams = rows(here, "SELECT nursery, count(*), count(DISTINCT team_code) FROM by_nursery.lots GROUP BY 1")
    assert rows(here, "SELECT count(DISTINCT team_code) FROM by_nursery.teams") == [
        (len(rows(here, "SELECT DISTINCT nursery, team_code FROM by_nursery.teams")),)
    ], "pseudonyms of one code are others in other nurseries"
    assert len(teams) == 3


def test_each_nursery_is_as_its_own_pipeline_has_it(three: Path, tmp_path: Path) -> None:
    own = Workspace(shutil.copytree(three / "raw" / "N002", tmp_path / "own"))
    formpack("import", cwd=own.folder, code=None)
    with run.opened(own) as (made, _):
        for table in ("standing", "take_rates", "survival", "loss_causes", "months", "off_type", "counts"):
            there = {c: k for c, k, *_ in made.rows(f'DESCRIBE main."{table}"')}
            listed = ", ".join(f'"{c}"' for c in there if c not in ("level", "staff_code", "team_code", "consignee"))
            want = made.rows(f'SELECT {listed} FROM main."{table}" ORDER BY ALL')
            assert (
                want
                and rows(three / "here", f"SELECT {listed} FROM by_nursery.{table} WHERE nursery = 'N002' ORDER BY ALL") == want
            ), table


def test_sums_of_all_are_sums_of_each(three: Path) -> None:
    here = three / "here"
    plain = (
        "SELECT count(*), sum(buds_set)::BIGINT, sum(green + brown + missing)::BIGINT, sum(green)::BIGINT FROM by_nursery.lots"
    )
    assert rows(here, """SELECT lots, buds_set, read, taken FROM takes WHERE "by" = 'all'""") == rows(here, plain)
    for by in ("rootstock", "scion"):
        want = rows(
            here, plain.replace("SELECT", f"SELECT {by},", 1) + f" GROUP BY {by} HAVING sum(green) IS NOT NULL ORDER BY 1"
        )
        got = rows(
            here, f"""SELECT level, lots, buds_set, read, taken FROM takes WHERE "by" = '{by}' AND read > 0 ORDER BY 1"""
        )
        assert got == want
    steps = """SELECT step, sum(at_risk)::BIGINT, sum(lost)::BIGINT FROM {} WHERE clock = 'stage' AND "by" = 'all'
        GROUP BY 1 ORDER BY 1"""
    assert rows(here, steps.format("survival")) == rows(here, steps.format("by_nursery.survival"))
    kept = rows(here, """SELECT step, survival FROM survival WHERE clock = 'stage' AND "by" = 'all'""")
    left = 1.0
    for step, through in kept:
        (n, lost) = rows(
            here, f"SELECT at_risk, lost FROM survival WHERE clock = 'stage' AND \"by\" = 'all' AND step = '{step}'"
        )[0]
        left *= 1 - lost / n
        assert through == pytest.approx(left, rel=1e-12)
    losses = rows(here, "SELECT sum(lost)::BIGINT, sum(not_recorded)::BIGINT FROM nursery_losses")
    assert losses == rows(
        here,
        "SELECT sum(lost)::BIGINT, sum(CASE WHEN kind = 'not_recorded' THEN lost END)::BIGINT FROM by_nursery.sums_of_losses",
    )
    assert rows(here, "SELECT sum(lifted)::BIGINT, sum(off_type)::BIGINT FROM off_type") == rows(
        here, "SELECT sum(lifted)::BIGINT, sum(off_type)::BIGINT FROM by_nursery.off_type"
    )
    assert rows(here, "SELECT sum(plants)::BIGINT FROM nurseries") == rows(
        here, """SELECT sum(plants)::BIGINT FROM by_nursery.standing_sums WHERE "by" = 'all'"""
    )


def test_from_hand_overs_to_a_page(handed_over: Path, tmp_path: Path) -> None:
    said = formpack("combine", str(handed_over), "--workspace", "body", cwd=tmp_path)
    assert said.startswith("4 nurseries are in body, with 280 submissions.") and "Of " in said
    page = (tmp_path / "body" / "reports" / "body-report.html").read_text(encoding="utf-8")
    for nursery in ("C1", "C2", "C3", "C4"):
        assert f"<td>{nursery}</td>" in page or nursery in page
    assert "How buds take, by nursery" in page and (tmp_path / "body" / "reports" / "body-report.xlsx").exists()
    again = formpack("combine", str(handed_over), "--workspace", "body", cwd=tmp_path)
    assert "4 were as before, and not done again." in again
    told = json.loads(formpack("combine", str(handed_over), "--workspace", "body", "--json", cwd=tmp_path))
    assert (told["taken_in"], told["as_before"], told["left_out"]) == (4, 4, [])
    # one that is not given any more is gone from everything
    sources.remove(handed_over, "C4")
    assert formpack("combine", str(handed_over), "--workspace", "body", cwd=tmp_path).startswith("3 nurseries are in body")
    assert rows(tmp_path / "body", "SELECT DISTINCT nursery FROM by_nursery.lots ORDER BY 1") == [("C1",), ("C2",), ("C3",)]
    assert rows(tmp_path / "body", "SELECT DISTINCT nursery FROM nursery_takes ORDER BY 1") == [("C1",), ("C2",), ("C3",)]


def _damage(folder: Path) -> str:
    path = next((folder / "lots" / "nursery=C2").rglob("*.parquet"))
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 255
    path.write_bytes(content)
    return "is damaged: it is not what was written"


def _lose(folder: Path) -> str:
    next((folder / "survival" / "nursery=C2").rglob("*.parquet")).unlink()
    return "is missing; have it handed over again"


def _later(folder: Path) -> str:
    _said(folder, lambda said: said | {"version": 2, "new": "thing"})
    return "it is of version 2 of the hand-over, and this program knows 1; update formpack here"


def _no_manifest(folder: Path) -> str:
    (folder / "nursery=C2.json").unlink()
    return "nursery=C2.json is missing: it was not written to its end, or not copied whole"


def _broken(folder: Path) -> str:
    (folder / "nursery=C2.json").write_bytes(b'{"format": "formpack')
    return "nursery=C2.json cannot be read; have it handed over again"


def _odd(folder: Path) -> str:
    _said(folder, lambda said: said | {"day": "yesterday"})
    return "nursery=C2.json is not as a hand-over has it, at day"


def _outside(folder: Path) -> str:
    _said(folder, lambda said: said | {"files": {"../../etc/passwd": {"size": 1, "sha256": "0" * 64}}})
    return "is not as a hand-over has it, at files"


def _other(folder: Path) -> str:
    _said(folder, lambda said: said | {"nursery": "C9"})
    return "nursery=C2.json is of the nursery C9"


def _no_column(folder: Path) -> str:
    path = next((folder / "lots" / "nursery=C2").rglob("*.parquet"))
    parquet.write_table(parquet.ParquetFile(path).read().drop_columns(["green"]), path)
    _redo(folder, path)
    return "has not the column green as int64"


def _no_parquet(folder: Path) -> str:
    path = next((folder / "lots" / "nursery=C2").rglob("*.parquet"))
    path.write_bytes(b"words")
    _redo(folder, path)
    return "is no Parquet file"


def _no_day(folder: Path) -> str:
    _said(folder, lambda said: said | {"day": "2026-99-99"})
    return "is not as a hand-over has it, at day"


def _half_a_letter(folder: Path) -> str:
    _said(folder, lambda said: said | {"tables": {"\ud800": {"rows": -1, "columns": []}}})
    return "at tables.\\ud800.rows"


def _anothers(folder: Path) -> str:
    _said(folder, lambda said: said | {"files": json.loads((folder / "nursery=C1.json").read_text(encoding="utf-8"))["files"]})
    return "is not as a hand-over has it, at files"


def _words_beside(folder: Path) -> str:
    path = folder / "unknown" / "nursery=C2" / "season=all" / "x.parquet"
    path.parent.mkdir(parents=True)
    path.write_bytes(b"words")
    _redo(folder, path)
    return "unknown/nursery=C2/season=all/x.parquet is no Parquet file"


def _value(table: str, column: str, value: Any, says: str) -> Callable[[Path], str]:
    """A fault that is one value in the first row of a table, with a manifest that fits it."""

    def fault(folder: Path) -> str:
        path = min((folder / table / "nursery=C2").rglob("*.parquet"))
        rows = parquet.ParquetFile(path).read()
        values = pa.array([value, *rows[column].to_pylist()[1:]], rows.schema.field(column).type)
        parquet.write_table(rows.set_column(rows.column_names.index(column), column, values), path)
        _redo(folder, path)
        return says

    return fault


_ODD_VALUES = [
    _value(table, column, value, f"{table} has in the column {column} what cannot be")
    for table, column, value in (
        ("lots", "green", -1),
        ("lots", "green", 4 * 10**9),
        ("lots", "attempt", None),
        ("lots", "rootstock", "x" * 1000),
        ("survival", "step", None),
        ("survival", "at_risk", 2**63 - 1),
        ("sums_of_losses", "kind", None),
        ("off_type", "lifted", None),
    )
] + [_value("survival", "lost", 10**6, "survival has more in the column lost than in at_risk")]


def _twice(folder: Path) -> str:
    (folder.parent / "second").mkdir()
    clone(folder, "C1", folder.parent / "second", "C2", 99)
    return "two nurseries go by the code C2"


def _said(folder: Path, change: Callable[[dict[str, Any]], dict[str, Any]]) -> None:
    path = folder / "nursery=C2.json"
    path.write_text(json.dumps(change(json.loads(path.read_text(encoding="utf-8")))), encoding="utf-8")


def _redo(folder: Path, path: Path) -> None:
    told = content_of(path)
    _said(folder, lambda said: said | {"files": said["files"] | {path.relative_to(folder).as_posix(): told}})


@pytest.fixture(scope="module")
def other_three(three: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """The tables of the three nurseries beside the one that has a fault."""
    folder = tmp_path_factory.mktemp("others")
    for number, nursery in ((1, "N001"), (3, "N003"), (4, "N001")):
        clone(as_handed_over(three), nursery, folder, f"C{number}", number)
    return {name: table.to_pylist() for name, table in combine([folder], folder / "body").tables.items() if name != "nurseries"}


@pytest.mark.parametrize(
    "fault",
    [
        *(_lose, _no_manifest, _broken, _odd, _outside, _other, _no_column, _no_parquet, _twice),
        *(_no_day, _half_a_letter, _anothers, _words_beside, *_ODD_VALUES),
    ],
)
def test_a_fault_is_of_one_nursery_alone(
    fault: Callable[[Path], str], handed_over: Path, other_three: dict[str, Any], tmp_path: Path
) -> None:
    says = fault(handed_over)
    body = tmp_path / "body"
    given, odd = sources.find([handed_over, *([tmp_path / "second"] if fault is _twice else [])])
    with engines.engine("duckdb", body) as engine:
        found = [*sources.take_all(given, How(str(body), "program", "en", ""), engine.each), *odd]
        tables = tables_of(engine, found)
    assert len({one.nursery for one in found if not one.why}) == 3
    left_out = [(row["nursery"], row["why"]) for row in tables["nurseries"].to_pylist() if row["state"] == "left out"]
    assert {nursery for nursery, _ in left_out} == {"C2"} and all(says in why for _, why in left_out)
    assert {n: t.to_pylist() for n, t in tables.items() if n != "nurseries"} == other_three
    assert not [*(body / "taken").rglob("nursery=C2*")]


@pytest.mark.parametrize("fault", [_damage, _later])
def test_a_fault_is_told_and_stands_on_the_page(
    fault: Callable[[Path], str], handed_over: Path, other_three: dict[str, Any], tmp_path: Path
) -> None:
    says = fault(handed_over)
    said = formpack("combine", str(handed_over), "--workspace", "body", cwd=tmp_path, code=1)
    assert "3 nurseries are in body" in said and "C2 is left out:" in said and says in said
    with open_store(tmp_path / "body") as store:
        left_out = store.execute("SELECT nursery, why FROM nurseries WHERE state = 'left out'").fetchall()
        assert [nursery for nursery, _ in left_out] == ["C2"] and says in left_out[0][1]
        for name, there in other_three.items():
            assert store.sql(f'FROM main."{name}"').to_arrow_table().to_pylist() == there, name
        assert store.execute("SELECT count(*) FROM by_nursery.lots WHERE nursery = 'C2'").fetchone() == (0,)
    page = (tmp_path / "body" / "reports" / "body-report.html").read_text(encoding="utf-8")
    assert "C2 is left out" in page and "What is missing, and why" in page


def test_the_latest_of_two_hand_overs_of_one_nursery_counts(handed_over: Path, tmp_path: Path) -> None:
    later = tmp_path / "later"
    shutil.copytree(handed_over, later)
    sources.remove(later, "C3")
    path = later / "nursery=C2.json"
    said = json.loads(path.read_text(encoding="utf-8")) | {"made_at": "2026-12-01T06:00:00+00:00", "day": "2026-12-01"}
    path.write_text(json.dumps(said), encoding="utf-8")
    for given in ([handed_over, later], [later, handed_over]):
        done = combine(given, tmp_path / "body")
        assert {one.nursery: Path(one.place).name for one in done.found if one.nursery in ("C2", "C3")} == {
            "C2": "later",
            "C3": "handed-over",
        }
        assert {one.nursery: one.day for one in done.found}["C2"] == "2026-12-01"


def test_what_stopped_the_work_twice_is_left_out(three: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Killed(BaseException):
        """As when the process ends."""

    def killed(*_: object) -> str:
        raise Killed

    monkeypatch.setattr(sources, "_run_raw", killed)
    source = sources.find([three / "raw" / "N001"])[0][0]
    how = How(str(tmp_path), "program", "en", "")
    (tmp_path / "taken").mkdir()
    for _ in range(2):
        with pytest.raises(Killed):
            sources.take_in(source, how)
    found = sources.take_in(source, how)
    assert "was stopped 2 times" in found.why and not list((tmp_path / "taken").glob(".begun*"))
    # with another content, or another program, it is tried again
    with pytest.raises(Killed):
        sources.take_in(source, How(str(tmp_path), "another program", "en", ""))


def test_what_fails_in_the_program_is_of_one_nursery(three: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def failing(*_: object) -> str:
        raise ZeroDivisionError("a fault\nof the program")

    monkeypatch.setattr(sources, "_run_raw", failing)
    (tmp_path / "taken").mkdir()
    found = sources.take_in(sources.find([three / "raw" / "N001"])[0][0], How(str(tmp_path), "program", "en", ""))
    assert found.why == "the program failed on it (ZeroDivisionError: a fault of the program)"


def test_only_what_changed_is_done_again(three: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.copytree(three / "raw", tmp_path / "raw")
    shutil.copytree(three / "here", tmp_path / "body")
    done: list[str] = []
    run_raw = sources._run_raw

    def counted(source: Any, aside: Path, how: How) -> str:
        done.append(source.nursery)
        return run_raw(source, aside, how)

    monkeypatch.setattr(sources, "_run_raw", counted)
    combine([tmp_path / "raw"], tmp_path / "body")
    assert not done
    with (tmp_path / "raw" / "N002" / "lists" / "staff.csv").open("a", encoding="utf-8") as file:
        file.write("S99,New,yes\n")
    combined = combine([tmp_path / "raw"], tmp_path / "body")
    assert done == ["N002"] and [one.is_as_before for one in combined.found] == [True, False, True]


def test_what_is_altered_in_the_workspace_is_taken_in_anew(handed_over: Path, tmp_path: Path) -> None:
    want = combine([handed_over], tmp_path / "body").tables
    next((tmp_path / "body" / "taken" / "lots" / "nursery=C2").rglob("*.parquet")).unlink()
    next((tmp_path / "body" / "taken" / "lots" / "nursery=C3").rglob("*.parquet")).write_bytes(b"words")
    again = combine([handed_over], tmp_path / "body")
    assert {one.nursery for one in again.found if not one.is_as_before} == {"C2", "C3"}
    assert all(again.tables[name].equals(table) for name, table in want.items())


def test_who_stops_it_by_hand_may_do_so_often(three: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stopped(*_: object) -> str:
        raise KeyboardInterrupt

    monkeypatch.setattr(sources, "_run_raw", stopped)
    (tmp_path / "taken").mkdir()
    for _ in range(3):
        with pytest.raises(KeyboardInterrupt):
            sources.take_in(sources.find([three / "raw" / "N001"])[0][0], How(str(tmp_path), "program", "en", ""))


def test_raw_submissions_that_cannot_be_read(three: Path, tmp_path: Path) -> None:
    raw = shutil.copytree(three / "raw" / "N001", tmp_path / "raw" / "N001").parent
    (raw / "N002").mkdir()
    (raw / "N002" / "nursery.toml").write_text("name = [", encoding="utf-8")
    (raw / "N003").mkdir()
    (raw / "N003" / "nursery.toml").write_text('name = "No code"\n', encoding="utf-8")
    own = new_workspace(raw / "N004")
    text = (three / "raw" / "N001" / "nursery.toml").read_text(encoding="utf-8")
    (own.folder / "nursery.toml").write_text(text.replace('"N001"', '"N004"'), encoding="utf-8")
    (own.inbox / "xml.zip").write_bytes((three / "raw" / "N002" / "inbox" / "xml.zip").read_bytes()[:3000])
    shutil.copytree(raw / "N004", raw / "N005")
    (raw / "N005" / "nursery.toml").write_text(text.replace('"N001"', '"N005"'), encoding="utf-8")
    (raw / "N005" / "inbox" / "xml.zip").unlink()
    said = formpack("combine", "raw", "--workspace", "body", cwd=tmp_path, code=1)
    found = dict(rows(tmp_path / "body", "SELECT nursery, why FROM nurseries"))
    assert found["N001"] is None and "nursery.toml cannot be read" in found["N002"] and "[handover]" in found["N003"]
    assert found["N004"] is None and "1 file of N004 could not be read: its numbers lack what is in it." in said
    assert found["N005"] == "it has no submissions: its inbox/ is missing or empty"
    page = (tmp_path / "body" / "reports" / "body-report.html").read_text(encoding="utf-8")
    assert "1 file of N004 could not be read" in page and "N002 is left out" in page


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("nothing-here", "--workspace", "body"), "has no hand-over of a nursery"),
        (("raw", "--workspace", "raw/N001"), "is the workspace of a nursery"),
        (("raw", "--workspace", "full"), "holds something else"),
        (("raw", "--workspace", "body [new]"), "has [ ] in its name"),
        (("raw", "--workspace", "body", "--engine", "ox"), "--engine ox: the engines are duckdb, spark."),
        (("raw", "--workspace", "body", "--master", "local[2]"), "--master goes with --engine spark."),
        (("raw", "--workspace", "body", "--as-of", "soon"), "--as-of soon"),
    ],
)
def test_what_cannot_be_done_is_said(words: tuple[str, ...], says: str, tmp_path: Path) -> None:
    write_nurseries(tmp_path / "raw", nurseries=1, submissions=10)
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "letter.txt").write_text("dear", encoding="utf-8")
    (tmp_path / "nothing-here").mkdir()
    assert says in formpack("combine", *words, cwd=tmp_path, code=2)
    assert not (tmp_path / "body").exists()


def test_codes_mean_what_the_body_says(handed_over: Path, tmp_path: Path) -> None:
    """Two nurseries call one rootstock by two codes; and a code of one nursery is another scion in another."""
    plain = combine([handed_over], tmp_path / "plain").tables
    stock = plain["takes"].to_pylist()[next(i for i, r in enumerate(plain["takes"].to_pylist()) if r["by"] == "rootstock")][
        "level"
    ]
    scion = rows(tmp_path / "plain", "SELECT scion FROM by_nursery.lots WHERE nursery = 'C2' ORDER BY 1")[0][0]
    file = tmp_path / "codes.csv"
    file.write_text(f"nursery,list,code,means\n,rootstocks,{stock},STOCK\nC2,scions,{scion},OTHER\n", encoding="utf-8")
    formpack("combine", str(handed_over), "--workspace", "body", "--codes", "codes.csv", cwd=tmp_path)
    for name in ("takes", "survival", "off_type", "pairs"):
        texts = {v for row in rows(tmp_path / "body", f'FROM main."{name}"') for v in row if isinstance(v, str)}
        assert "STOCK" in texts and stock not in texts, name
    counted = "SELECT nursery, count(*) FROM by_nursery.lots WHERE scion = 'OTHER' GROUP BY 1"
    assert [n for n, _ in rows(tmp_path / "body", counted)] == ["C2"]
    said = formpack("combine", str(handed_over), "--workspace", "body", "--codes", "codes.csv", cwd=tmp_path)
    assert "4 were as before" in said
    assert "as before" not in formpack("combine", str(handed_over), "--workspace", "body", cwd=tmp_path)
    for text, says in (
        ("list,code\n", "codes.csv has no column means."),
        ("list,code,means\nteams,T1,T2\n", "codes.csv, line 2: list must be rootstocks or scions"),
        ("list,code,means\nscions,A,B\nscions,A,C\n", "codes.csv, line 3: A means two things."),
    ):
        file.write_text(text, encoding="utf-8")
        assert says in formpack(
            "combine", str(handed_over), "--workspace", "body", "--codes", "codes.csv", cwd=tmp_path, code=2
        )
    assert "nothing.csv" in formpack(
        "combine", "handed-over", "--workspace", "b", "--codes", "nothing.csv", cwd=tmp_path, code=2
    )


def test_forms_of_ones_own_may_ask_one_thing_in_several_ways(tmp_path: Path) -> None:
    answers = {"A": pa.table({"said": [3], "on": ["x"]}), "B": pa.table({"said": [dt.date(2026, 11, 2)], "more": [1.5]})}
    for nursery, table in answers.items():
        path = tmp_path / "taken" / "answers_frost" / f"nursery={nursery}" / "season=2026" / "data_0.parquet"
        path.parent.mkdir(parents=True)
        parquet.write_table(table, path)
    _write_store(tmp_path, {}, Batch(tmp_path, tmp_path))
    found = rows(tmp_path, "SELECT nursery, said, more FROM by_nursery.answers_frost ORDER BY 1")
    assert found == [("A", "3", None), ("B", "2026-11-02", 1.5)]


def test_every_needed_table_is_in_the_schema() -> None:
    for table in NEEDED:
        assert hand_over.columns_of(table)
    assert Found("a", "b").why == ""
