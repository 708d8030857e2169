"""A language that is none, for tests: what is marked is put between brackets, so that what is not marked stands out."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

from formpack import words

LANGUAGE = "xx"
_PLACE = re.compile(r"(\{\w+\})")


def _bracketed(message: str) -> str:
    """The message with each piece of words between its places in brackets."""
    return "".join(
        piece if _PLACE.fullmatch(piece) or not re.search(r"\w", piece) else f"⟦{piece}⟧" for piece in _PLACE.split(message)
    )


class _Catalogue:
    def gettext(self, message: str) -> str:
        return _bracketed(message)

    def ngettext(self, one: str, more: str, n: int) -> str:
        return _bracketed(one if n == 1 else more)


@contextmanager
def spoken() -> Iterator[None]:
    """Speak the language that is none. Numbers are those of English, days are in brackets."""
    before = words.current()
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(words.LANGUAGES, LANGUAGE, "None")
        real: Any = words._catalogue
        patch.setattr(words, "_catalogue", lambda code: _Catalogue() if code == LANGUAGE else real(code))
        for name in ("number", "percent", "day", "short_day", "month", "short_month"):
            patch.setattr(words, name, _in_english(getattr(words, name)))
        words.use(LANGUAGE)
        try:
            yield
        finally:
            words.use(before)


def _in_english(say: Any) -> Any:
    def said(*given: Any, **more: Any) -> str:
        before, words._language = words._language, "en"
        try:
            text = str(say(*given, **more))
        finally:
            words._language = before
        return f"⟦{text}⟧" if re.search(r"[A-Za-z]", text) else text

    return said


def outside(text: str) -> str:
    """What of a text does not stand in brackets."""
    return re.sub(r"⟦[^⟦⟧]*⟧", " ", text)


_SENTENCE = re.compile(r"\b[a-z]{2,} [a-z]{2,}\b")


def untranslated(text: str, data: str = "") -> list[str]:
    """The pieces outside of brackets that read as words of a sentence: two words in small letters. `data` is a pattern of what
    people called things."""
    left = outside(text)
    return _SENTENCE.findall(re.sub(data, " ", left) if data else left)
