from __future__ import annotations

import datetime as dt
import json
import re
import time
from pathlib import Path
from typing import Any

import duckdb
import pytest
from openpyxl import load_workbook

from formpack import words
from formpack.readers import READERS, Unreadable
from formpack.submission import sound
from formpack.words import either, listed, many, number, pack, pack_texts, packn, percent, place, tr, unpacked
from pipeline import run
from pipeline.findings import Finding, Rule, sentence
from pipeline.store import _SET
from pipeline.workspace import Workspace
from tests.conftest import SAMPLES, looked_at, new_workspace, table
from tests.hostile.corpus import OPENING, corpus
from tests.words import pseudo
from tests.words.catalogues import messages

DAY = dt.date(2026, 11, 2)


@pytest.fixture(autouse=True)
def english() -> Any:
    words.use("en")
    yield
    words.use("en")


@pytest.mark.parametrize(
    ("language", "thousands", "share", "day", "short", "month", "short_month"),
    [
        ("en", "58,293", "90.6%", "2 November 2026", "2 Nov 2026", "November 2026", "Nov 2026"),
        ("es", "58.293", "90,6\xa0%", "2 de noviembre de 2026", "2 nov 2026", "noviembre de 2026", "nov 2026"),
        ("pt", "58.293", "90,6%", "2 de novembro de 2026", "2 de nov. de 2026", "novembro de 2026", "nov. de 2026"),
    ],
)
def test_numbers_and_days_are_those_of_the_locale(
    language: str, thousands: str, share: str, day: str, short: str, month: str, short_month: str
) -> None:
    """As CLDR has them (Unicode Common Locale Data Repository, through Babel); English days as British English has them."""
    from babel.dates import format_date
    from babel.numbers import format_decimal, format_percent

    words.use(language)
    assert (number(58293), percent(0.906)) == (thousands, share)
    assert words.day(DAY) == day == format_date(DAY, "long", locale="en_GB" if language == "en" else language)
    assert re.sub(" de |[.]", " ", words.short_day(DAY)).split() == re.sub(" de |[.]", " ", short).split()
    assert words.month(DAY) == month
    assert re.sub(" de |[.]", " ", words.short_month(DAY)).split() == re.sub(" de |[.]", " ", short_month).split()
    assert format_decimal(58293, locale=language) == thousands
    assert format_percent(0.9, locale=language) == share.replace("0,6", "0").replace("0.6", "0")


def test_one_and_several() -> None:
    assert [many(n, "task") for n in (0, 1, 2, 1200)] == ["0 tasks", "1 task", "2 tasks", "1,200 tasks"]
    assert [listed(list("abcd")[:n]) for n in (0, 1, 2, 3)] == ["", "a", "a and b", "a, b and c"]
    assert listed("abcde", 3) == "a, b, c and 2 more"
    assert [either(list("abc")[:n]) for n in (1, 2, 3)] == ["a", "a or b", "a, b or c"]


def test_places_are_put_in_words() -> None:
    kept = "a.zip: b, c.xlsx, sheet May, row 3"
    assert place(kept) == kept and place("lists/t.csv, rows 3, 4 and 2 more") == "lists/t.csv, rows 3, 4 and 2 more"
    assert place("no place") == "no place" and place("row 3") == "row 3"
    with pseudo.spoken():
        assert place(kept) == "a.zip: b, c.xlsx⟦, sheet ⟧May⟦, row ⟧3"


NESTED = pack("{a} and {b}", a=packn("{n} bud", "{n} buds", 2), b=pack("on {day}, {x}", day=DAY, x="#5"))


