"""Sentences in the language of whoever reads them: gettext catalogues, plural forms, numbers and days as that language writes
them.

English stands in the code, marked by the functions here; `locale/LANGUAGE/LC_MESSAGES/formpack.po` has the others, read by
Babel where one is asked for. A placeholder is `{name}`. What is kept or stored before it is known who reads it (what is wrong
with an answer, say) is *packed*: a text that carries its message and values, and becomes words where it is shown, by `tr` or
`unpacked`. SQL packs with the macro `pack` of the store.
"""

from __future__ import annotations

import datetime as dt
import functools
import io
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from gettext import NullTranslations

LANGUAGES = {"en": "English", "es": "Español", "pt": "Português"}
"""The languages of the office: page, workbook, lists, commands."""
CATALOGUES = Path(__file__).parent / "locale"
_OPEN, _NEXT, _SHUT, _OR = "\x02", "\x1f", "\x03", "\x1d"
MARKS = _OPEN + _NEXT + _SHUT
"""What packs; text of people is kept without (`submission.sound`), so that it is never taken for packed text."""
_AT_MARKS = re.compile(f"([{MARKS}])")
_DEEPEST, _LONGEST = 12, 1_000_000
"""So deep and so long a packed text may be; what is more stays as it is, with its marks."""
_PLACE = re.compile(r"\{(\w+)\}")
_NUMBER, _DAY = "#", "@"
_MONTHS = "January February March April May June July August September October November December".split()
_language = "en"


def use(language: str) -> None:
    """Speak this language from now on; a name of a form's language (`Español (es)`) is one too, any other is English."""
    global _language
    code = language.rpartition("(")[2].rstrip(")")
    _language = code if code in LANGUAGES else "en"


def current() -> str:
    """The code of the language that is spoken."""
    return _language


@functools.cache
def _catalogue(language: str) -> NullTranslations:
    from babel.messages.mofile import write_mo
    from babel.messages.pofile import read_po
    from babel.support import Translations

    with (CATALOGUES / language / "LC_MESSAGES" / "formpack.po").open("rb") as file:
        catalogue = read_po(file, locale=language)
    made = io.BytesIO()
    write_mo(made, catalogue)
    made.seek(0)
    return Translations(made)


def marked(message: str) -> str:
    """The message itself: it is translated where it is shown. For words in tables of constants."""
    return message


def _filled(message: str, values: dict[str, Any]) -> str:
    return _PLACE.sub(lambda found: shown(values[found[1]]) if found[1] in values else found[0], message)


def shown(value: Any) -> str:
    """A value as it stands in a sentence: whole numbers with thousands parted, days written out; texts as they are."""
    if isinstance(value, str):
        return unpacked(value)
    if isinstance(value, bool) or value is None:
        return str(value)
    if isinstance(value, int):
        return number(value)
    if isinstance(value, dt.date):
        return day(value)
    return unpacked(str(value))


def tr(message: str, /, **values: Any) -> str:
    """The message in the language that is spoken, its places filled."""
    said = message if _language == "en" or not message else _catalogue(_language).gettext(message)
    return _filled(said, values)


def in_english(packed: str) -> str:
    """A packed text as English has it, whatever is spoken; for what former versions kept so."""
    global _language
    spoken, _language = _language, "en"
    try:
        return unpacked(packed)
    finally:
        _language = spoken


def in_each_language(message: str) -> dict[str, str]:
    """The message as each of the languages has it, by their codes, the one that is spoken first."""
    codes = sorted({*LANGUAGES, _language}, key=lambda code: code != _language)
    return {code: message if code == "en" else _catalogue(code).gettext(message) for code in codes}


def trn(one: str, more: str, n: int, /, **values: Any) -> str:
    """The message for one or for several, as the language has it; `{n}` is the number."""
    said = (one if n == 1 else more) if _language == "en" else _catalogue(_language).ngettext(one, more, n)
    return _filled(said, {"n": n} | values)


def pack(message: str, /, **values: Any) -> str:
    """The message with its values as one text, to be put into words by whoever shows it."""
    return _OPEN + _NEXT.join([message, *(f"{name}={_stored(value)}" for name, value in values.items())]) + _SHUT


def packn(one: str, more: str, n: int, /, **values: Any) -> str:
    """The same of a message for one or for several."""
    return pack(one + _OR + more, n=n, **values)


