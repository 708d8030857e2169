"""nursery.toml is read as strictly as what comes from the phones: whatever stands in it, settings or one plain sentence."""

from __future__ import annotations

import datetime as dt
import os
from dataclasses import astuple
from pathlib import Path

import pytest

from pipeline.findings import Refused
from pipeline.settings import read_settings
from pipeline.workspace import make_workspace
from tests.conftest import ROOT

FAULTS: list[tuple[bytes | str, str]] = [
    ("today = 2026-03-02T10:00:00", "today must be a day such as 2026-03-02, without a time"),
    ("today = 2026-03-02T10:00:00Z", "without a time"),
    ("today = 10:00:00", "today must be a day"),
    ("today = '2026-03-02'", "today must be a day such as 2026-03-02, without a time and without quotes"),
    ("today = 1989-12-31", "today is 1989-12-31, which is not from 1990 to 2199"),
    ("today = 0001-01-01", "not from 1990 to 2199"),
    ("today = 2200-01-01", "not from 1990 to 2199"),
    ("today = 2026-02-30", "cannot be read"),
    ("today = 1/7/27", "cannot be read"),
    ("[tolerances]\ncount_share = nan", "count_share must be a number from 0 to 1"),
    ("[tolerances]\ncount_share = inf", "count_share must be a number from 0 to 1"),
    ("[tolerances]\ncount_share = 2", "count_share must be a number from 0 to 1"),
    ("[tolerances]\ncount_share = true", "count_share must be a number"),
    ("[tolerances]\nlot_read_share = 90", "lot_read_share must be a number from 0 to 1"),
    ("[tolerances]\nthin_stem_mm = -inf", "thin_stem_mm must be a number from 0 to 10,000"),
    ("[tolerances]\ncount_share = 0,02", "cannot be read"),
    ("[walk]\nhours = nan", "hours must be a number from 0.1 to 1,000"),
    ("[walk]\nplants_per_hour = 0", "plants_per_hour must be a whole number from 1 to 10,000"),
    ("[counting]\nexact = nan", "exact must be a number from 0.0001 to 0.99"),
    ("[counting]\nloss = inf", "loss must be a number from 0.0001 to 100"),
    ("group_size = 0", "group_size must be a whole number from 1 to 10,000"),
    ("group_size = 1e3", "group_size must be a whole number"),
    ("group_size = true", "group_size must be a whole number"),
    ("group_size = [1000]", "group_size must be a whole number"),
    ("group_size = " + "9" * 5000, "cannot be read"),
    ("crate_size = 0", "crate_size must be a whole number from 1 to 10,000"),
    ("intervals = 3", "[intervals] must be a section"),
    ("[[intervals]]\nstake = 3", "[intervals] must be a section"),
    ("intervals.stake.more = 3", "nursery.toml [intervals]: stake must be a whole number"),
    ("[name]\nx = 1", "name must be text in quotes"),
    ("name = ''", "name must be words on one line"),
    ("name = '  '", "name must be words on one line"),
    ('name = "Two\\nlines"', "name must be words on one line"),
    ('name = "Bell\\u0007"', "name must be words on one line"),
    (f"name = '{'x' * 500}'", "name must be words on one line, at most 100 letters"),
    ("language = 3", "language must be text in quotes"),
    ("prices = 3", "[prices] must be a section"),
    ("[prices]\ntree = -1", "nursery.toml [prices]: tree must be a number from 0 to 1,000,000,000"),
    ("[prices]\ntree = '85'", "tree must be a number"),
    ("[prices]\ntree = nan", "tree must be a number"),
    ("[prices]\ncurrency = 5", "currency must be text in quotes"),
    (f"[prices]\ncurrency = '{'x' * 80}'", "currency must be words on one line, at most 12 letters"),
    ("[prices]\ncost = 3", "nursery.toml [prices] [cost] must be a section"),
    ("[prices.cost]\ntray = -0.5", "nursery.toml [prices] [cost]: tray must be a number from 0"),
    ("[prices.cost]\nbag = true", "bag must be a number"),
    ("[prices.cost]\nroot = 1", "root is not a setting; the settings are tray, bag, budded, read, cut_back, staked, topped"),
    ("[prices]\ntrees = 8", "nursery.toml [prices] [trees] must be a section"),
    ("[prices.trees]\nTAHITI = 'dear'", "nursery.toml [prices] [trees]: TAHITI must be a number from 0"),
    ("[prices.trees]\n" + '"' + "x" * 200 + '" = -1', "[trees]: one of its names must be a number"),
    ("x = " + "[" * 5000, "cannot be read"),
    ("name = 'a\0b'", "no plain text"),
    ("name = 'Ours'".encode("utf-16"), "is UTF-16; save it as UTF-8"),
    ("name = 'Viveiro São João'".encode("latin-1"), "is not UTF-8 in line 1"),
    (b"#" * 2_000_000, "is larger than 1 MB"),
]


