"""The forms in the native engine, as field staff meet them."""

from __future__ import annotations

import csv
import datetime as dt
import re
from dataclasses import replace
from pathlib import Path

import pytest

from formpack.catalog import FormError, load_forms
from formpack.group_code import issue, shown
from formpack.xform import has_java, publish, to_xform, validator_verdicts
from pipeline import run
from pipeline.field import phone
from pipeline.workspace import Workspace
from tests.conftest import DAY, SAMPLES, looked_at, new_workspace, table
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


def _listed(workspace: Workspace, code: str = GROUP) -> dict[str, str]:
    """What the phones' list has of a group."""
    with (workspace.phone / "groups.csv").open(encoding="utf-8", newline="") as file:
        facts = next(r["facts"] for r in csv.DictReader(file) if r["code"] == code)
    told, label = facts.split(" # ")
    names = ("stage", "count", "low", "high", "rootstock", "scion", "location", "teams")
    return dict(zip(names, told.split(), strict=False)) | {"label": label}


def test_a_reading_from_scan_to_books(nursery: Workspace) -> None:
    with Phone() as it:
        it.ask("FORM", str(nursery.phone / "bud_take.xml"))
        it.ask("SET", "staff_code", "S03")
        assert it.ask("SET", "code_scanned", GROUP) == ["OK"]
        assert it.ask("LABEL", "code_typed") == ["ABSENT"]
        assert it.ask("CHOICES", "team_code") == ["OK", "T02"], "only the team that budded this group is offered"
        it.ask("SET", "team_code", "T02")
        assert "<attempt>1</attempt>" in it.ask("XML")[1], "the attempt that is due stands there already"
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
        assert it.ask("LABEL", "unknown_note")[0] == "OK", "a code, but not on the list: a note, and on it goes"


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
        it.ask("SET", "counted", "700")
        assert it.ask("VALIDATE") == ["OK"], "going past the number again changes nothing"
        it.ask("SET", "counted", "701")
        assert it.ask("VALIDATE") == ["REQUIRED", "recount"], "the answer was about another number"
        assert it.ask("SET", "recount", "cannot") == ["OK"]
        assert it.ask("VALIDATE") == ["OK"]
        assert "<counted_again>cannot</counted_again>" in it.ask("XML")[1]
        it.ask("SET", "coverage", "part")
        assert it.ask("LABEL", "recount") == ["ABSENT"], "a part may be small"


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[Workspace, Workspace, list[str]]:
    """A group of some 957 with buds set, on the phones of a nursery that counts blindly and of one that tells the number; and
    the numbers that the list has of it: plants, buds set, and how few of these would be asked about."""
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
    return made[0], made[1], [row["count"], row["low"], row["high"], "950", "855"]


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
    "bud_take": {"team_code": "T02", "green": "1700", "missing": "0"},
    "transfer": {"moved": "1700"},
}


def test_counting_is_blind_on_every_form(told: tuple[Workspace, Workspace, list[str]]) -> None:
    """Nobody can copy what is not shown: not before a number is typed, and not when it is asked about again."""
    blind, _, numbers = told
    asked_again = {f.form_id for f in load_forms().values() if any(r.get("name") == "recount" for r in f.rows)}
    assert set(_TYPED) <= asked_again
    with Phone() as it:
        for form in (form for form in load_forms().values() if form.has_group):
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
        ("English (en)", "Plants expected by the list: {}."),
        ("Español (es)", "Plantas que espera la lista: {}."),
        ("Português (pt)", "Plantas que a lista espera: {}."),
    ],
)
def test_a_nursery_can_have_the_number_shown(language: str, expects: str, told: tuple[Workspace, Workspace, list[str]]) -> None:
    _, tells, (count, low, high, *_) = told
    with Phone() as it:
        it.ask("FORM", str(tells.phone / "stock_count.xml"))
        it.ask("LANGUAGE", language)
        it.ask("SET", "code_scanned", GROUP)
        assert _told(it, [count]) == [expects.format(count)]
        it.ask("SET", "coverage", "whole")
        it.ask("SET", "counted", "700")
        assert low in it.ask("LABEL", "range_note")[1] and high in it.ask("LABEL", "range_note")[1]