def pack_texts(texts: Mapping[str, str]) -> str:
    """What a form says in several languages, by their codes: the one that is spoken is shown, or the first."""
    no_message = ""
    return pack(no_message, **{code: text for code, text in texts.items() if text})


def _stored(value: Any) -> str:
    if isinstance(value, bool) or value is None:
        return str(value)
    if isinstance(value, int):
        return f"{_NUMBER}{value}"
    if isinstance(value, dt.date):
        return f"{_DAY}{value.isoformat()}"
    text = str(value)
    if any(mark in text for mark in MARKS):
        depth, inside = 0, []
        for letter in text:
            is_loose = letter in (_NEXT, _SHUT) and not depth
            depth += (letter == _OPEN) - (letter == _SHUT and depth > 0)
            inside.append("\ufffd" if is_loose else letter)
        text = "".join(inside) if not depth else _AT_MARKS.sub("\ufffd", text)
    return f" {text}" if text[:1] in (_NUMBER, _DAY, " ") else text


def _restored(text: str) -> Any:
    mark, rest = text[:1], text[1:]
    if mark == " ":
        return rest
    try:
        return int(rest) if mark == _NUMBER else dt.date.fromisoformat(rest) if mark == _DAY else text
    except ValueError:
        return text


def unpacked(text: str) -> str:
    """The text with everything packed in it put into words."""
    if _OPEN not in text:
        return text
    levels: list[list[list[str]]] = [[[]]]
    """Of each packed text that is open its parts so far, each the pieces of one; the outermost is the text itself. A piece
    that was packed itself is in words already, and has _OPEN before it."""
    for piece in _AT_MARKS.split(text):
        if piece == _OPEN:
            levels.append([[]])
        elif piece == _NEXT and levels[1:]:
            levels[-1].append([])
        elif piece == _SHUT and levels[1:]:
            said = _in_words(levels.pop())
            levels[-1][-1].append(_OPEN + said if levels[1:] else said)
        else:
            levels[-1][-1].append(piece)
        if len(levels) > _DEEPEST:
            return text
    while levels[1:]:  # it is cut off
        open_parts = levels.pop()
        levels[-1][-1] += [_OPEN, _NEXT.join("".join(p).replace(_OPEN, "") for p in open_parts)]
    said = "".join(levels[0][0])
    return said if len(said) <= _LONGEST + len(text) else text


def _in_words(parts: list[list[str]]) -> str:
    message, *given = ("".join(part) for part in parts)
    values: dict[str, Any] = {}
    for part in given:
        name, _, value = part.partition("=")
        values[name] = value.replace(_OPEN, "") if _OPEN in value else _restored(value)
    message = message.replace(_OPEN, "")
    if not message:
        return str(values.get(_language) or next(iter(values.values()), ""))
    if message.count("{") * max((len(str(v)) for v in values.values()), default=0) > _LONGEST:
        return message
    one, _, more = message.partition(_OR)
    n = values.get("n")
    return trn(one, more, n, **values) if more and isinstance(n, int) else tr(one, **values)


def many(n: int, word: str) -> str:
    """`1 task`, `1,200 tasks`. The word is one of `COUNTED`."""
    return trn(f"{{n}} {word}", f"{{n}} {word}s", n)


def number(value: float, decimals: int = 0) -> str:
    """A number with its thousands parted."""
    if _language == "en":
        return f"{value:,.{decimals}f}"
    from babel.numbers import format_decimal

    return str(format_decimal(value, f"#,##0.{'0' * decimals}" if decimals else "#,##0", locale=_language))


def as_typed(value: float) -> str:
    """A number with the decimals that it has, six at most."""
    return number(value, len(f"{value:.6f}".rstrip("0").partition(".")[2]))


def percent(value: float, decimals: int = 1) -> str:
    """A share as a percentage."""
    if _language == "en":
        return f"{value:.{decimals}%}"
    from babel.numbers import format_percent

    sign = format_percent(0, locale=_language).lstrip("0")
    return str(format_percent(value, f"#,##0.{'0' * decimals}{sign}" if decimals else f"#,##0{sign}", locale=_language))


def day(on: dt.date) -> str:
    """A day in a sentence: `2 November 2026`."""
    if _language == "en":
        return f"{on.day} {_MONTHS[on.month - 1]} {on.year}"
    from babel.dates import format_date

    return format_date(on, "long", locale=_language)


