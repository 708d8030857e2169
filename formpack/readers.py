"""One strict reader per kind of answer: text -> value, or what is wrong with it.

Nothing is guessed: `2/3/26`, `1e3` and `１２` are refused with the way to write them. Where only one thing can have been
meant it is offered with a question mark, for a person to write. White space around an answer is the only thing taken off.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import re
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from formpack import group_code
from formpack.words import either, pack

Value = int | float | str | dt.date


@dataclass(frozen=True)
class Unreadable:
    """An answer that is not of its kind: `rule` is a finding's name, `why` a packed sentence with the remedy, to be said after
    the answer."""

    rule: str
    why: str


def _foreign_digits(text: str) -> bool:
    return any(unicodedata.category(c) == "Nd" and not c.isascii() for c in text)


def integer(text: str) -> int | Unreadable:
    """A whole number in ASCII digits, perhaps with a minus sign; at most 18 digits."""
    if re.fullmatch(r"-?[0-9]{1,18}", text, re.ASCII):
        return int(text)
    if _foreign_digits(text):
        return Unreadable("wrong_type", pack("uses digits of another script; write it with 0 to 9"))
    if re.fullmatch(r"-?[0-9]{19,}", text):
        return Unreadable("wrong_type", pack("has too many digits to be a count; write the number that was counted"))
    if re.fullmatch(r"[0-9]{1,3}([.,' ][0-9]{3})+", text):
        return Unreadable("wrong_type", pack("has a mark between thousands; write the digits alone"))
    return Unreadable("wrong_type", pack("is not a whole number; write digits only, such as 940"))


def decimal(text: str) -> float | Unreadable:
    """A number in ASCII digits with a decimal point, no exponent."""
    if re.fullmatch(r"-?[0-9]{1,15}(\.[0-9]{1,15})?", text, re.ASCII):
        return float(text)
    if re.fullmatch(r"-?[0-9]+,[0-9]+", text):
        return Unreadable("wrong_type", pack("has a decimal comma; write a point, such as 8.5"))
    return Unreadable("wrong_type", pack("is not a number; write digits and a point, such as 8.5"))


def date(text: str) -> dt.date | Unreadable:
    """A calendar day as YYYY-MM-DD (ISO 8601), from 1990 to 2199."""
    if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text, re.ASCII):
        try:
            day = dt.date.fromisoformat(text)
        except ValueError:
            return Unreadable("wrong_type", pack("is no day of the calendar; write the day as YYYY-MM-DD"))
        if 1990 <= day.year < 2200:
            return day
        return Unreadable("impossible_value", pack("is not from 1990 to 2199; look at the year"))
    if re.fullmatch(r"[0-9]{5}(\.0)?", text, re.ASCII):
        day = dt.date(1899, 12, 30) + dt.timedelta(days=int(text[:5]))
        why = pack("is a spreadsheet's day number (perhaps {day}); format the column as text YYYY-MM-DD", day=day.isoformat())
        return Unreadable("wrong_type", why)
    readings = _days(text)
    if len(readings) > 1:
        first, second = readings
        return Unreadable("wrong_type", pack("can be read in two ways; write {first} or {second}", first=first, second=second))
    if readings:
        return Unreadable("wrong_type", pack("is not written as YYYY-MM-DD; {day}?", day=readings[0]))
    return Unreadable("wrong_type", pack("is not a day; write it as YYYY-MM-DD, such as 2026-03-02"))


def _days(text: str) -> list[str]:
    """The days of the calendar that three numbers can mean, whichever way round the day and the month stand; as YYYY-MM-DD."""
    if found := re.fullmatch(r"([0-9]{1,2})([/.-])([0-9]{1,2})\2([0-9]{4}|[0-9]{2})", text, re.ASCII):
        first, second, year = int(found[1]), int(found[3]), int(found[4])
        ways = [(first, second), (second, first)]
    elif found := re.fullmatch(r"([0-9]{4})([/.-]?)([0-9]{1,2})\2([0-9]{1,2})", text, re.ASCII):
        year, ways = int(found[1]), [(int(found[4]), int(found[3]))]
    else:
        return []
    days = set()
    for day, month in ways:
        with contextlib.suppress(ValueError):
            days.add(dt.date(year + 2000 if year < 100 else year, month, day).isoformat())
    return sorted(day for day in days if "1990" <= day < "2200")


def code(text: str) -> str | Unreadable:
    """A group code, with or without hyphens, as its eight digits."""
    plain = group_code.plain(text)
    if plain is None or not plain.isascii():
        why = pack("is not a group code; it has eight digits, such as {code}", code=group_code.shown("26001239"))
        return Unreadable("bad_code", why)
    if not group_code.is_group_code(plain):
        return Unreadable("bad_code", pack("has a wrong digit or two that are swapped; look at the sign"))
    return plain


def plain_text(text: str) -> str | Unreadable:
    """Text as it is; one that holds the mark of an unreadable character is refused."""
    why = pack("holds a character that cannot be read; write it again") if "\ufffd" in text else ""
    return Unreadable("wrong_type", why) if why else text


READERS: dict[str, Callable[[str], Value | Unreadable]] = {
    "integer": integer,
    "decimal": decimal,
    "date": date,
    "code": code,
    "text": plain_text,
}
"""By `Question.value_type`."""


def cell_text(value: object) -> str:
    """What a cell of a workbook says, as a person would type it: days without a time, whole numbers without a point."""
    if isinstance(value, dt.datetime) and value.time() == dt.time():
        value = value.date()
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        value = int(value)
    return "" if value is None else str(value).lower() if isinstance(value, bool) else str(value).strip()


def has_control(text: str) -> bool:
    """Whether a text holds what no person types: control characters, ends of lines and halves of characters."""
    return any(unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp") for c in text)


MISSING = pack("is missing")
"""What `text_of` says of a file that is not there."""


def text_of(path: Path, most: int = 20) -> str | Unreadable:
    """The text of a file that people keep (a list, a sheet, settings) of at most so many MB, without a byte-order mark; or what
    is wrong with the file, to be said after its name."""
    try:
        if not path.is_file():
            if not path.exists():
                return Unreadable("unreadable_file", pack("is a link to nowhere") if path.is_symlink() else MISSING)
            return Unreadable("unreadable_file", pack("is a folder") if path.is_dir() else pack("is no plain file"))
        with path.open("rb") as file:
            content = file.read(most * 1_000_000 + 1)
    except OSError as wrong:
        return Unreadable("unreadable_file", pack("cannot be read ({why})", why=wrong.strerror))
    if len(content) > most * 1_000_000:
        why = pack("is larger than {most} MB; take out what does not belong there", most=most)
        return Unreadable("unreadable_file", why)
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return Unreadable("unreadable_file", pack("is UTF-16; save it as UTF-8 (in a spreadsheet: CSV UTF-8)"))
    if b"\0" in content:
        return Unreadable("unreadable_file", pack("is no plain text; save it as UTF-8 (in a spreadsheet: CSV UTF-8)"))
    try:
        return content.decode("utf-8").lstrip("\ufeff")
    except UnicodeDecodeError as wrong:
        line = content[: wrong.start].count(b"\n") + 1
        why = pack("is not UTF-8 in line {line}; save it as UTF-8 (in a spreadsheet: CSV UTF-8)", line=line)
        return Unreadable("unreadable_file", why)


def _folded(text: str) -> str:
    """Without capitals, accents, marks, spaces, and noughts before a number."""
    plain = unicodedata.normalize("NFKD", text.casefold())
    return re.sub(r"(?<![0-9])0+(?=[0-9])", "", re.sub(r"[^0-9a-z]", "", plain))


_LETTERS = "0123456789abcdefghijklmnopqrstuvwxyz"


def _slips(text: str) -> Iterator[str]:
    """Every text with one letter otherwise, too many or too few, or two beside each other in each other's place."""
    for at in range(len(text) + 1):
        before, after = text[:at], text[at:]
        yield before + after[1:]
        yield before + after[1:2] + after[:1] + after[2:]
        for letter in _LETTERS:
            yield before + letter + after
            yield before + letter + after[1:]


class NearMiss:
    """Says what of some codes may have been meant by a text that is none of them. `means` says what codes mean, which people
    write too."""

    def __init__(self, codes: Iterable[str], means: Mapping[str, str] | None = None) -> None:
        self.codes = frozenset(codes)
        self.by_code: dict[str, set[str]] = {}
        self.by_meaning: dict[str, set[str]] = {}
        for code in self.codes:
            self.by_code.setdefault(_folded(code), set()).add(code)
            if means and means.get(code):
                self.by_meaning.setdefault(_folded(means[code]), set()).add(code)

    def of(self, text: str) -> str:
        """`CARRIZO?`, `S01 or S11?` (in the language spoken), or '' where nothing is near, or more than three are."""
        said = _folded(text)
        near = self.by_code.get(said, set()) | self.by_meaning.get(said, set()) if said else set()
        if not near and 2 < len(said) <= 40:
            near = {code for slip in set(_slips(said)) for code in self.by_code.get(slip, ())}
        return f"{either(sorted(near))}?" if 0 < len(near) <= 3 else ""


def with_near_miss(said: str, near: str) -> str:
    """The words, with the near miss behind them where there is one."""
    return f"{said}; {near}" if near else said
