"""A language that is none, in which every marked message stands in brackets: what is left outside them was never marked."""

from __future__ import annotations

import functools
import re
from collections.abc import Iterable

import pytest

from formpack import words
from tests.words.catalogues import template

_PLACES = re.compile(r"(\{\w+\})")
_BRACKETED = re.compile(r"⟦[^⟦⟧]*⟧")
_DAYS = re.compile(r"\d+ de [a-z]+ de \d{4}|\d+ [a-z]{3,4} \d{4}|[a-z]+ de \d{4}")


@functools.cache
def _marked() -> frozenset[str]:
    ids = [message.id for message in template()]
    return frozenset(text for one in ids for text in (one if isinstance(one, (list, tuple)) else (one,)))


class Bracketed:
    """A catalogue whose messages are those of the program, the places in them outside the brackets."""

    def gettext(self, message: str) -> str:
        if message not in _marked():
            return message
        return "".join(p if _PLACES.fullmatch(p) else f"⟦{p}⟧" for p in _PLACES.split(message) if p)

    def ngettext(self, one: str, more: str, n: int) -> str:
        return self.gettext(one if n == 1 else more)


def bracketed(patch: pytest.MonkeyPatch) -> None:
    """Speak in brackets; numbers and days are those of Spanish."""
    _marked()
    patch.setattr(words, "_language", "es")
    patch.setattr(words, "use", lambda _: None)
    patch.setattr(words, "_catalogue", lambda _: Bracketed())


def unmarked(said: str, data: Iterable[str] = ()) -> list[str]:
    """The words of two letters or more that stand outside brackets and are no data: no names, days, files or options."""
    while said != (said := _BRACKETED.sub(" ", said)):
        pass
    said = _DAYS.sub(" ", said)
    for text in sorted(data, key=len, reverse=True):
        said = said.replace(text, " ")
    return re.findall(r"[A-Za-zÀ-ÿ]{2,}", re.sub(r"\S*[./_]\S+|\S*\d\S*|--\w+", " ", said))
