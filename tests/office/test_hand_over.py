"""What a nursery hands over to a body: all of its tables, readable by anything, and nobody named in them unless asked for."""

from __future__ import annotations

import base64
import csv
import hashlib
import hmac
import json
import shutil
from pathlib import Path
from typing import Any

import duckdb
import jsonschema
import pyarrow.parquet
import pytest

from pipeline import run
from pipeline.office import hand_over
from pipeline.tables import TABLES
from pipeline.workspace import Workspace
from tests.cli.test_cli import formpack
from tests.conftest import copied, new_workspace
from tests.office import hand_over_schema

HANDOVER = '\n[handover]\nnursery = "{code}"\nkey = "{key}"\n'
KEY = "0123456789abcdef0123456789abcdef"


@pytest.fixture(scope="module")
def out(demo: Workspace, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("out")
    said = formpack("export", "--parquet", str(folder), cwd=demo.folder)
    assert said.startswith(f"{folder} holds 2,705 submissions and ") and "Nobody is named in it" in said
    return folder


def manifest(folder: Path, nursery: str = "LARK") -> dict[str, Any]:
    found: dict[str, Any] = json.loads((folder / f"nursery={nursery}.json").read_text(encoding="utf-8"))
    return found


def stacked(folder: Path, table: str) -> str:
    """A table of all hand-overs in a folder, as DuckDB reads it."""
    return f"read_parquet('{folder}/{table}/*/*/*.parquet', hive_partitioning = true, hive_types_autocast = false)"


def texts_of(folder: Path) -> dict[str, set[str]]:
    """Every text in every file, by table and column."""
    found: dict[str, set[str]] = {}
    for path in folder.rglob("*.parquet"):
        for name, column in zip((t := pyarrow.parquet.read_table(path)).column_names, t.columns, strict=True):
            if column.type == pyarrow.string():
                found.setdefault(f"{path.relative_to(folder).parts[0]}.{name}", set()).update(
                    v for v in column.to_pylist() if v is not None
                )
    return found


def people(workspace: Workspace) -> set[str]:
    """Codes and names of people, teams and buyers of the demo."""
    found: set[str] = set()
    for name, columns in {"staff": ("code", "label"), "teams": ("code", "label"), "orders": ("consignee",)}.items():
        with (workspace.lists / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            found |= {row[c] for row in csv.DictReader(file) for c in columns}
    return found


def test_nobody_is_named(demo: Workspace, out: Path) -> None:
    named, texts = people(demo), texts_of(out)
    assert {"S01", "T01", "Abel", "Casa Bonvento"} <= named and len(texts) > 150
    for where, values in texts.items():
        assert not values & named, where
        parts = {part for value in values for part in value.split()}
        assert not parts & named, where
    left = {"note", "message", "advice", "photo", "deviceid", "start", "end", "weather"}
    assert not {where for where in texts if where.partition(".")[2] in left}
    assert "submissions.source" not in texts and "off_type.source" in texts
    assert "value" in pyarrow.parquet.read_schema(next((out / "readings").rglob("*.parquet"))).names
    assert manifest(out)["name"] is None and "Larkwater" not in (out / "nursery=LARK.json").read_text(encoding="utf-8")


def test_a_pseudonym_is_hmac_of_the_code_and_the_same_in_every_table(out: Path) -> None:
    """RFC 2104 and RFC 4648, worked out here anew."""
    key = b"7d1f0c9ae2b84c5d9f36a07e51b8c2d4"
    digest = hmac.new(key, b"teams\0T01", hashlib.sha256).digest()
    first = base64.b32encode(digest).decode()[:10].lower()
    with duckdb.connect() as db:
        for table, column in {"lots": "team_code", "teams": "team_code", "answers_budding": "team_code"}.items():
            assert db.execute(f"SELECT count(*) FROM {stacked(out, table)} WHERE {column} = '{first}'").fetchone() != (0,), (
                table
            )
        rates = stacked(out, "take_rates")
        (levels,) = db.execute(f"SELECT list(level) FROM {rates} WHERE \"by\" = 'team'").fetchall()[0]
    assert first in levels and all(len(level) == 10 for level in levels)
    # in the order of codes the rows would tell whose pseudonym is whose
    assert levels == sorted(levels)
    assert hand_over.pseudonym("another key", "teams", "T01") != first


def test_what_goes_out_is_what_the_books_say(demo: Workspace, out: Path) -> None:
    names = [name for name in TABLES if name not in ("standing_sums",)]
    with run.opened(demo) as (store, _), duckdb.connect() as db:
        for name in names:
            (rows,) = store.rows(f'SELECT count(*) FROM main."{name}"')[0]
            assert manifest(out)["tables"][name]["rows"] == rows, name
            there = list((out / name).rglob("*.parquet"))
            assert bool(there) == bool(rows)
            if rows:
                assert db.execute(f"SELECT count(*) FROM {stacked(out, name)}").fetchone() == (rows,), name
        lots = "SELECT group_code, attempt, rootstock, scion, budded_on, buds_set, green, take_rate FROM {} ORDER BY ALL"
        assert db.execute(lots.format(stacked(out, "lots"))).fetchall() == store.rows(lots.format("main.lots"))
        seasons = db.execute(
            f"SELECT DISTINCT season, year(budded_on)::VARCHAR FROM {stacked(out, 'lots')} ORDER BY 1"
        ).fetchall()
        assert seasons == [("2025", "2025"), ("2026", "2026")]
        losses = db.execute(f"SELECT kind, sum(lost) FROM {stacked(out, 'sums_of_losses')} GROUP BY 1 ORDER BY 1").fetchall()
        assert losses == store.rows("SELECT kind, sum(lost) FROM work.place_risks GROUP BY 1 ORDER BY 1")


def test_the_manifest_is_proved_and_documented(demo: Workspace, out: Path) -> None:
    said = manifest(out)
    jsonschema.Draft202012Validator(hand_over.schema()).validate(said)
    files = {p.relative_to(out).as_posix(): p for p in out.rglob("*.parquet")}
    assert set(files) == set(said["files"])
    for name, path in files.items():
        assert said["files"][name] == {"size": path.stat().st_size, "sha256": hashlib.sha256(path.read_bytes()).hexdigest()}
        table = name.partition("/")[0]
        there = {f.name: str(f.type) for f in pyarrow.parquet.read_schema(path)}
        assert hand_over.columns_of(table).items() <= there.items(), table
        assert [c["name"] for c in said["tables"][table]["columns"]] == list(there), table
    with run.opened(demo) as (store, _):
        assert hand_over_schema.FILE.read_text(encoding="utf-8") == hand_over_schema.text(store)


def test_with_names_they_stand_as_they_are(demo: Workspace, tmp_path: Path) -> None:
    said = formpack("export", str(tmp_path), "--parquet", "--with-names", cwd=demo.folder)
    assert "Give it to nobody who may not know them." in said
    texts = texts_of(tmp_path)
    assert {"S01"} <= texts["submissions.staff_code"] and "Casa Bonvento" in texts["orders.consignee"]
    assert any(len(v) > 20 for v in texts["problems.message"]) and "T01" in texts["take_rates.level"]
    assert (manifest(tmp_path)["people"], manifest(tmp_path)["name"]) == ("named", demo.settings.name)


def test_a_former_hand_over_gives_way_and_another_nurserys_does_not(demo: Workspace, out: Path, tmp_path: Path) -> None:
    again = tmp_path / "again"
    shutil.copytree(out, again)
    (again / "lots" / "nursery=LARK" / "season=1999").mkdir()
    (again / "lots" / "nursery=LARK" / "season=1999" / "data_0.parquet").write_bytes(b"old")
    (again / "lots" / "nursery=OTHER").mkdir()
    formpack("export", "--parquet", str(again), cwd=demo.folder)
    same = {k: v for k, v in manifest(again).items() if k != "made_at"}
    assert same == {k: v for k, v in manifest(out).items() if k != "made_at"}
    assert (again / "lots" / "nursery=OTHER").exists() and not list(again.rglob("season=1999/*"))
    assert not list((again / ".outputs").glob("*/*")), "nothing is left aside"
    other = new_workspace(tmp_path / "other")
    with (other.folder / "nursery.toml").open("a", encoding="utf-8") as file:
        file.write(HANDOVER.format(code="LARK", key=KEY))
    run.import_files(other, [])
    said = formpack("export", "--parquet", str(again), cwd=other.folder, code=2)
    assert "has the hand-over of another nursery under the code LARK" in said
    assert manifest(again)["origin"] == manifest(out)["origin"]


def test_seasons_begin_when_the_nursery_says(demo: Workspace, tmp_path: Path) -> None:
    own = copied(demo, Workspace(tmp_path / "own"))
    with (own.folder / "nursery.toml").open("a", encoding="utf-8") as file:
        file.write("season_begins = 7\n")
    formpack("export", "--parquet", str(tmp_path / "out"), cwd=own.folder)
    with duckdb.connect() as db:
        found = db.execute(
            f"SELECT season, min(budded_on), max(budded_on) FROM {stacked(tmp_path / 'out', 'lots')} GROUP BY 1 ORDER BY 1"
        ).fetchall()
    for season, first, last in found:
        assert f"{season}-07-01" <= str(first) <= str(last) < f"{int(season) + 1}-07-01"
    assert len(found) == 2 and manifest(tmp_path / "out")["season_begins"] == 7


@pytest.mark.parametrize(
    "lines",
    [
        "",
        HANDOVER.format(code="", key=KEY),
        HANDOVER.format(code="a/b", key=KEY),
        HANDOVER.format(code="N1", key="short"),
        HANDOVER.format(code="N1", key="a" * 40),
    ],
)
def test_who_has_not_said_how_is_told(lines: str, tmp_path: Path) -> None:
    own = new_workspace(tmp_path / "own")
    with (own.folder / "nursery.toml").open("a", encoding="utf-8") as file:
        file.write(lines)
    if 'nursery = ""' in lines:
        assert "nursery must be words" in formpack("export", "--parquet", "out", cwd=own.folder, code=2)
        return
    said = formpack("export", "--parquet", "out", cwd=own.folder, code=2)
    assert "[handover] | nursery" in said and not (own.folder / "out").exists()
    key = said.split('key = "')[1].partition('"')[0]
    assert len(key) == 32 and key not in formpack("export", "--parquet", "out", cwd=own.folder, code=2)


def test_options_that_do_not_go_together(demo: Workspace) -> None:
    assert "--with-names and --as-of go with --parquet." in formpack("export", "out", "--with-names", cwd=demo.folder, code=2)


def test_what_a_nurserys_own_list_says_may_be_anybody(tmp_path: Path) -> None:
    """A question of one's own with a list of one's own, one for another person, and one in words."""
    own = new_workspace(tmp_path / "own")
    with (own.folder / "nursery.toml").open("a", encoding="utf-8") as file:
        file.write(HANDOVER.format(code="OWN", key=KEY))
    (own.lists / "drivers.csv").write_text("code,label\nD1,Dora\n", encoding="utf-8")
    form = own.folder / "forms" / "escort"
    form.mkdir(parents=True)
    (form / "survey.csv").write_text(
        "type,name,label::English (en),required,parameters\n"
        "include,who,,,\n"
        "select_one_from_file drivers.csv,driver,Driver,yes,value=code label=label\n"
        "select_one_from_file staff.csv,helper,Helper,yes,value=code label=label\n"
        "text,remark,Remark,,\n"
        "text,label,Who drove,,\n"
        "barcode,product,Badge,,\n"
        "integer,team_code,Number of the crew,,\n"
        "integer,boxes,Boxes,yes,\n"
        "include,close,,,\n",
        encoding="utf-8",
    )
    (form / "settings.csv").write_text("form_id,form_title,version\nescort,Escort,2026112701\n", encoding="utf-8")
    (own.inbox / "escort.csv").write_text(
        "KEY,visit_date,staff_code,driver,helper,remark,label,product,team_code,boxes\n"
        "uuid:a,2026-10-01,S01,D1,S02,Dora was late,Dora,Dora-7,5,4\n",
        encoding="utf-8",
    )
    run.import_files(own, [own.inbox])
    formpack("export", "--parquet", "out", cwd=own.folder)
    with duckdb.connect() as db:
        (row,) = db.execute(f"FROM {stacked(own.folder / 'out', 'answers_escort')}").fetchall()
    columns = [c["name"] for c in manifest(own.folder / "out", "OWN")["tables"]["answers_escort"]["columns"]]
    told = dict(zip(columns, row, strict=False))
    assert told["boxes"] == 4 and not {"remark", "label", "product"} & set(columns)
    assert told["team_code"] == hand_over.pseudonym(KEY, "teams", "5")
    assert told["driver"] == hand_over.pseudonym(KEY, "drivers", "D1")
    assert told["helper"] == hand_over.pseudonym(KEY, "staff", "S02")
    assert told["staff_code"] == hand_over.pseudonym(KEY, "staff", "S01")