@pytest.mark.parametrize(("content", "says"), FAULTS, ids=range(len(FAULTS)))
def test_what_is_wrong_in_the_settings_is_one_sentence(content: bytes | str, says: str, tmp_path: Path) -> None:
    path = tmp_path / "nursery.toml"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    with pytest.raises(Refused) as found:
        read_settings(path)
    assert says in str(found.value) and str(found.value).startswith("nursery.toml")
    assert "\n" not in str(found.value) and len(str(found.value)) < 400


def test_settings_that_are_no_file(tmp_path: Path) -> None:
    path = tmp_path / "nursery.toml"
    with pytest.raises(Refused, match="is no workspace"):
        read_settings(path)
    path.symlink_to(tmp_path / "gone.toml")
    with pytest.raises(Refused, match="is a link to nowhere"):
        read_settings(path)
    path.unlink()
    path.mkdir()
    with pytest.raises(Refused, match="is a folder"):
        read_settings(path)
    path.rmdir()
    os.mkfifo(path)
    with pytest.raises(Refused, match="is no plain file"):
        read_settings(path)


def test_what_editors_leave_in_the_settings_is_passed_over(tmp_path: Path) -> None:
    path = tmp_path / "nursery.toml"
    path.write_bytes(b"\xef\xbb\xbfname = 'Ours'\r\ngroup_size = 1_200\r\ntoday = 2026-03-02\r\n[walk]\r\nhours = 2\r\n")
    found = read_settings(path)
    assert (found.name, found.group_size, found.today, found.walk.hours) == ("Ours", 1200, dt.date(2026, 3, 2), 2.0)


def test_prices_are_off_until_they_are_given(tmp_path: Path) -> None:
    make_workspace(tmp_path)
    path = tmp_path / "nursery.toml"
    assert not read_settings(path).prices.are_given
    # the lines of a new workspace, their # taken away, are settings
    section = path.read_text(encoding="utf-8").split("[prices]")[1].split("[passport]")[0]
    path.write_text("[prices]" + section.replace("\n# ", "\n").replace("0.00", "2.50"), encoding="utf-8")
    prices = read_settings(path).prices
    assert prices.are_given and prices.currency == "EUR" and prices.cost.topped == 2.5
    example = (ROOT / "README.md").read_text(encoding="utf-8").split("**Money**")[1].split("```toml\n")[1].split("```")[0]
    path.write_text(example, encoding="utf-8")
    assert None not in astuple(read_settings(path).prices.cost) and read_settings(path).prices.of_tree("C35", "NAVEL") == 8.5
    path.write_text("[prices]\ntree = 8\ntrees = {'CARRIZO+TAHITI' = 9, TAHITI = 7.5}\n", encoding="utf-8")
    prices = read_settings(path).prices
    found = [prices.of_tree(*pair) for pair in (("CARRIZO", "TAHITI"), ("C35", "TAHITI"), ("C35", "NAVEL"))]
    assert found == [9, 7.5, 8] and prices.cost.tray is None


@pytest.mark.parametrize("name", ['The "Old" Nursery', "C:\\nursery", "Viveiro São João"])
def test_any_name_can_be_given_to_a_new_workspace(name: str, tmp_path: Path) -> None:
    make_workspace(tmp_path, name)
    assert read_settings(tmp_path / "nursery.toml").name == name


@pytest.mark.parametrize("name", ["", "a\nb", "x" * 500, "\udce3"])
def test_a_name_that_is_none_makes_no_workspace(name: str, tmp_path: Path) -> None:
    with pytest.raises(Refused, match="name must be words on one line"):
        make_workspace(tmp_path / "new", name)
    assert not (tmp_path / "new").exists()
