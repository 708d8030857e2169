"""docs/BODY.md says what is so: its commands are run, its tables are those of the program."""

from __future__ import annotations

import datetime as dt
import re
import shlex
import shutil
import tomllib
from pathlib import Path

import lxml.html
import pytest

from formpack.catalog import causes
from pipeline.body import page
from pipeline.body.combined import open_store
from pipeline.body.pooled import TABLES, columns_of
from pipeline.office import hand_over
from pipeline.report.blocks import Cell, Fold, Table
from pipeline.settings import HandOver
from pipeline.workspace import Workspace
from tests.cli.test_cli import formpack
from tests.conftest import ROOT
from tests.words.pseudo import bracketed, unmarked

PAGE = (ROOT / "docs" / "BODY.md").read_text(encoding="utf-8")


def blocks(kind: str) -> list[list[str]]:
    return [block.splitlines() for block in re.findall(rf"```{kind}\n(.*?)```", PAGE, re.S)]


def test_three_commands_from_hand_overs_to_a_page(demo: Workspace, tmp_path: Path) -> None:
    shutil.copytree(demo.folder, tmp_path / "demo-nursery")
    here, spark = blocks("sh")
    assert len(here) == len(spark) == 3
    said = ""
    for line in here[:2]:
        said = formpack(*shlex.split(line)[1:], cwd=tmp_path)
    assert said.replace(str(tmp_path.resolve()) + "/", "") == "\n".join(blocks("text")[0]) + "\n"
    assert (tmp_path / here[2].split()[-1]).exists()
    assert spark[0] == here[0] and spark[1] == f"{here[1]} --engine spark --master 'local[2]'" and spark[2] == here[2]


def test_the_tables_are_those_of_the_program(three: Path) -> None:
    rows = re.findall(r"^\| `(\w+)` \| (.*?) \| `([\w ]+)` \|$", PAGE, re.M)
    assert [(name, says, tuple(columns.split())) for name, says, columns in rows] == [
        (name, holds, tuple(columns_of(name))) for name, (holds, _) in TABLES.items()
    ]
    with open_store(three / "here") as store:
        for name in TABLES:
            kinds = {c: kind for c, kind, *_ in store.execute(f'DESCRIBE main."{name}"').fetchall()}
            assert kinds == columns_of(name), name


def test_every_word_of_the_page_is_marked(three: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    shutil.copytree(three / "raw" / "N001", tmp_path / "raw" / "N001")
    shutil.copytree(three / "raw" / "N002", tmp_path / "raw" / "N002")
    (tmp_path / "raw" / "N003").mkdir()
    (tmp_path / "raw" / "N003" / "nursery.toml").write_text("name = 3", encoding="utf-8")
    bracketed(monkeypatch)
    formpack("combine", "raw", "--workspace", "body", cwd=tmp_path, code=1)
    shown = lxml.html.parse(tmp_path / "body" / "reports" / "body-report.html").getroot()
    lxml.etree.strip_elements(shown, "script", "style")
    with open_store(tmp_path / "body") as store:
        codes = {c for row in store.execute("SELECT DISTINCT rootstock, scion FROM pairs").fetchall() for c in row}
        codes |= {team for (team,) in store.execute("SELECT team_code FROM teams").fetchall()}
    names = codes | {cause["label::Español (es)"] for cause in causes()} | {"name"}
    assert not unmarked("\n".join(shown.itertext()), names)


def test_cells_stand_under_their_heads(three: Path) -> None:
    """Of every table of the page: what a column holds is of its kind."""
    with open_store(three / "here") as store:
        rows = {name: store.sql(f'FROM main."{name}"').to_arrow_table().to_pylist() for name in TABLES}
    kinds = {"number": int, "share": float, "decimal": float, "text": str, "day": dt.date}
    looked_at = 0
    for chapter in filter(None, (make(rows) for make in page._CHAPTERS)):
        blocks = [*chapter.blocks, *(b for fold in chapter.blocks if isinstance(fold, Fold) for b in fold.blocks)]
        for table in (b for b in blocks if isinstance(b, Table)):
            for row in table.rows:
                assert len(row) == len(table.columns), table.name
                for value, column in zip(row, table.columns, strict=True):
                    own = value.value if isinstance(value, Cell) else value
                    assert own is None or isinstance(own, kinds[column.kind]), (table.name, column.head, value)
                    looked_at += 1
    assert looked_at > 500


def test_the_settings_that_the_page_shows_are_settings() -> None:
    (lines,) = blocks("toml")
    given = tomllib.loads("\n".join(lines))["handover"]
    assert HandOver(**given).season_begins == 7
    assert f"version {hand_over.VERSION};" in PAGE and "(../pipeline/office/hand_over.schema.json)" in PAGE


def test_the_readme_leads_here() -> None:
    assert "(docs/BODY.md)" in (ROOT / "README.md").read_text(encoding="utf-8")
