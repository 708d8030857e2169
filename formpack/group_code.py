"""Group codes: eight digits YYNNNNCC with two ISO/IEC 7064 MOD 97-10 check digits.

The first six digits are the payload (year of sowing, serial); the last two make the whole number leave
remainder 1 when divided by 97. Check digits run from 02 to 98: 00, 01 and 99 are never issued, although
they would leave the same remainder as 97, 98 and 02.
"""

from __future__ import annotations

import re

from formpack.words import tr

_WRITTEN = re.compile(r"([0-9]{2})[- ]?([0-9]{4})[- ]?([0-9]{2})")


def check_digits(payload: str) -> str:
    """The two check digits of a string of ASCII digits (ISO/IEC 7064 MOD 97-10)."""
    if not (payload.isascii() and payload.isdigit()):
        raise ValueError(tr("a payload is digits only, not {given}", given=repr(payload)))
    return f"{98 - int(payload) * 100 % 97:02d}"


def is_group_code(code: str) -> bool:
    """Whether `code` is eight ASCII digits with the check digits that its first six call for."""
    return len(code) == 8 and code.isascii() and code.isdigit() and check_digits(code[:6]) == code[6:]


def plain(text: str) -> str | None:
    """The eight digits of a code written as YY-NNNN-CC, with spaces or without marks; None when it is not one.

    The check digits are not looked at: use `is_group_code` for that.
    """
    found = _WRITTEN.fullmatch(text.strip())
    return "".join(found.groups()) if found else None


def shown(code: str) -> str:
    """The code as people read it: YY-NNNN-CC."""
    return f"{code[:2]}-{code[2:6]}-{code[6:]}"


def issue(year: int, first: int, how_many: int) -> list[str]:
    """`how_many` new codes of a sowing year (four digits), from serial number `first` (1 to 9999) on."""
    last = first + how_many - 1
    if not (2000 <= year <= 2099 and first >= 1 and last <= 9999 and how_many > 0):
        raise ValueError(tr("codes run from year 2000 to 2099 and from serial 1 to 9999"))
    payloads = (f"{year % 100:02d}{serial:04d}" for serial in range(first, last + 1))
    return [payload + check_digits(payload) for payload in payloads]
