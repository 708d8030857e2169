"""Every form, all of it, on the native engine that phones carry; scenarios/ and proof.py say how.

Days and clocks: the rules of summer time are those of the IANA time zone database, by Python's zoneinfo and by Java.
"""

from __future__ import annotations

import contextlib
import csv
import datetime as dt
import functools
import os
import re
import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from xml.sax.saxutils import escape
from zoneinfo import ZoneInfo

import pytest
import rxeval

from formpack.catalog import Form, load_forms
from formpack.workbook import form_workbook
from formpack.xform import to_xform
from pipeline import run
from pipeline.workspace import Workspace
from tests.conftest import every_table, table
from tests.engine.nursery import AFTER, FORMS, GROUPS, about, filled, leaves, new_nursery, records, scenario, stands, typed
from tests.engine.phone import Phone
from tests.engine.proof import Proof, lay_out
from tests.received import Received, read

ZONES = ["UTC", "Australia/Adelaide", "Europe/Lisbon", "America/Sao_Paulo"]
ZONES = ZONES if os.environ.get("CI") else ZONES[:2]
HARD_DAYS = ["2018-02-18", "2018-11-04", "2026-03-29", "2026-04-05", "2026-10-04", "2026-10-25", "2024-02-29"]
"""Days on which a clock of a zone was changed (in Sao Paulo at midnight, so 2018-11-04 had none), and a leap day."""


