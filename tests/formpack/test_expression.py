from __future__ import annotations

import datetime as dt
import math
from typing import Any

import duckdb
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from formpack.expression import ExpressionError, conjuncts, evaluate, is_phone_only, limit, parse, to_sql

DB = duckdb.connect()
DAY = dt.date(2026, 11, 2)
SCOPE: dict[str | None, Any] = {
    "n": ("n", "number"),
    "m": ("m", "number"),
    "t": ("t", "text"),
    "d": ("d", "date"),
    None: ("n", "number"),
    "twice": parse("${n} * 2"),
}


def both(text: str, **answers: Any) -> Any:
    """The verdict of SQL, after making sure that Python's is the same."""
    tree = parse(text)
    row = {"n": None, "m": None, "t": None, "d": None} | answers
    sql, kind = to_sql(tree, SCOPE, "DATE '2026-11-02'")
    query = "SELECT " + sql + " FROM (SELECT ?::BIGINT AS n, ?::BIGINT AS m, ?::VARCHAR AS t, ?::DATE AS d)"
    (found,) = DB.execute(query, list(row.values())).fetchall()
    here = evaluate(tree, {**row, None: row["n"], "twice": parse("${n} * 2")}, DAY)
    if kind == "number":
        assert (found[0] is None and math.isnan(here)) or found[0] == pytest.approx(here)
    else:
        assert found[0] == here
    return found[0]


@pytest.mark.parametrize(
    ("text", "answers", "verdict"),
    [
        (". >= 0 and . <= 20000", {"n": 0}, True),
        (". >= 0 and . <= 20000", {"n": -1}, False),
        (". >= 0 and . <= 20000", {"n": 20001}, False),
        ("${n} > ${m}", {"n": 4}, False),
        ("${n} != ${m}", {"n": 4}, True),
        ("${n} != ''", {}, False),
        ("${n} = ''", {}, True),
        ("${t} = ''", {}, True),
        ("${t} != ''", {"t": "x"}, True),
        ("coalesce(${n}, 0) + coalesce(${m}, 0) = 7", {"m": 7}, True),
        ("not(${n} = 1) or ${m} = 2", {"n": 1, "m": 3}, False),
        ("${n} mod 97 = 1", {"n": 98}, True),
        ("${n} div 0 = 1", {"n": 98}, False),
        ("regex(${t}, '^[0-9]{8}$')", {"t": "26001239"}, True),
        ("regex(${t}, '^[0-9]{8}$')", {"t": "26001239\n"}, False),
        ("number(translate(${t}, '- ', '')) mod 97 = 1", {"t": "26-0012-39"}, True),
        ("selected(${t}, 'b')", {"t": "a b"}, True),
        ("selected-at(${t}, 1) = 'b'", {"t": "a b"}, True),
        ("selected-at(${t}, 5) = ''", {"t": "a b"}, True),
        ("count-selected(${t}) = 2", {"t": "a b"}, True),
        ("if(${n} > 3, 'yes', 'no') = 'yes'", {"n": 4}, True),
        ("substr(${t}, 6, 8) = '39'", {"t": "26001239"}, True),
        ("substring-before(${t}, '#') = 'a'", {"t": "a#b"}, True),
        ("substring-after(${t}, '#') = 'b#c'", {"t": "a#b#c"}, True),
        ("substring-after(${t}, '#') = ''", {"t": "a"}, True),
        ("string-length(${t}) = 0", {}, True),
        ("contains(${t}, 'o') and starts-with(${t}, 'c')", {"t": "co"}, True),
        ("concat(${t}, '-', ${n}) = 'a-3'", {"t": "a", "n": 3}, True),
        ("decimal-date-time(${d}) <= decimal-date-time(today())", {"d": DAY}, True),
        ("decimal-date-time(${d}) <= decimal-date-time(today())", {"d": DAY + dt.timedelta(1)}, False),
        ("round(decimal-date-time(today()) - decimal-date-time(${d})) = 21", {"d": DAY - dt.timedelta(21)}, True),
        ("${twice} = 8", {"n": 4}, True),
        ("int(7 div 2) = 3 and round(2.5) = 3 and abs(3 - 5) = 2", {}, True),
        ("normalize-space(${t}) = 'a b'", {"t": " a   b "}, True),
        ("-1 < 0", {}, True),
    ],
)
def test_python_and_sql_judge_alike(text: str, answers: dict[str, Any], verdict: bool) -> None:
    assert both(text, **answers) is verdict


