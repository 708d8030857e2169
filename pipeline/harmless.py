"""Text of people as it may be shown: on a screen without characters that steer it, in a table without formulas."""

from __future__ import annotations

import re

_STEERING = re.compile("[\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028\u2029\u202a-\u202e\u2066-\u2069\ufeff\ud800-\udfff]")
"""What moves the cursor, colours, rings, turns the direction of reading or breaks a line, and halves of characters."""
_SHORT = {"\t": "\\t", "\n": "\\n", "\r": "\\r"}
_ILLEGAL = dict.fromkeys([*range(9), 11, 12, *range(14, 32), *range(0xD800, 0xE000), 0xFFFE, 0xFFFF], "\ufffd")
RUN = "[=+@\t\r\n＝＋－＠-]"
"""How a text begins that a spreadsheet would run, as a class of characters (CSV injection, as OWASP describes it)."""


def _by_number(found: re.Match[str]) -> str:
    number = ord(found[0])
    return _SHORT.get(found[0]) or (f"\\x{number:02x}" if number < 256 else f"\\u{number:04x}")


def one_line(text: str) -> str:
    """The text on one line: each character that would steer a screen is shown by its number, as \\x1b."""
    return _STEERING.sub(_by_number, text)


def lines(text: str) -> str:
    """The text with its own lines and tabs; what else would steer a page or screen is shown by its number."""
    return _STEERING.sub(lambda found: found[0] if found[0] in _SHORT else _by_number(found), text)


def json_text(document: str) -> str:
    """A JSON document that says the same, in which such characters stand by their numbers, as JSON writes them."""
    return _STEERING.sub(lambda found: found[0] if found[0] == "\n" else f"\\u{ord(found[0]):04x}", document)


def legal(text: str) -> str:
    """The text without the characters that no XML may hold, and so no workbook; each is marked."""
    return text.translate(_ILLEGAL)
