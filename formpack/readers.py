"""One strict reader per kind of answer: text -> value, or what is wrong with it.

Nothing is guessed: `2/3/26`, `1e3` and `１２` are refused with the way to write them. White space around an
answer is the only thing taken off.
"""

from __future__ import annotations

import datetime as dt
import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass

from formpack import group_code

Value = int | float | str | dt.date


@dataclass(frozen=True)
class Unreadable:
    """An answer that is not of its kind: `rule` is a finding's name, `why` a sentence with the remedy."""

    rule: str
    why: str


def _foreign_digits(text: str) -> bool:
    return any(unicodedata.category(c) == "Nd" and not c.isascii() for c in text)


def integer(text: str) -> int | Unreadable:
    """A whole number in ASCII digits, perhaps with a minus sign; at most 18 digits."""
    if re.fullmatch(r"-?[0-9]{1,18}", text, re.ASCII):
        return int(text)
    if _foreign_digits(text):
        return Unreadable("wrong_type", "uses digits of another script; write it with 0 to 9")
    if re.fullmatch(r"-?[0-9]{19,}", text):
        return Unreadable("wrong_type", "has too many digits to be a count; write the number that was counted")
    if re.fullmatch(r"[0-9]{1,3}([.,' ][0-9]{3})+", text):
        return Unreadable("wrong_type", "has a mark between thousands; write the digits alone")
    return Unreadable("wrong_type", "is not a whole number; write digits only, such as 940")


def decimal(text: str) -> float | Unreadable:
    """A number in ASCII digits with a decimal point, no exponent."""
    if re.fullmatch(r"-?[0-9]{1,15}(\.[0-9]{1,15})?", text, re.ASCII):
        return float(text)
    if re.fullmatch(r"-?[0-9]+,[0-9]+", text):
        return Unreadable("wrong_type", "has a decimal comma; write a point, such as 8.5")
    return Unreadable("wrong_type", "is not a number; write digits and a point, such as 8.5")


def date(text: str) -> dt.date | Unreadable:
    """A calendar day as YYYY-MM-DD (ISO 8601), from 1990 to 2199."""
    if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text, re.ASCII):
        try:
            day = dt.date.fromisoformat(text)
        except ValueError:
            return Unreadable("wrong_type", "is no day of the calendar; write the day as YYYY-MM-DD")
        return day if 1990 <= day.year < 2200 else Unreadable("impossible_value", "is not in this century; look at the year")
    if re.fullmatch(r"[0-9]{5}(\.0)?", text, re.ASCII):
        day = dt.date(1899, 12, 30) + dt.timedelta(days=int(text[:5]))
        return Unreadable("wrong_type", f"is a spreadsheet's day number (perhaps {day}); format the column as text YYYY-MM-DD")
    found = re.fullmatch(r"([0-9]{1,2})[/.-]([0-9]{1,2})[/.-]([0-9]{2,4})", text, re.ASCII)
    if found:
        day_, month, year = (int(x) for x in found.groups())
        year += 2000 if year < 100 else 0
        readings = {f"{year:04d}-{m:02d}-{d:02d}" for d, m in ((day_, month), (month, day_)) if 1 <= m <= 12 and d <= 31}
        return Unreadable("wrong_type", f"can be read in two ways; write {' or '.join(sorted(readings)) or 'YYYY-MM-DD'}")
    return Unreadable("wrong_type", "is not a day; write it as YYYY-MM-DD, such as 2026-03-02")


def code(text: str) -> str | Unreadable:
    """A group code, with or without hyphens, as its eight digits."""
    plain = group_code.plain(text)
    if plain is None or not plain.isascii():
        return Unreadable("bad_code", "is not a group code; it has eight digits, such as " + group_code.shown("26001239"))
    if not group_code.is_group_code(plain):
        return Unreadable("bad_code", "has a wrong digit or two that are swapped; look at the sign")
    return plain


def plain_text(text: str) -> str | Unreadable:
    """Text as it is; one that holds the mark of an unreadable character is refused."""
    return Unreadable("wrong_type", "holds a character that cannot be read; write it again") if "\ufffd" in text else text


READERS: dict[str, Callable[[str], Value | Unreadable]] = {
    "integer": integer,
    "decimal": decimal,
    "date": date,
    "code": code,
    "text": plain_text,
}
"""By `Question.value_type`."""
