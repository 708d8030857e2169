"""The nursery that benches measure by: the same seed gives the same bytes, and the office accepts what it sends."""

from __future__ import annotations

import hashlib
import re
import tomllib
import zipfile
from pathlib import Path
from typing import Any

import pytest

from pipeline import run
from pipeline.workspace import Workspace
from tests.bench.nurseries import write_nurseries
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


def texts(folder: Path, name: str) -> list[str]:
    with zipfile.ZipFile(folder / name / "inbox" / "xml.zip") as archive:
        return [archive.read(member).decode() for member in archive.namelist()]


def said(texts: list[str], question: str) -> list[str]:
    return re.findall(rf"<{question}>([^<]+)</{question}>", "".join(texts))


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    folder = tmp_path_factory.mktemp("nurseries")
    return folder, write_nurseries(folder, 10, 60, skew=0.25)


def test_the_first_nursery_has_its_share_and_the_total_stays(many: tuple[Path, dict[str, Any]], tmp_path: Path) -> None:
    folder, truth = many
    sizes = [len(texts(folder, name)) for name in truth["nurseries"]]
    assert sizes == [150] + [50] * 9 == [n["submissions"] for n in truth["nurseries"].values()]
    even = write_nurseries(tmp_path, 3, 7)
    assert [n["submissions"] for n in even["nurseries"].values()] == [7, 7, 7]
    with pytest.raises(ValueError, match="without a submission"):
        write_nurseries(tmp_path, 3, 7, skew=1.0)


def test_nurseries_are_unlike_in_what_they_are_and_alike_in_their_codes(many: tuple[Path, dict[str, Any]]) -> None:
    folder, truth = many
    nurseries = truth["nurseries"]
    for what in ("take", "loss", "teams", "pairs"):
        assert len({str(n[what]) for n in nurseries.values()}) == 10
    assert len({len(n["teams"]) for n in nurseries.values()}) > 2
    for pair in truth["rare_pairs"]:
        assert 1 <= sum(pair in n["pairs"] for n in nurseries.values()) <= 2
    sent = {name: texts(folder, name) for name in nurseries}
    for question in ("group_code", "team_code", "staff_code"):
        codes = [set(said(s, question)) for s in sent.values()]
        assert all(own & codes[0] for own in codes[1:])
    identities = [i for s in sent.values() for i in said(s, "instanceID")]
    assert len(set(identities)) == len(identities) == 600
    named = [tomllib.loads((folder / name / "nursery.toml").read_text())["handover"] for name in nurseries]
    assert [n["nursery"] for n in named] == list(nurseries) == [f"N{n:03d}" for n in range(1, 11)]
    assert len({n["key"] for n in named}) == 10
    assert all(re.fullmatch("[0-9a-f]{32}", n["key"]) for n in named)


def test_the_same_seed_gives_the_same_nurseries(many: tuple[Path, dict[str, Any]], tmp_path: Path) -> None:
    write_nurseries(tmp_path / "again", 10, 60, skew=0.25)
    write_nurseries(tmp_path / "other", 10, 60, skew=0.25, seed=18)
    first, other = bytes_of(many[0]), bytes_of(tmp_path / "other")
    assert first == bytes_of(tmp_path / "again")
    assert all(first[f"{name}/inbox/xml.zip"] != other[f"{name}/inbox/xml.zip"] for name in many[1]["nurseries"])


def test_a_small_nursery_shows_all_that_is_compared_and_is_accepted(many: tuple[Path, dict[str, Any]]) -> None:
    folder = many[0] / "N002"
    sent = texts(many[0], "N002")
    for question in ("green", "lost", "counted", "despatched", "cull_off_type", "buds_set"):
        assert any(int(n) for n in said(sent, question))
    settings = folder / "nursery.toml"
    settings.write_text(settings.read_text().partition("\n[handover]")[0])
    done = run.import_files(Workspace(folder), [folder / "inbox"])
    assert done.states["accepted"] >= 0.97 * 50