def test_a_list_of_an_older_version_stays_blind(told: tuple[Workspace, Workspace, list[str]], tmp_path: Path) -> None:
    """A phone may have the new form and yesterday's list, whose facts lack the last words."""
    _, tells, numbers = told
    (tmp_path / "stock_count.xml").write_bytes((tells.phone / "stock_count.xml").read_bytes())
    for path in tells.phone.glob("*.csv"):
        (tmp_path / path.name).write_text(path.read_text(encoding="utf-8").replace(" shown ", " ### "), encoding="utf-8")
    groups = tmp_path / "groups.csv"
    groups.write_text(re.sub(r" ### .* # ", " # ", groups.read_text(encoding="utf-8")), encoding="utf-8")
    with Phone() as it:
        it.ask("FORM", str(tmp_path / "stock_count.xml"))
        it.ask("SET", "code_scanned", GROUP)
        assert it.ask("LABEL", "facts_note")[1].startswith(f"{shown(GROUP)} Carrizo citrange")
        assert _told(it, numbers) == []


_DUE = {
    "English (en)": ("Due for this group by the list: {}.", "At this place, by the list: {}."),
    "Español (es)": ("Tareas de este grupo según la lista: {}.", "En este lugar, según la lista: {}."),
    "Português (pt)": ("Tarefas deste grupo segundo a lista: {}.", "Neste lugar, segundo a lista: {}."),
}


def test_who_scans_a_sign_sees_what_is_due_there(nursery: Workspace) -> None:
    """In the words of the office, whose language they are in."""
    with Phone() as it:
        for form_id in ("bud_take", "stock_count"):
            it.ask("FORM", str(nursery.phone / f"{form_id}.xml"))
            assert it.ask("LABEL", "group_due_note") == it.ask("LABEL", "place_due_note") == ["ABSENT"]
            it.ask("SET", "code_scanned", GROUP)
            for language, (of_group, at_place) in _DUE.items():
                it.ask("LANGUAGE", language)
                assert it.ask("LABEL", "group_due_note") == ["OK", of_group.format("Read the buds, Count the stock")]
                assert it.ask("LABEL", "place_due_note") == ["OK", at_place.format("1 to read, 1 to count")]


@pytest.mark.parametrize("last", [" blind ", " 2026-11-02 "])
def test_forms_work_with_lists_of_older_versions(last: str, nursery: Workspace, tmp_path: Path) -> None:
    """Without the words that came later nothing is prefilled and nothing asked about; the work can be recorded."""
    for path in (*nursery.phone.glob("*.csv"), nursery.phone / "bud_take.xml", nursery.phone / "budding.xml"):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    groups = tmp_path / "groups.csv"
    text = groups.read_text(encoding="utf-8")
    groups.write_text(re.sub(f"{last}.* # ", f"{last}# ", text), encoding="utf-8")
    assert groups.read_text(encoding="utf-8") != text
    with Phone() as it:
        buds = {"green": "46", "brown": "0", "unsure": "0", "missing": "0"}
        lot = {"staff_code": "S03", "code_scanned": GROUP, "team_code": "T02"}
        assert it.fill(tmp_path / "bud_take.xml", lot | buds) == ["whole form", "REQUIRED", "attempt"]
        assert it.fill(tmp_path / "bud_take.xml", lot | {"attempt": "1"} | buds) == []
        assert it.ask("LABEL", "group_due_note") == it.ask("LABEL", "place_due_note") == ["ABSENT"]
        assert it.fill(tmp_path / "budding.xml", lot) == ["whole form", "REQUIRED", "attempt"]


def _submission(number: int, change: dict[str, str]) -> str:
    """A submission of the scenario of failed buds with other answers, under an identity of its own."""
    path = SAMPLES / "failed_buds_are_set_aside_and_budded_again" / "inbox" / f"{number}.xml"
    text = path.read_text(encoding="utf-8")
    for name, answer in change.items():
        text, many = re.subn(f"<{name}>[^<]*<", f"<{name}>{answer}<", text)
        assert many == 1, name
    return text


NEVER_BUDDED = issue(2026, 730, 1)[0]


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """A group whose lot of Team 2 is read and whose lot of Team 4 is not, the group of its failed buds, and one in trays."""
    workspace = new_workspace(tmp_path_factory.mktemp("asked"))
    new = "uuid:00000000-0000-4000-8000-0000000009"
    files = {
        "1": _submission(1, {}),
        "2": _submission(2, {"buds_set": "511"}),
        "3": _submission(2, {"buds_set": "439", "team_code": "T04", "instanceID": f"{new}01"}),
        "4": _submission(3, {"green": "470", "brown": "36", "missing": "5"}),
        "5": _submission(1, {"code_scanned": NEVER_BUDDED, "group_code": NEVER_BUDDED, "instanceID": f"{new}02"}),
    }
    for name, text in files.items():
        (workspace.inbox / f"{name}.xml").write_text(text, encoding="utf-8")
    assert run.import_files(workspace, [workspace.inbox]).states["accepted"] == 5
    phone.write_forms(workspace)
    with looked_at(workspace) as store:
        phone.write_lists(store, workspace)
    return workspace