@pytest.mark.parametrize(
    ("packed", "says"),
    [
        (pack("plain"), "plain"),
        (pack("{n} of {x}", n=58293, x="a=b"), "58,293 of a=b"),
        (pack("{x}", x=" @2026-01-01"), " @2026-01-01"),
        (pack("{x}", x="{x}{y}"), "{x}{y}"),
        (NESTED, "2 buds and on 2 November 2026, #5"),
        (f"a {pack('b')}; {NESTED}", "a b; 2 buds and on 2 November 2026, #5"),
        (pack_texts({"en": "A tree", "es": "Un árbol", "pt": ""}), "A tree"),
        (pack("at {x}", x="\x1fx=other\x03 \x02"), "at \ufffdx=other\ufffd \ufffd"),
        ("\x03 \x1f loose", "\x03 \x1f loose"),
        ("\x02cut {x}\x1fx=1", "\x02cut {x}\x1fx=1"),
    ],
)
def test_packed_texts_come_back_in_words(packed: str, says: str) -> None:
    assert unpacked(packed) == says == unpacked(says)
    assert tr("{said}", said=packed) == says


def test_a_form_s_own_words_are_in_the_language_spoken() -> None:
    words.use("es")
    assert unpacked(pack_texts({"en": "A tree", "es": "Un árbol"})) == "Un árbol"
    assert unpacked(pack_texts({"en": "A tree"})) == "A tree"


def test_hostile_packed_texts_stay_small_and_quick() -> None:
    bomb = "x"
    for _ in range(40):
        bomb = f"\x02{'{a}' * 20}\x1fa={bomb}\x03"
    began = time.process_time()
    assert len(unpacked(bomb)) < 3_000_000 and len(unpacked("\x02" * 5000)) == 5000
    assert time.process_time() - began < 2
    assert sound(["a\x02b\x1f\x03", "b\nc"]) == ["a\ufffdb\ufffd\ufffd", "b\nc"]
    assert isinstance(READERS["text"](sound(["\x02x\x03"])[0]), Unreadable)


@pytest.mark.parametrize(
    ("query", "packed"),
    [
        ("pack('plain')", pack("plain")),
        ("pack('{n} on {d}', ['n=#' || 5, 'd=@' || DATE '2026-11-02'])", pack("{n} on {d}", n=5, d=DAY)),
        ("packn('{n} bud', '{n} buds', 3, ['x=y'])", packn("{n} bud", "{n} buds", 3, x="y")),
        ("pack('{a}', ['a=' || pack('{b}', ['b=c'])])", pack("{a}", a=pack("{b}", b="c"))),
    ],
)
def test_sql_packs_as_python_does(query: str, packed: str) -> None:
    connection = duckdb.connect()
    connection.execute(_SET)
    assert connection.execute(f"SELECT {query}").fetchall() == [(packed,)]


def test_every_rule_is_marked_and_says_whole_sentences() -> None:
    known = {message if isinstance(message, str) else message[0] for message, _ in messages()}
    for rule in Rule:
        assert {rule.sentence, rule.advice} <= known
        with pseudo.spoken():
            said = sentence(Finding("", rule.name, "asked", "7", pack("why")), {"asked": "Asked"})
            assert re.sub(r"[\W\d]", "", pseudo.outside(said)) in ("", "Asked"), said


def test_every_message_names_its_values() -> None:
    """A message and its plural have the same places, and no message is glued to another by a blank at its end."""
    for message, where in messages():
        one, more = message if isinstance(message, tuple) else (message, message)
        assert set(re.findall(r"\{\w+\}", one)) <= set(re.findall(r"\{\w+\}", more)) | {"{n}"}, (where, message)
        assert one == one.rstrip() and "  " not in one, (where, message)


_OF_LIBRARIES = ("unreadable_file", "unreadable_row", "refused_file", "passed_over")
"""Rules whose detail may hold what a library says of a file, which speaks English."""


