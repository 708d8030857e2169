"""The nursery that benches measure by: the same seed gives the same bytes, and the office accepts what it sends."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from pipeline import run
from pipeline.workspace import Workspace
from tests.bench.nursery import make, make_counts

SIZE = 120
"""About five groups."""


def bytes_of(folder: Path) -> dict[str, str]:
    files = sorted(p for p in folder.rglob("*") if p.is_file())
    return {str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


@pytest.fixture(scope="module")
def nursery(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("nursery")
    make(folder, SIZE, 3, 5, ["zip", "csv", "files"], 6)
    return folder


def test_the_same_seed_gives_the_same_bytes(nursery: Path, tmp_path: Path) -> None:
    make(tmp_path / "again", SIZE, 3, 5, ["zip", "csv", "files"], 6)
    make(tmp_path / "other", SIZE, 3, 6, ["zip"], 0)
    assert bytes_of(nursery) == bytes_of(tmp_path / "again")
    assert bytes_of(nursery)["xml.zip"] != bytes_of(tmp_path / "other")["xml.zip"]


def test_an_archive_files_and_tables_say_the_same_and_are_accepted(nursery: Path) -> None:
    workspace = Workspace(nursery)
    done = run.import_files(workspace, [nursery / "xml.zip", nursery / "xml", nursery / "csv"])
    assert sum(done.states.values()) == done.new_submissions == SIZE
    assert done.states["accepted"] >= 0.95 * SIZE
    more = run.import_files(workspace, [nursery / "more.zip"])
    assert more.new_submissions == 6
    assert more.states["accepted"] >= done.states["accepted"] + 5


def test_counts_come_with_the_openings_of_their_groups(tmp_path: Path) -> None:
    make_counts(tmp_path, 40, 5)
    done = run.import_files(Workspace(tmp_path), [tmp_path / "csv", tmp_path / "counts"], is_sure=True)
    assert done.states["accepted"] >= 0.95 * (40 + len((tmp_path / "csv" / "open_group-1.csv").read_text().splitlines()) - 1)