def _reading(it: Phone, workspace: Workspace, team: str, attempt: str = "") -> None:
    it.ask("FORM", str(workspace.phone / "bud_take.xml"))
    for name, answer in {"staff_code": "S03", "code_scanned": GROUP, "team_code": team}.items():
        assert it.ask("SET", name, answer) == ["OK"]
    for name in ("brown", "unsure", "missing"):
        assert it.ask("SET", name, "0") == ["OK"]


def test_every_team_that_budded_the_group_can_be_read_the_unread_ones_first(asked: Workspace) -> None:
    assert _listed(asked)["teams"] == "T04,T02"
    with Phone() as it:
        _reading(it, asked, "T04")
        assert it.ask("CHOICES", "team_code") == ["OK", "T02", "T04"]
        assert it.ask("LABEL", "unread_note") == ["OK", "Still to be read here: Team 4: Abel and Iris."]
        assert it.ask("LABEL", "lot_read_note") == ["ABSENT"]
        it.ask("SET", "team_code", "T02")
        assert it.ask("LABEL", "lot_read_note")[0] == "OK"
        it.ask("SET", "attempt", "2")
        assert it.ask("LABEL", "lot_unknown_note")[0] == "OK"


def test_a_lot_is_asked_about_at_both_ends(asked: Workspace) -> None:
    """439 buds were set; from nine in ten on nobody is asked. Neither number is ever told."""
    with Phone() as it:
        _reading(it, asked, "T04")
        for number, question in (("396", ""), ("439", ""), ("440", "lot_more"), ("46", "lot_rest"), ("395", "lot_rest")):
            assert it.ask("SET", "green", number) == ["OK"]
            there = [name for name in ("lot_rest", "lot_more", "recount") if it.ask("LABEL", name) != ["ABSENT"]]
            assert there == ([question] if question else []), number
            for language in ("English (en)", "Español (es)", "Português (pt)"):
                it.ask("LANGUAGE", language)
                assert _told(it, sorted({"439", "396"} - {number})) == []
        assert it.ask("VALIDATE") == ["REQUIRED", "lot_rest"]
        assert it.ask("SET", "lot_rest", "rest") == ["OK"]
        assert it.ask("VALIDATE") == ["OK"]
        assert "<lot_said>rest</lot_said>" in it.ask("XML")[1]
        it.ask("SET", "green", "390")
        assert it.ask("VALIDATE") == ["REQUIRED", "lot_rest"], "another number is asked about again"
        it.ask("SET", "green", "470")
        assert it.ask("SET", "lot_more", "no")[0] == "CONSTRAINT"
        assert it.ask("SET", "lot_more", "cannot") == ["OK"]
        assert it.ask("VALIDATE") == ["OK"]
        assert "<lot_said>cannot</lot_said>" in it.ask("XML")[1]
        it.ask("SET", "team_code", "T02")
        assert it.ask("VALIDATE") == ["REQUIRED", "lot_more"], "all of the other team's buds were read before"


def test_the_attempt_that_is_due_stands_there_and_another_is_asked_about(asked: Workspace) -> None:
    for code, due in ((NEVER_BUDDED, "1"), (GROUP, "2"), (OTHER, "2")):
        other = "2" if due == "1" else "1"
        with Phone() as it:
            it.ask("FORM", str(asked.phone / "budding.xml"))
            it.ask("SET", "code_scanned", code)
            it.ask("SET", "team_code", "T04")
            assert f"<attempt>{due}</attempt>" in it.ask("XML")[1]
            assert it.ask("LABEL", "attempt_sure") == ["ABSENT"]
            it.ask("SET", "attempt", other)
            assert it.ask("LABEL", "attempt_sure")[0] == "OK"
            assert it.ask("SET", "attempt_sure", "no")[0] == "CONSTRAINT"
            assert it.ask("SET", "attempt_sure", "yes") == ["OK"]


