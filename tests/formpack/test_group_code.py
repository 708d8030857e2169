from __future__ import annotations

import pytest

from formpack.group_code import is_group_code, issue, plain, shown


def test_codes_are_issued_in_order_and_all_valid() -> None:
    codes = issue(2026, 12, 3)
    assert codes == ["26001239", "26001336", "26001433"]
    assert all(is_group_code(c) for c in codes)


@pytest.mark.parametrize("text", ["26-0012-39", "26001239", " 26-0012-39 ", "26 0012 39"])
def test_every_way_of_writing_it_is_read(text: str) -> None:
    assert plain(text) == "26001239"


@pytest.mark.parametrize("text", ["", "2600123", "260012390", "26-001-239", "２６００１２３９", "26_0012_39"])
def test_what_is_no_code_is_none(text: str) -> None:
    assert plain(text) is None
    assert not is_group_code(text)


def test_shown_and_plain_go_back_and_forth() -> None:
    assert plain(shown("26001239")) == "26001239"


@pytest.mark.parametrize(("year", "first", "many"), [(1999, 1, 1), (2026, 0, 1), (2026, 9999, 2), (2026, 1, 0)])
def test_codes_outside_the_range_are_not_issued(year: int, first: int, many: int) -> None:
    with pytest.raises(ValueError, match="codes run"):
        issue(year, first, many)