def short_day(on: dt.date) -> str:
    """A day in a table: `2 Nov 2026`."""
    if _language == "en":
        return f"{on.day} {_MONTHS[on.month - 1][:3]} {on.year}"
    from babel.dates import format_date

    return format_date(on, "d MMM y", locale=_language)


def month(on: dt.date) -> str:
    """A month: `November 2026`."""
    if _language == "en":
        return f"{_MONTHS[on.month - 1]} {on.year}"
    from babel.dates import format_skeleton

    return str(format_skeleton("yMMMM", on, locale=_language))


def first_day(of: str) -> dt.date:
    """The first day of a month as tables write it: `2026-11`."""
    return dt.date.fromisoformat(f"{of}-01")


def short_month(on: dt.date) -> str:
    """A month where there is little room: `Nov 2026`."""
    if _language == "en":
        return f"{_MONTHS[on.month - 1][:3]} {on.year}"
    from babel.dates import format_date

    return format_date(on, "MMM y", locale=_language)


def listed(parts: Iterable[str], most: int = 0) -> str:
    """`a, b and c`; of more than `most` the rest is counted."""
    found = list(parts)
    if most and len(found) > most:
        return tr("{some} and {n} more", some=", ".join(found[:most]), n=len(found) - most)
    if len(found) < 2:
        return "".join(found)
    return tr("{some} and {last}", some=", ".join(found[:-1]), last=found[-1])


def either(parts: Iterable[str]) -> str:
    """`a, b or c`."""
    *some, last = parts
    return tr("{some} or {last}", some=", ".join(some), last=last) if some else last


_IN_A_FILE = re.compile(
    r"(?P<file>.*?)(?:, sheet (?P<sheet>.*?))?"
    r"(?:, (?P<kind>row|line|item|rows|place) (?P<which>.*?)(?: and (?P<n>[0-9]+) more)?)?",
    re.DOTALL,
)
_KINDS_OF_PLACES = {
    "row": marked("{file}, row {which}"),
    "rows": marked("{file}, rows {which}"),
    "line": marked("{file}, line {which}"),
    "item": marked("{file}, item {which}"),
    "place": marked("{file}, place {which}"),
}


def place(text: str) -> str:
    """A place in a file, as the program keeps it (`a.xlsx, sheet May, row 3`), in words."""
    found = _IN_A_FILE.fullmatch(text)
    if not found or not (found["sheet"] or found["kind"]):
        return text
    file = tr("{file}, sheet {sheet}", file=found["file"], sheet=found["sheet"]) if found["sheet"] else found["file"]
    if not found["kind"]:
        return file
    which = tr("{some} and {n} more", some=found["which"], n=int(found["n"])) if found["n"] else found["which"]
    said = _KINDS_OF_PLACES[found["kind"]]
    return tr(said, file=file, which=which).removeprefix(", ")


def many_of(one: str, more: str) -> tuple[str, str]:
    """Both forms of a counted word, marked."""
    return one, more


COUNTED = (
    many_of("{n} plant", "{n} plants"),
    many_of("{n} group", "{n} groups"),
    many_of("{n} task", "{n} tasks"),
    many_of("{n} house", "{n} houses"),
    many_of("{n} bud", "{n} buds"),
    many_of("{n} tree", "{n} trees"),
    many_of("{n} order", "{n} orders"),
    many_of("{n} submission", "{n} submissions"),
    many_of("{n} new submission", "{n} new submissions"),
    many_of("{n} file", "{n} files"),
    many_of("{n} other file", "{n} other files"),
    many_of("{n} finding", "{n} findings"),
    many_of("{n} row", "{n} rows"),
    many_of("{n} more row", "{n} more rows"),
    many_of("{n} day", "{n} days"),
    many_of("{n} form", "{n} forms"),
    many_of("{n} list", "{n} lists"),
    many_of("{n} note", "{n} notes"),
    many_of("{n} sign", "{n} signs"),
    many_of("{n} sheet", "{n} sheets"),
    many_of("{n} record", "{n} records"),
    many_of("{n} treatment", "{n} treatments"),
    many_of("{n} table", "{n} tables"),
    many_of("{n} year", "{n} years"),
)
"""The words that `many` counts."""
