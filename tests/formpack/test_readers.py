from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from formpack.readers import READERS, NearMiss, Unreadable
from formpack.words import unpacked


@pytest.mark.parametrize(
    ("kind", "text", "value"),
    [
        ("integer", "940", 940),
        ("integer", "-5", -5),
        ("integer", "007", 7),
        ("decimal", "8.5", 8.5),
        ("decimal", "-2", -2.0),
        ("date", "2026-03-02", dt.date(2026, 3, 2)),
        ("code", "26-0012-39", "26001239"),
        ("text", "=1+1", "=1+1"),
    ],
)
def test_answers_are_read(kind: str, text: str, value: Any) -> None:
    assert READERS[kind](text) == value


@pytest.mark.parametrize(
    ("kind", "text", "rule", "says"),
    [
        ("integer", "1e3", "wrong_type", "digits only"),
        ("integer", "NaN", "wrong_type", "digits only"),
        ("integer", "12.0", "wrong_type", "digits only"),
        ("integer", "+5", "wrong_type", "digits only"),
        ("integer", "1,000", "wrong_type", "between thousands"),
        ("integer", "９４０", "wrong_type", "another script"),
        ("integer", "٩٤٠", "wrong_type", "another script"),
        ("integer", "9" * 19, "wrong_type", "too many digits"),
        ("decimal", "8,5", "wrong_type", "decimal comma"),
        ("decimal", "1e3", "wrong_type", "not a number"),
        ("decimal", "inf", "wrong_type", "not a number"),
        ("date", "2/3/26", "wrong_type", "2026-02-03 or 2026-03-02"),
        ("date", "31/3/2026", "wrong_type", "is not written as YYYY-MM-DD; 2026-03-31?"),
        ("date", "13/8/2026", "wrong_type", "is not written as YYYY-MM-DD; 2026-08-13?"),
        ("date", "8.8.26", "wrong_type", "; 2026-08-08?"),
        ("date", "2026-8-3", "wrong_type", "; 2026-08-03?"),
        ("date", "31/2/2026", "wrong_type", "is not a day"),
        ("date", "46114", "wrong_type", "2026-04-02"),
        ("date", "2026-02-30", "wrong_type", "no day of the calendar"),
        ("date", "0026-03-02", "impossible_value", "year"),
        ("date", "yesterday", "wrong_type", "YYYY-MM-DD"),
        ("code", "26-0012-38", "bad_code", "wrong digit"),
        ("code", "260012", "bad_code", "eight digits"),
        ("text", "a\ufffdb", "wrong_type", "cannot be read"),
    ],
)
def test_answers_are_refused_with_a_remedy(kind: str, text: str, rule: str, says: str) -> None:
    found = READERS[kind](text)
    assert isinstance(found, Unreadable)
    assert found.rule == rule
    assert says in unpacked(found.why)


@pytest.mark.parametrize(
    ("text", "near"),
    [
        ("carrizo", "CARRIZO?"),
        ("Carrizo citrange", "CARRIZO?"),
        ("CARIZO", "CARRIZO?"),
        ("CARRZIO", "CARRIZO?"),
        ("s1", "S01?"),
        ("S10", "S01 or S11?"),
        ("26001293", "26-0012-39?"),
        ("lemon", ""),
        ("", ""),
        ("x", ""),
    ],
)
def test_what_is_nearly_a_code_is_offered(text: str, near: str) -> None:
    assert NearMiss(["CARRIZO", "S01", "S11", "26-0012-39"], {"CARRIZO": "Carrizo citrange"}).of(text) == near


def test_what_may_be_many_codes_is_not_guessed() -> None:
    assert NearMiss([f"S0{n}" for n in range(5)]).of("S09") == ""