@given(
    n=st.one_of(st.none(), st.integers(-1_000_000, 1_000_000)),
    m=st.one_of(st.none(), st.integers(-1_000_000, 1_000_000)),
    t=st.one_of(st.none(), st.text("0123456789- ab", max_size=9)),
)
@settings(max_examples=60, deadline=None)
def test_any_answers_are_judged_alike(n: int | None, m: int | None, t: str | None) -> None:
    for text in (
        "${n} <= ${m} and not(${n} = ${m})",
        "coalesce(${n}, 0) >= coalesce(${m}, 5) or ${t} = ''",
        "regex(${t}, '^[0-9]+$') and number(${t}) > ${n}",
        "${n} + ${m} > 3 or ${n} != ''",
    ):
        both(text, n=n, m=m, t=t)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("floor(.) = 1", "int()"),
        ("upper-case(${t}) = 'A'", "translate()"),
        ("pulldata('groups', 'a', 'b', 'c') = 1", "instance("),
        ("regex(., '[0-9]+')", "between ^ and $"),
        ("nonsense(1)", "portable subset"),
        (". >= ", "missing"),
        (". >= 0)", "does not belong"),
        ("(. >= 0", "')' is missing"),
        ("/data/green > 3", "portable subset"),
        (". >= 0 §", "cannot read"),
        ("if(. > 1, 2)", "three arguments"),
        ("contains(${t})", "argument"),
        ("instance('g')//item/x = 1", "full path"),
        ("${t} = \u2018no\u2019", "write straight quotation marks ('yes') instead"),
        (". => 3", "write >= or <= instead"),
        (". == 3", "write = instead"),
        ("${t} <> 'a, b'", "write != instead"),
        (". >= 0 AND . <= 5", "write and, or in small letters instead"),
        (". >= 0,5", "write a decimal point (0.5) instead"),
        ("${my answer} = 1", "write the name of the question as ${name} instead"),
        ("${t} = no", "'no' at character 8 is no number and has no quotation marks; write 'no' or ${no} instead"),
        (">= 10 and <= 100", "'>=' at character 1 has nothing before it; write . >= 10 and . <= 100 instead"),
        ("${t} = 'a' and (<5 or > 7)", "write ${t} = 'a' and (. <5 or . > 7) instead"),
    ],
)
def test_what_phones_do_not_share_is_refused_with_a_way_out(text: str, says: str) -> None:
    with pytest.raises(ExpressionError) as refused:
        parse(text)
    assert says in str(refused.value)


def test_dates_are_compared_only_through_numbers() -> None:
    with pytest.raises(ExpressionError, match="decimal-date-time"):
        to_sql(parse("${d} <= today()"), SCOPE)


def test_a_number_is_no_verdict() -> None:
    with pytest.raises(ExpressionError, match="comparison"):
        to_sql(parse("${n} and ${m} = 1"), SCOPE)


def test_unknown_names_are_named() -> None:
    with pytest.raises(ExpressionError, match="'nobody'"):
        to_sql(parse("${nobody} = 1"), SCOPE)


def test_limits_are_found_and_the_rest_is_kept() -> None:
    parts = conjuncts(parse(". >= -15 and . <= 5 and . != ${n}"))
    assert [limit(p) for p in parts] == [(">=", -15.0), ("<=", 5.0), None]


def test_lookups_are_for_the_phone() -> None:
    tree = parse("instance('groups')/root/item[code = ${t}]/facts")
    assert is_phone_only(tree)
    with pytest.raises(ExpressionError, match="only the phone"):
        to_sql(tree, SCOPE)


def test_quotes_in_text_stay_text() -> None:
    assert both("""${t} = "it's" """, t="it's") is True
