"""The forms in the native engine, as field staff meet them."""

from __future__ import annotations

import csv
import re
from dataclasses import replace
from pathlib import Path

import pytest

from formpack.catalog import load_forms
from formpack.group_code import issue, shown
from formpack.xform import has_java, publish, validator_verdicts
from pipeline import run
from pipeline.field import phone
from pipeline.workspace import Workspace
from tests.conftest import SAMPLES, looked_at, new_workspace, table
from tests.engine.phone import Phone
from tests.received import Received, read

GROUP, OTHER = issue(2026, 701, 2)
WRONG = str(9 - int(GROUP[0])) + GROUP[1:]


@pytest.fixture(scope="module")
def nursery(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """One group with a lot of Team 2 that waits to be read, on the phones' lists."""
    workspace = new_workspace(tmp_path_factory.mktemp("phone"))
    source = SAMPLES / "failed_buds_are_set_aside_and_budded_again" / "inbox"
    run.import_files(workspace, [source / "1.xml", source / "2.xml"])
    phone.write_forms(workspace)
    with looked_at(workspace) as store:
        phone.write_lists(store, workspace)
    return workspace


def _listed(workspace: Workspace) -> dict[str, str]:
    """What the phones' list has of the group."""
    with (workspace.phone / "groups.csv").open(encoding="utf-8", newline="") as file:
        return next(r for r in csv.DictReader(file) if r["code"] == GROUP)


def test_a_reading_from_scan_to_books(nursery: Workspace) -> None:
    with Phone() as it:
        it.ask("FORM", str(nursery.phone / "bud_take.xml"))
        it.ask("SET", "staff_code", "S03")
        assert it.ask("SET", "code_scanned", GROUP) == ["OK"]
        assert it.ask("LABEL", "code_typed") == ["ABSENT"]
        assert it.ask("CHOICES", "team_code") == ["OK", "T02"], "only the team that budded this group is offered"
        it.ask("SET", "team_code", "T02")
        for name, number in {"green": 900, "brown": 40, "unsure": 0, "missing": 3}.items():
            assert it.ask("SET", name, str(number)) == ["OK"]
        assert it.ask("LABEL", "recount") == ["ABSENT"]
        it.ask("SET", "brown_moved", "yes")
        assert it.ask("SET", "aside_typed", GROUP)[0] == "CONSTRAINT", "the brown ones cannot stay where they are"
        assert it.ask("SET", "aside_typed", shown(OTHER)) == ["OK"]
        assert it.ask("VALIDATE") == ["OK"]
        record = it.ask("XML")[1]
    (found,) = read(record.encode(), "record.xml")
    assert isinstance(found, Received)
    assert found.answers["set_aside_to"] == OTHER
    assert found.answers["shown_count"] == _listed(nursery)["count"] and found.answers["shown_stage"] == "budded"
    (nursery.inbox / "record.xml").write_text(re.sub(r"<visit_date>[^<]*", "<visit_date>2026-07-22", record), encoding="utf-8")
    run.import_files(nursery, [nursery.inbox])
    assert table(nursery, "lots", "green, brown, missing, days") == [(900, 40, 3, 21)]
    assert table(nursery, "standing", "group_code, book_count") == [(GROUP, 917), (OTHER, 40)]


def test_a_bad_scan_leads_to_typing_and_never_to_a_dead_end(nursery: Workspace) -> None:
    with Phone() as it:
        it.ask("FORM", str(nursery.phone / "stock_count.xml"))
        it.ask("SET", "staff_code", "S03")
        assert it.ask("SET", "code_scanned", f"http://x/{WRONG}") == ["OK"]
        assert it.ask("LABEL", "code_bad")[0] == "OK"
        for wrong in (WRONG, GROUP[:7], GROUP[:6] + GROUP[7] + GROUP[6]):
            assert it.ask("SET", "code_typed", wrong)[0] == "CONSTRAINT"
        assert it.ask("SET", "code_typed", shown(GROUP)) == ["OK"]
        assert it.ask("LABEL", "facts_note")[1].startswith(f"{shown(GROUP)} Carrizo citrange")


def test_a_date_look_alike_is_still_a_code(nursery: Workspace) -> None:
    """2012-01-29 without its hyphens leaves remainder 1, so an engine must not take it for a day."""
    with Phone() as it:
        it.ask("FORM", str(nursery.phone / "stock_count.xml"))
        assert it.ask("SET", "code_typed", "20-1201-29") == ["OK"]
        assert it.ask("LABEL", "unknown_note")[0] == "OK", "well formed but not on the list: a note, and on it goes"


def test_a_surprising_count_asks_for_a_recount_and_lets_go(nursery: Workspace) -> None:
    with Phone() as it:
        it.ask("FORM", str(nursery.phone / "stock_count.xml"))
        it.ask("SET", "staff_code", "S03")
        it.ask("SET", "code_scanned", GROUP)
        it.ask("SET", "coverage", "whole")
        for count, asked in (("960", False), ("700", True), ("1200", True), ("950", False)):
            it.ask("SET", "counted", count)
            assert (it.ask("LABEL", "recount") != ["ABSENT"]) == asked, count
        it.ask("SET", "counted", "700")
        assert it.ask("VALIDATE") == ["REQUIRED", "recount"]
        assert it.ask("SET", "recount", "no")[0] == "CONSTRAINT"
        assert it.ask("SET", "recount", "yes") == ["OK"]
        assert it.ask("VALIDATE") == ["OK"]
        it.ask("SET", "coverage", "part")
        assert it.ask("LABEL", "recount") == ["ABSENT"], "a part may be small"


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[Workspace, Workspace, list[str]]:
    """A group of some 957 plants, on the phones of a nursery that counts blindly and of one that tells the number; and the
    numbers that the list has of it."""
    made = []
    for name, more in (("blind", ""), ("tells", "[phone]\nshow_expected = true\n")):
        workspace = new_workspace(tmp_path_factory.mktemp(name))
        with (workspace.folder / "nursery.toml").open("a", encoding="utf-8") as settings:
            settings.write(more)
        source = SAMPLES / "failed_buds_are_set_aside_and_budded_again" / "inbox"
        run.import_files(workspace, [source / "1.xml", source / "2.xml"])
        phone.write_forms(workspace)
        with looked_at(workspace) as store:
            phone.write_lists(store, workspace)
        made.append(workspace)
    row = _listed(made[0])
    assert 900 < int(row["low"]) < int(row["count"]) <= int(row["high"]) < 1000
    assert row["count"] not in row["label"]
    return made[0], made[1], [row["count"], row["low"], row["high"]]


def _told(it: Phone, numbers: list[str]) -> list[str]:
    """The texts on the phone that give one of the numbers away."""
    return [text for text in it.ask("SHOWN") if set(re.findall(r"\d+", text)) & set(numbers)]


_TYPED = {
    "stock_count": {"coverage": "whole", "counted": "700"},
    "cull_round": {"coverage": "whole", "counted": "700"},
    "cut_back": {"coverage": "whole", "cut": "700"},
    "stake": {"coverage": "whole", "staked": "700"},
    "top": {"coverage": "whole", "topped": "700"},
    "bag_up": {"coverage": "whole", "bagged": "700"},
    "bud_take": {"green": "1700"},
    "transfer": {"moved": "1700"},
}


def test_counting_is_blind_on_every_form(told: tuple[Workspace, Workspace, list[str]]) -> None:
    """Nobody can copy what is not shown: not before a number is typed, and not when it is asked about again."""
    blind, _, numbers = told
    asked_again = {f.form_id for f in load_forms().values() if any(r.get("name") == "recount" for r in f.rows)}
    assert set(_TYPED) <= asked_again
    for form in load_forms().values():
        with Phone() as it:
            it.ask("FORM", str(blind.phone / f"{form.form_id}.xml"))
            assert it.ask("SET", "code_scanned", GROUP) == ["OK"]
            assert "Or type the code on the sign" not in it.ask("SHOWN")
            assert "Leave empty if not" in it.ask("SHOWN"), "hints are read too"
            for language in ("English (en)", "Español (es)", "Português (pt)"):
                it.ask("LANGUAGE", language)
                assert it.ask("LABEL", "facts_note")[1].startswith(f"{shown(GROUP)} Carrizo citrange")
                assert _told(it, numbers) == [], (form.form_id, language)
            for name, answer in _TYPED.get(form.form_id, {}).items():
                assert it.ask("SET", name, answer) == ["OK"], (form.form_id, name)
            for language in ("English (en)", "Español (es)", "Português (pt)"):
                it.ask("LANGUAGE", language)
                assert _told(it, numbers) == [], (form.form_id, language)
            if form.form_id in _TYPED:
                assert it.ask("LABEL", "recount")[0] == "OK", "the check works without the number"
                assert it.ask("SET", "recount", "no")[0] == "CONSTRAINT"
                assert it.ask("SET", "recount", "yes") == ["OK"]
            assert f"<shown_count>{numbers[0]}</shown_count>" in it.ask("XML")[1], "what the list held comes in all the same"


@pytest.mark.parametrize(
    ("language", "expects"),
    [
        ("English (en)", "The list expects {} plants."),
        ("Español (es)", "La lista espera {} plantas."),
        ("Português (pt)", "A lista espera {} plantas."),
    ],
)
def test_a_nursery_can_have_the_number_shown(language: str, expects: str, told: tuple[Workspace, Workspace, list[str]]) -> None:
    _, tells, (count, low, high) = told
    with Phone() as it:
        it.ask("FORM", str(tells.phone / "stock_count.xml"))
        it.ask("LANGUAGE", language)
        it.ask("SET", "code_scanned", GROUP)
        assert _told(it, [count]) == [expects.format(count)]
        it.ask("SET", "coverage", "whole")
        it.ask("SET", "counted", "700")
        assert low in it.ask("LABEL", "range_note")[1] and high in it.ask("LABEL", "range_note")[1]


def test_a_list_of_an_older_version_stays_blind(told: tuple[Workspace, Workspace, list[str]], tmp_path: Path) -> None:
    """A phone may have the new form and yesterday's list, whose facts lack the last word."""
    _, tells, numbers = told
    (tmp_path / "stock_count.xml").write_bytes((tells.phone / "stock_count.xml").read_bytes())
    for path in tells.phone.glob("*.csv"):
        (tmp_path / path.name).write_text(path.read_text(encoding="utf-8").replace(" shown # ", " # "), encoding="utf-8")
    with Phone() as it:
        it.ask("FORM", str(tmp_path / "stock_count.xml"))
        it.ask("SET", "code_scanned", GROUP)
        assert it.ask("LABEL", "facts_note")[1].startswith(f"{shown(GROUP)} Carrizo citrange")
        assert _told(it, numbers) == []


@pytest.mark.parametrize(
    ("language", "word"),
    [("English (en)", "Green and alive"), ("Español (es)", "Verdes y vivas"), ("Português (pt)", "Verdes e vivas")],
)
def test_three_languages(language: str, word: str, nursery: Workspace) -> None:
    with Phone() as it:
        it.ask("FORM", str(nursery.phone / "bud_take.xml"))
        it.ask("LANGUAGE", language)
        assert it.ask("LABEL", "green") == ["OK", word]


@pytest.mark.parametrize("zone", ["Europe/Lisbon", "America/Sao_Paulo", "Australia/Adelaide"])
def test_days_since_budding_are_right_across_summer_time(zone: str, nursery: Workspace) -> None:
    with Phone(zone) as it:
        it.ask("FORM", str(nursery.phone / "bud_take.xml"))
        it.ask("SET", "code_scanned", GROUP)
        for day, note in (("2026-07-18", True), ("2026-07-19", False), ("2026-11-01", False)):
            it.ask("SET", "visit_date", day)
            assert (it.ask("LABEL", "early_note")[0] == "OK") == note, day


def test_phone_files_are_as_the_standard_wants(nursery: Workspace) -> None:
    for path in nursery.phone.glob("*.csv"):
        raw = path.read_bytes()
        assert not raw.startswith(b"\xef\xbb\xbf") and b"\r" not in raw
        head, *rows = raw.decode("utf-8").splitlines()
        assert re.fullmatch(r"[a-z][a-z0-9_]*(,[a-z][a-z0-9_]*)*", head), path.name
        codes = [r.split(",")[0] for r in rows]
        assert len(codes) == len(set(codes))
    names = {p.name for p in nursery.phone.iterdir()}
    for form in load_forms().values():
        assert {f"{form.form_id}.xml", f"{form.form_id}.xlsx", *(f"{f}.csv" for f in form.files)} <= names
        text = (nursery.phone / f"{form.form_id}.xml").read_text(encoding="utf-8")
        assert "<translation lang=" in text and 'lang="default"' not in text and "pulldata" not in text


def test_a_changed_form_gets_a_new_version_and_an_unchanged_one_keeps_it(tmp_path: Path) -> None:
    form = load_forms()["loss"]
    rows = tuple({**r, "label::English (en)": "Plants gone"} if r["name"] == "lost" else r for r in form.rows)
    (first,) = publish({"loss": form}, tmp_path)
    (tmp_path / "loss.xml").write_text(first.xform, encoding="utf-8")
    (again,) = publish({"loss": form}, tmp_path)
    (changed,) = publish({"loss": replace(form, rows=rows)}, tmp_path)
    assert (first.is_new, again.is_new, changed.is_new) == (True, False, True)
    assert first.version == again.version == form.version
    assert changed.version == str(int(form.version) + 1) and f'version="{changed.version}"' in changed.xform
    (tmp_path / "loss.xml").write_text(changed.xform, encoding="utf-8")
    (kept,) = publish({"loss": replace(form, rows=rows)}, tmp_path)
    assert (kept.version, kept.is_new) == (changed.version, False)


def test_what_the_validator_refuses_is_told_apart(nursery: Workspace) -> None:
    if not has_java():
        pytest.skip("no Java on this machine; CI runs this")
    good = (nursery.phone / "top.xml").read_text(encoding="utf-8")
    verdicts = validator_verdicts([good, good.replace(" mod 97", " mod( 97"), good, good[:400]])
    assert verdicts[0] == verdicts[2] == ""
    assert "brackets" in verdicts[1]
    assert verdicts[3]