@pytest.mark.parametrize("form_id", ["bud_take", "cut_back", "stake", "top"])
def test_what_cannot_have_happened_yet_is_asked_about(form_id: str, asked: Workspace) -> None:
    with Phone() as it:
        it.ask("FORM", str(asked.phone / f"{form_id}.xml"))
        for code in (GROUP, OTHER):
            it.ask("SET", "code_scanned", code)
            assert it.ask("LABEL", "stage_sure") == ["ABSENT"], "buds were set on them"
        it.ask("SET", "code_scanned", NEVER_BUDDED)
        assert shown(NEVER_BUDDED) in it.ask("LABEL", "stage_sure")[1]
        assert it.ask("SET", "stage_sure", "no")[0] == "CONSTRAINT"
        assert it.ask("SET", "stage_sure", "yes") == ["OK"]
        it.ask("SET", "code_scanned", "")
        it.ask("SET", "code_typed", NEVER_BUDDED)
        assert "<stage_sure>" not in it.ask("XML")[1], "the answer was about the code as it stood then"


def test_a_stage_that_any_group_may_skip_is_not_asked_about(asked: Workspace) -> None:
    with Phone() as it:
        for form_id in ("bag_up", "cull_round", "budding", "stock_count", "despatch"):
            it.ask("FORM", str(asked.phone / f"{form_id}.xml"))
            it.ask("SET", "code_scanned", NEVER_BUDDED)
            assert it.ask("LABEL", "stage_sure") == ["ABSENT"]


def test_the_code_that_is_suspicious_is_pointed_out(asked: Workspace) -> None:
    """A new group has a new code; all other work is about codes in use."""
    new = issue(2026, 731, 1)[0]
    with Phone() as it:
        for form_id in (form_id for form_id, form in load_forms().items() if form.has_group):
            it.ask("FORM", str(asked.phone / f"{form_id}.xml"))
            for code, is_known in ((new, False), (GROUP, True)):
                it.ask("SET", "code_scanned", code)
                said = {name for name in ("unknown_note", "in_use_note") if it.ask("LABEL", name) != ["ABSENT"]}
                expected = {"in_use_note"} if form_id == "open_group" and is_known else set()
                expected |= {"unknown_note"} if form_id != "open_group" and not is_known else set()
                assert said == expected, (form_id, code)


def test_the_transfer_form_says_what_the_reading_form_moves(asked: Workspace) -> None:
    with Phone() as it:
        it.ask("FORM", str(asked.phone / "transfer.xml"))
        for reason in ("regrade", "split", "merge", "set_aside"):
            it.ask("SET", "transfer_reason", reason)
            assert (it.ask("LABEL", "set_aside_note")[0] == "OK") == (reason == "set_aside")


_OLD = {
    "English (en)": "The list on this phone is 8 days old, so it may be wrong about this group. Go on with the work, and fetch"
    " the lists in the morning.",
    "Español (es)": "La lista de este teléfono tiene 8 días, así que puede estar equivocada sobre este grupo. Siga con el"
    " trabajo y traiga las listas por la mañana.",
    "Português (pt)": "A lista deste telefone tem 8 dias, por isso pode estar errada sobre este grupo. Continue o trabalho e"
    " baixe as listas de manhã.",
}


def _with_list_of(nursery: Workspace, folder: Path, form_id: str, day: dt.date, today: str = "today()") -> Path:
    """The form beside a list of that day, on a phone that takes `today` for the day that it is."""
    for path in nursery.phone.glob("*.csv"):
        (folder / path.name).write_text(path.read_text(encoding="utf-8").replace(f" {DAY} ", f" {day} "), encoding="utf-8")
    form = folder / f"{form_id}.xml"
    text = (nursery.phone / form.name).read_text(encoding="utf-8")
    assert text.count("decimal-date-time(today()) - ") == 1
    form.write_text(text.replace("decimal-date-time(today()) - ", f"decimal-date-time({today}) - "), encoding="utf-8")
    return form


@pytest.mark.parametrize("today", ["2026-03-31", "2026-10-28"])
def test_a_list_older_than_a_week_is_said_across_summer_time(today: str, nursery: Workspace, tmp_path: Path) -> None:
    """Summer time began on 29 March and ended on 25 October 2026 (Directive 2000/84/EC: the last Sundays of both)."""
    with Phone("Europe/Lisbon") as it:
        for age in (0, 7, 8):
            day = dt.date.fromisoformat(today) - dt.timedelta(days=age)
            it.ask("FORM", str(_with_list_of(nursery, tmp_path, "stock_count", day, f"date('{today}')")))
            assert it.ask("LABEL", "old_list_note") == ["ABSENT"]
            it.ask("SET", "code_scanned", GROUP)
            assert it.ask("LABEL", "facts_note")[1].endswith(f"From the list of {day}.")
            for language, says in _OLD.items():
                it.ask("LANGUAGE", language)
                assert it.ask("LABEL", "old_list_note") == (["OK", says] if age > 7 else ["ABSENT"]), (day, language)