@pytest.fixture(scope="module")
def odd(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """A nursery with what goes wrong: hostile files, scenarios, a spoilt list."""
    workspace = new_workspace(tmp_path_factory.mktemp("odd"))
    (workspace.inbox / "0.json").write_text(json.dumps(OPENING), encoding="utf-8")
    for name, (content, _) in corpus().items():
        if len(content) < 20_000:
            (workspace.inbox / name).write_bytes(content)
    (workspace.inbox / "stock_count-\x02{x}\x1fx=1\x03.csv").write_text("visit_date,note\n1/2/26,\x02{a}\x1fa=b\x03\n")
    for folder in sorted(SAMPLES.glob("*/expected.json")):
        for path in (folder.parent / "inbox").iterdir():
            (workspace.inbox / f"{folder.parent.name[:20]}-{path.name}").write_bytes(path.read_bytes())
    staff = workspace.lists / "staff.csv"
    staff.write_text(staff.read_text() + "s01,twice,maybe\nx y,no code,\n")
    orders = workspace.lists / "orders.csv"
    orders.write_text(orders.read_text() + "O99,,,NONE,NONE,1e3,1/7/27,\n")
    run.import_files(workspace, [workspace.inbox])
    return workspace


def test_what_is_kept_does_not_depend_on_the_language(odd: Workspace) -> None:
    with looked_at(odd) as store:
        texts = pseudo.kept_texts(store)
        assert [text for text in texts if pseudo.is_sentence(text)] == []
        assert sum(text.startswith("\x02") for text in texts) > 60


def test_no_problem_stays_untranslated_and_none_shows_what_packs(odd: Workspace) -> None:
    with pseudo.spoken():
        problems = table(odd, "problems", "rule, message, advice, value")
    forms = {text for form in odd.forms.values() for row in form.rows for c, text in row.items() if "::" in c and text}
    names = sorted(forms, key=len, reverse=True)
    assert len({rule for rule, *_ in problems}) > 15
    for rule, message, advice, value in problems:
        assert not any(mark in f"{message}{advice}{value}" for mark in words.MARKS)
        assert not pseudo.untranslated(advice)
        bare = message.replace(value or "\0", " ")
        for text in names:
            bare = bare.replace(text, " ")
        if rule not in _OF_LIBRARIES:
            assert not pseudo.untranslated(bare), f"{rule}: {message}"
    with looked_at(odd) as store:
        english = store.rows("SELECT message FROM problems WHERE rule = 'waits_for_group' LIMIT 1")
    assert english and "⟦" not in english[0][0]


def test_a_list_is_read_back_in_any_language(odd: Workspace, tmp_path: Path) -> None:
    """Written in a language, its decisions taken in where another is spoken."""
    from pipeline.office.decision_sheet import read_sheet
    from pipeline.office.problem_list import write_list
    from pipeline.office.records import Wanted, find, write_records

    with pseudo.spoken():
        with looked_at(odd) as store:
            write_list(store, tmp_path / "p.xlsx", odd.forms, {})
            write_records(store, tmp_path / "r.xlsx", find(store, Wanted(), odd.forms, 20), False, odd.forms, {})
        for path in (tmp_path / "p.xlsx", tmp_path / "r.xlsx"):
            book = load_workbook(path)
            sheet = book.worksheets[0]
            heads = [str(cell.value) for cell in sheet[1]]
            assert all(head.startswith("⟦") for head in heads) and sheet.title.startswith("⟦")
            at = {head: number for number, head in enumerate(heads, start=1)}
            sheet.cell(2, at["⟦decision⟧"], "⟦withdraw⟧")
            sheet.cell(2, at["⟦reason⟧"], "tried")
            sheet.cell(3, at["⟦decision⟧"], " Accept  as it is")
            book.save(path)
            words.use("pt")
            found = list(read_sheet(path))
            words.use(pseudo.LANGUAGE)
            assert [(d.row, d.decision, d.reason) for d in found] == [(2, "withdraw", "tried"), (3, "accept as it is", "")]
            assert found[0].key and found[0].instance_id


def test_records_show_no_marks(odd: Workspace) -> None:
    from pipeline.office.records import Wanted, find, said

    with looked_at(odd) as store:
        for record in find(store, Wanted(), odd.forms).records:
            assert not any(mark in said(record) for mark in words.MARKS)