@pytest.fixture(scope="module")
def nursery(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    return new_nursery(tmp_path_factory.mktemp("nursery") / "n")


@pytest.fixture(scope="module")
def folder(nursery: Workspace, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return lay_out(nursery.phone, tmp_path_factory.mktemp("phones") / "phone")


@pytest.fixture(scope="module")
def phone_in() -> Iterator[Callable[[str], Phone]]:
    """One phone for each zone."""
    with contextlib.ExitStack() as running:
        yield functools.cache(lambda zone: running.enter_context(Phone(zone)))


@pytest.fixture(scope="module")
def it(phone_in: Callable[[str], Phone]) -> Phone:
    return phone_in("UTC")


@pytest.mark.parametrize("form_id", FORMS)
def test_every_form_is_as_its_sheet_says(form_id: str, it: Phone, folder: Path) -> None:
    """Texts in three languages, limits from both sides, what is there and what is not, blanks, ways out."""
    proof = Proof(it, FORMS[form_id], folder / f"{form_id}.xml")
    assert proof.run() == []
    form = _inlined(folder, form_id)
    assert len(proof.sent) >= (3 if any(row.get("relevant") for row in FORMS[form_id].rows) else 2)
    assert [odd for record in proof.sent for odd in _odd(form, record)] == [], "says the second engine"


WRONG = {
    "a limit that is gone": (
        """ constraint=". &gt;= 0 and . &lt;= 20000" jr:constraintMsg="jr:itext('/data/counts/green:""",
        """ jr:constraintMsg="jr:itext('/data/counts/green:""",
        "green = -1: ['OK']",
    ),
    "a limit that is another": (
        """20000" jr:constraintMsg="jr:itext('/data/counts/green:""",
        """19999" jr:constraintMsg="jr:itext('/data/counts/green:""",
        "green = 20000: ['CONSTRAINT'",
    ),
    "a hint of another language": (
        "Mire el letrero antes de responder",
        "Look at the sign before you answer",
        "hint of stage_sure in Español",
    ),
    "a message of another question": (
        "jr:itext('/data/lot/attempt:jr:constraintMsg')",
        "jr:itext('/data/counts/green:jr:constraintMsg')",
        "constraint_message of attempt in English",
    ),
    "what nobody is told of a blank": (
        "jr:itext('/data/counts/missing:jr:requiredMsg')",
        "",
        "required_message of missing in English (en) is ''",
    ),
    "a text that is empty": ("<value>Pegaram: verdes e vivas</value>", "<value></value>", "label of green in Português"),
    "what nobody is ever asked": (
        """relevant=" /data/lot_odd  = 'fewer'\"""",
        'relevant="false()"',
        "lot_again lot_rest: lot_rest is not there",
    ),
    "what is always there": (""" relevant=" /data/unread_teams  != ''\"""", "", "unknown_note: unread_note is there, against"),
    "what is left over on the way back": (
        """calculate="if( /data/lot_budded_on  = '', '', round(decimal-date-time( /data/who/visit_date )""",
        """calculate="once(round(decimal-date-time( /data/who/visit_date )""",
        "early_note: the way back leaves ['OK']",
    ),
    "a blank that is let through": (
        """ required="true()" jr:requiredMsg="jr:itext('/data/counts/missing:""",
        """ jr:requiredMsg="jr:itext('/data/counts/missing:""",
        "missing may be left blank",
    ),
    "no way out": (
        """constraint=". != 'no'" jr:constraintMsg="jr:itext('/data/again""",
        """constraint=". = 'never'" jr:constraintMsg="jr:itext('/data/again""",
        "again recount: it cannot be ended: ['REQUIRED', 'recount']",
    ),
}
"""What stands in bud_take.xml, what is put there instead, and what is said then."""


@pytest.mark.parametrize("wrong", WRONG)
def test_what_is_wrong_with_a_form_is_found(wrong: str, it: Phone, folder: Path, tmp_path: Path) -> None:
    """A check that cannot fail is none."""
    old, new, says = WRONG[wrong]
    shutil.copytree(folder, tmp_path / "phone")
    path = tmp_path / "phone" / "bud_take.xml"
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1
    path.write_text(text.replace(old, new), encoding="utf-8")
    found = Proof(it, FORMS["bud_take"], path).run()
    assert any(says in fault for fault in found), found


def _with(form: Form, folder: Path, more: dict[str, str]) -> Form:
    """The form with one question more, as a person would put it in."""
    folder.mkdir()
    words = {f"label::{x}": "Trays" for x in form.languages}
    words |= {f"{c}_message::{x}": "1 to 9" for x in form.languages for c in ("constraint", "required")}
    row = {"type": "integer", "name": "trays", "required": "yes", "constraint": ". >= 1 and . <= 9", **words, **more}
    (folder / "loss.xlsx").write_bytes(form_workbook(replace(form, rows=(*form.rows, row))))
    return load_forms(folder)[form.form_id]


def test_a_new_question_is_proved_by_itself(it: Phone, folder: Path, tmp_path: Path) -> None:
    shutil.copytree(folder, tmp_path / "phone")
    for more, says in (
        ({}, []),
        (
            {"relevant": "${lost} = 13"},
            ["no state has trays there", "tried for required", "for yes", "for no", "texts of trays"],
        ),
        ({"constraint": "${lost} >= .", "required": ""}, ["trays was never tried for yes", "trays was never tried for no"]),
    ):
        form = _with(FORMS["loss"], tmp_path / f"forms{len(says)}", more)
        (tmp_path / "phone" / "loss.xml").write_text(to_xform(form, form.version), encoding="utf-8")
        found = Proof(it, form, tmp_path / "phone" / "loss.xml").run()
        assert len(found) == len(says) and all(any(word in fault for fault in found) for word in says), found


@pytest.mark.parametrize("zone", ZONES)
def test_the_good_path_is_the_same_everywhere(zone: str, phone_in: Callable[[str], Phone], nursery: Workspace) -> None:
    for form_id, record in records(nursery.phone, phone_in(zone)).items():
        told = scenario(form_id)
        (found,) = read(record, "record.xml")
        assert isinstance(found, Received) and found.form_id == form_id and found.form_version == FORMS[form_id].version
        wanted = told["good"] | told["record"] | about(form_id)
        said = leaves(record)
        numbers = {q.name for q in FORMS[form_id].questions if q.type == "decimal"}
        for name, text in wanted.items():
            assert (float(said[name]) == float(text)) if name in numbers else said[name] == text, (form_id, name)
        assert {k: v for k, v in found.answers.items() if k in wanted} == {k: said[k] for k in wanted if k in found.answers}
        for name in ("start", "end"):
            moment = dt.datetime.fromisoformat(said[name])
            assert abs(moment - dt.datetime.now(dt.UTC)) < dt.timedelta(hours=1), "the clock of the phone with its zone"


def test_a_record_needs_no_more_than_its_form_names(it: Phone, nursery: Workspace, tmp_path: Path) -> None:
    """A phone fetches the form and the files that stand in it, and nothing else."""
    for form_id, form in FORMS.items():
        folder = tmp_path / form_id
        folder.mkdir()
        shutil.copy(nursery.phone / f"{form_id}.xml", folder)
        named = re.findall(r'"jr://[\w-]+/([^"]+)"', (folder / f"{form_id}.xml").read_text(encoding="utf-8"))
        assert {f"{stem}.csv" for stem in form.files} <= set(named)
        for name in named:
            shutil.copy(nursery.phone / name, folder)
        assert about(form_id).items() <= leaves(filled(folder, form_id, it=it)).items()


def test_a_code_can_be_typed_on_every_form(it: Phone, nursery: Workspace) -> None:
    """All else is as with a scan."""
    for form_id in (form_id for form_id, form in FORMS.items() if form.has_group):
        scanned = leaves(filled(nursery.phone, form_id, it=it))
        assert it.fill(nursery.phone / f"{form_id}.xml", typed(scenario(form_id)["good"])) == []
        by_hand = leaves(it.ask("XML")[1].encode())
        other = {name for name, _ in scanned.items() ^ by_hand.items()}
        assert other <= {"start", "end", "instanceID"} | {
            n for n in other if n.endswith(("_scanned", "_typed", "_digits", "_ok"))
        }
        assert not FORMS[form_id].has_group or ("code_typed" in by_hand and "code_scanned" not in by_hand)


@pytest.mark.parametrize("zone", [*ZONES, "Pacific/Kiritimati", "Etc/GMT+12"])
def test_days_are_days_everywhere(zone: str, phone_in: Callable[[str], Phone], nursery: Workspace, tmp_path: Path) -> None:
    """What is typed is stored, whatever was done to the clock that day; today is today where the phone is (the last two zones
    are 26 hours apart, so one of them always has another day than the machine)."""
    it = phone_in(zone)
    for form in FORMS.values():
        before = dt.datetime.now(ZoneInfo(zone)).date()
        it.ask("FORM", str(nursery.phone / f"{form.form_id}.xml"))
        today = dt.date.fromisoformat(it.ask("GET", "visit_date")[1])
        assert before <= today <= dt.datetime.now(ZoneInfo(zone)).date()
        assert it.ask("SET", "visit_date", (today + dt.timedelta(days=1)).isoformat())[0] == "CONSTRAINT"
        assert it.ask("SET", "visit_date", today.isoformat()) == ["OK"]
        days = [q.name for q in form.questions if q.type == "date"]
        for day in HARD_DAYS:
            assert [it.ask("SET", name, day) for name in days] == [["OK"]] * len(days)
            record = leaves(it.ask("XML")[1].encode())
            assert [record[name] for name in days] == [day] * len(days)
            assert record["instanceName"].endswith(day)
    _days_between(it, nursery.phone, tmp_path)


def _days_between(it: Phone, phone: Path, folder: Path) -> None:
    """The days since budding that the phone works out, against Python's, over the changes of all clocks."""
    for number, budded in enumerate(("2018-10-20", "2018-02-10", "2026-03-20", "2026-10-01")):
        shutil.copytree(phone, folder / str(number))
        groups = folder / str(number) / "groups.csv"
        groups.write_text(groups.read_text(encoding="utf-8").replace("2026-10-01", budded), encoding="utf-8")
        it.ask("FORM", str(folder / str(number) / "bud_take.xml"))
        it.ask("SET", "code_scanned", GROUPS["bud_take"])
        for days in range(31):
            day = dt.date.fromisoformat(budded) + dt.timedelta(days=days)
            assert it.ask("SET", "visit_date", day.isoformat()) == ["OK"]
            assert leaves(it.ask("XML")[1].encode())["days"] == str(days), (budded, day)
            assert (it.ask("LABEL", "early_note")[0] == "OK") == (days < 18), (budded, day)


def test_the_records_of_one_morning_fit_together(phone_in: Callable[[str], Phone], nursery: Workspace, tmp_path: Path) -> None:
    """Each is accepted and booked as it says, whatever comes first."""
    made = list(records(nursery.phone, phone_in(ZONES[1])).items())
    books = []
    for name, parts in (("at once", [made]), ("backwards", [made[7:], made[:7]])):
        shutil.copytree(nursery.folder, tmp_path / name)
        workspace = Workspace(tmp_path / name)
        already = len(list(workspace.inbox.iterdir()))
        for number, part in enumerate(parts):
            new = tmp_path / f"{name} {number}"
            new.mkdir()
            for form_id, record in part:
                (new / f"{form_id}.xml").write_bytes(record)
            states = run.import_files(workspace, [new]).states
        assert states == {**dict.fromkeys(states, 0), "accepted": already + len(FORMS)}
        books.append(every_table(workspace))
    assert books[0] == books[1]
    assert stands(workspace) == AFTER
    of = {code: name for name, code in GROUPS.items()}
    lots = table(workspace, "lots", "group_code, days, buds_set, green, brown, unsure, missing", "budded_on >= '2026-10-01'")
    assert {of[code]: numbers for code, *numbers in lots} == {
        "bud_take": [25, 940, 800, 100, 10, 30],
        "budding": [None, 930, None, None, None, None],
    }
    found = {of[code]: counted for code, counted in table(workspace, "counts", "group_code, counted", "on_date = '2026-10-26'")}
    assert found == {"bag_up": 952, "cull_round": 955, "cut_back": 940, "stake": 940, "stock_count": 956, "top": 944}
    assert table(workspace, "orders", "order_ref, ordered, delivered, open") == [("O001", 800, 300, 500)]
    moves = "group_code, kind, cause, quantity, other_group"
    assert sorted(
        (of[code], kind, cause or "", number, of.get(other, ""))
        for code, kind, cause, number, other in table(workspace, "movements", moves, "on_date = '2026-10-26'")
    ) == [
        ("bag_up", "culled", "bent_root", 3, ""),
        ("bag_up", "culled", "off_type", 5, ""),
        ("bag_up", "died", "dead", 4, ""),
        ("brown", "moved_in", "", 100, "bud_take"),
        ("bud_take", "lost", "missing", 30, ""),
        ("bud_take", "moved_out", "", 100, "brown"),
        ("cull_round", "culled", "weak", 6, ""),
        ("cull_round", "died", "dead", 3, ""),
        ("despatch", "despatched", "", 300, ""),
        ("loss", "lost", "frost", 12, ""),
        ("open_group", "culled", "etiolated", 2, ""),
        ("open_group", "culled", "off_type", 8, ""),
        ("open_group", "opened", "", 500, ""),
        ("split", "moved_in", "", 200, "transfer"),
        ("top", "culled", "weak", 3, ""),
        ("top", "died", "dead", 1, ""),
        ("transfer", "moved_out", "", 200, "split"),
    ]
    # the day of the work is a fixed one, the phone's clock is that of the machine; all buds are of one batch of the list
    noted = {"clock_off", "more_set_than_cut", "seeds_not_known", "reentry_shorter"}
    assert {rule for (rule,) in table(workspace, "problems", "rule")} <= noted


def _inlined(folder: Path, form_id: str) -> str:
    """The XForm with its lists inside, since the second engine reads no files."""

    def list_of(found: re.Match[str]) -> str:
        with (folder / f"{found[2]}.csv").open(encoding="utf-8", newline="") as file:
            rows = ["".join(f"<{k}>{escape(v)}</{k}>" for k, v in row.items()) for row in csv.DictReader(file)]
        return f'<instance id="{found[1]}"><root>{"".join(f"<item>{row}</item>" for row in rows)}</root></instance>'

    text = (folder / f"{form_id}.xml").read_text(encoding="utf-8")
    return re.sub(r'<instance id="(\w+)" src="jr://file-csv/(\w+)\.csv"/>', list_of, text)


NOT_JUDGED = {"visit_date", "sow_date", "days", "list_age", "reentry_on", "reentry_at"}
"""Their rules use decimal-date-time(), which the second engine (0.1.1) does not have; the native one and the office judge."""


def _odd(form: str, record: str) -> list[dict[str, str]]:
    """What the second engine has against a record, but for what it does not judge."""
    found = rxeval.submission_findings(form, record, today=dt.date.today().isoformat())
    is_unjudged = "decimal-date-time() is not implemented"
    return [f for f in found if f["path"].rpartition("/")[2] not in NOT_JUDGED or is_unjudged not in f["says"]]


def test_a_second_engine_finds_nothing_in_the_forms(nursery: Workspace) -> None:
    """`rxeval`, an engine of its own in another language, looks for what engines understand differently."""
    for form_id in FORMS:
        form = _inlined(nursery.phone, form_id)
        assert "jr://file-csv" not in form and rxeval.check_form(form) == []


@pytest.mark.parametrize(
    ("form_id", "old", "new", "where", "kind"),
    [
        ("bud_take", "<green>800", "<green>-1", "green", "constraint"),
        ("bud_take", "<found>940", "<found>941", "found", "calculation"),
        ("bud_take", "<set_aside_to>{brown}", "<set_aside_to>{bud_take}", "set_aside_to", "constraint"),
        ("bud_take", "<group_code>{bud_take}", "<group_code>{top}", "group_code", "calculation"),
        ("open_group", "<planted>490", "<planted>491", "planted", "constraint"),
        ("transfer", "<to_group>{split}", "<to_group>{transfer}", "to_group", "constraint"),
        ("loss", "<lost>12</lost>", "<lost/>", "lost", "required"),
    ],
)
def test_a_second_engine_finds_what_was_tampered_with(
    form_id: str, old: str, new: str, where: str, kind: str, it: Phone, nursery: Workspace
) -> None:
    record = filled(nursery.phone, form_id, it=it).decode()
    old, new = old.format_map(GROUPS), new.format_map(GROUPS)
    assert record.count(old) == 1
    form = _inlined(nursery.phone, form_id)
    assert _odd(form, record) == []
    found = _odd(form, record.replace(old, new))
    assert (where, kind) in {(f["path"].rpartition("/")[2], f["kind"]) for f in found}


def test_a_wrong_digit_is_found_in_a_typed_code(it: Phone, nursery: Workspace) -> None:
    it.fill(nursery.phone / "loss.xml", typed(scenario("loss")["good"]))
    record = it.ask("XML")[1]
    wrong = re.sub(r"(<code_typed>[\d-]*)\d</code_typed>", r"\g<1>0</code_typed>", record)
    found = _odd(_inlined(nursery.phone, "loss"), wrong)
    assert wrong != record and ("code_typed", "constraint") in {(f["path"].rpartition("/")[2], f["kind"]) for f in found}


@pytest.mark.parametrize("trap", ["floor(1)", "pulldata('a', 'b', 'c', '1')"])
def test_a_second_engine_finds_a_trap(trap: str, nursery: Workspace) -> None:
    form = _inlined(nursery.phone, "loss")
    found = rxeval.check_form(form.replace("mod 97 = 1", f"mod 97 = {trap}"))
    assert any(trap.partition("(")[0] in f["construct"] for f in found)