def test_every_form_with_a_sign_says_that_the_list_is_old(nursery: Workspace, tmp_path: Path) -> None:
    """By the clock of the phone; a list without the word, of an older version, is not spoken of."""
    with Phone("UTC") as it:
        for form_id, form in load_forms().items():
            assert any(row["name"] == "old_list_note" for row in form.rows) == form.has_group
            if not form.has_group:
                continue
            today = dt.datetime.now(dt.UTC).date()
            for age, says in ((0, False), (30, True)):
                it.ask("FORM", str(_with_list_of(nursery, tmp_path, form_id, today - dt.timedelta(days=age))))
                it.ask("SET", "code_scanned", GROUP)
                assert (it.ask("LABEL", "old_list_note")[0] == "OK") == says, (form_id, age)
        groups = tmp_path / "groups.csv"
        groups.write_text(groups.read_text(encoding="utf-8").replace(" 7 # ", " # "), encoding="utf-8")
        it.ask("FORM", str(tmp_path / "transfer.xml"))
        it.ask("SET", "code_scanned", GROUP)
        assert it.ask("LABEL", "facts_note")[0] == "OK" and it.ask("LABEL", "old_list_note") == ["ABSENT"]


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


def test_zeros_that_nobody_has_to_type(nursery: Workspace) -> None:
    """One answer stands for five to seven counts, and the sum does not hold what was typed before it."""
    with Phone() as it:
        it.ask("FORM", str(nursery.phone / "cut_back.xml"))
        for name, answer in {
            "staff_code": "S03",
            "code_scanned": GROUP,
            "coverage": "whole",
            "cut": "700",
            "not_ready": "0",
        }.items():
            it.ask("SET", name, answer)
        assert it.ask("LABEL", "cull_weak") == ["ABSENT"]
        assert it.ask("SET", "recount", "yes") == ["OK"]
        assert it.ask("VALIDATE") == ["REQUIRED", "taken_out"]
        it.ask("SET", "taken_out", "yes")
        assert it.ask("SET", "cull_disease", "2") == ["OK"]
        assert it.ask("LABEL", "disease_note")[0] == "OK"
        assert it.ask("LABEL", "sum_note")[1] == "Together that makes 702."
        it.ask("SET", "taken_out", "no")
        assert it.ask("LABEL", "cull_disease") == it.ask("LABEL", "disease_note") == ["ABSENT"]
        assert it.ask("LABEL", "sum_note")[1] == "Together that makes 700."
        assert it.ask("VALIDATE") == ["REQUIRED", "recount"], "the answer was about another number"
        it.ask("SET", "recount", "yes")
        assert it.ask("VALIDATE") == ["OK"]
        record = it.ask("XML")[1]
        assert "<any_out>no</any_out>" in record and "<cull_disease>" not in record


def test_every_required_question_says_what_is_lacking() -> None:
    for form in load_forms().values():
        for q in form.questions:
            if q.cells.get("required") == "yes" and q.type != "calculate":
                assert all(q.cells.get(f"required_message::{x}") for x in form.languages), (form.form_id, q.name)


def test_a_title_is_in_one_language(tmp_path: Path) -> None:
    form = load_forms()["bud_take"]
    for language, title in (
        (None, "Bud take"),
        ("English (en)", "Bud take"),
        ("Español (es)", "Lectura de prendimiento"),
        ("Português (pt)", "Leitura de pegamento"),
    ):
        xform = to_xform(form, form.version, language)
        assert f"<h:title>{title}</h:title>" in xform
        assert f'<translation lang="{language or "English (en)"}" default="true()">' in xform
    with pytest.raises(FormError, match="No form speaks the language 'Latin'; write it as one of English"):
        publish({"bud_take": form}, tmp_path, "Latin")


@pytest.mark.parametrize("form_id", ["budding", "bud_take", "cut_back", "stake", "top"])
def test_blades_are_spoken_of_where_they_are_used(form_id: str) -> None:
    assert any(row["name"] == "knife_note" for row in load_forms()[form_id].rows)


def test_the_rootstock_of_a_seed_lot_stands_there_already(nursery: Workspace) -> None:
    with Phone() as it:
        it.ask("FORM", str(nursery.phone / "open_group.xml"))
        assert it.ask("SET", "seed_lot", "L2601-CARR") == ["OK"]
        assert "<rootstock>CARRIZO</rootstock>" in it.ask("XML")[1]
