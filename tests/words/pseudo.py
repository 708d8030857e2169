"""A language that is none, for tests: what is marked is put between brackets, so that what is not marked stands out."""

from __future__ import annotations

import functools
import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from importlib import import_module
from typing import Any

import pytest

from formpack import words
from pipeline.store import Store
from tests.words.catalogues import template

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
        for module in ("dates", "numbers"):
            for name in _OF_A_LOCALE[module]:
                patch.setattr(f"babel.{module}.{name}", _of_english(getattr(import_module(f"babel.{module}"), name)))
        words.use(LANGUAGE)
        try:
            yield
        finally:
            words.use(before)


_OF_A_LOCALE = {"dates": ("format_date", "format_skeleton"), "numbers": ("format_decimal", "format_percent")}


def _of_english(say: Any) -> Any:
    """What Babel says for the language that is none: the English, months in brackets."""

    def said(*given: Any, locale: str, **more: Any) -> str:
        text = str(say(*given, locale="en" if locale == LANGUAGE else locale, **more))
        return f"⟦{text}⟧" if locale == LANGUAGE and re.search(r"[A-Za-z]", text) else text

    return said


def outside(text: str) -> str:
    """What of a text does not stand in brackets."""
    return re.sub(r"⟦[^⟦⟧]*⟧", " | ", text)


_SENTENCE = re.compile(r"\b[a-z]{2,} [a-z]{2,}\b")


def untranslated(text: str, data: str = "") -> list[str]:
    """The pieces outside of brackets that read as words of a sentence: two words in small letters. `data` is a pattern of what
    people called things."""
    left = outside(text)
    return _SENTENCE.findall(re.sub(data, " ", left) if data else left)


_TEXTS = {
    "work.received": "why",
    "work.reading_findings": "detail",
    "work.state_findings": "detail",
    "work.own_findings": "detail",
    "work.notes": "detail",
    "work.list_notes": "detail",
    "work.table_notes": "detail",
    "work.version_notes": "detail",
    "work.day_notes": "detail",
    "work.paper_notes": "detail",
    "work.list_faults": "fault",
    "work.unread_cells": "fault",
    "kept.not_taken": "why",
}
"""What is kept or made before it is known who reads it: column by table."""
_PACKED = re.compile("\x02[^\x02\x03]*\x03")


def kept_texts(store: Store) -> list[str]:
    return [
        text
        for name, column in _TEXTS.items()
        for (text,) in store.rows(f"SELECT DISTINCT {column} FROM {name} WHERE {column} <> '' ORDER BY ALL")
    ]


def is_sentence(text: str) -> bool:
    """Whether words of a sentence stand in a text that are not packed."""
    while _PACKED.search(text):
        text = _PACKED.sub("", text)
    return bool(_SENTENCE.search(text))


_PLACES = re.compile(r"(\{\w+\})")
_BRACKETED = re.compile(r"⟦[^⟦⟧]*⟧")
_DAYS = re.compile(r"\d+ de [a-z]+ de \d{4}|\d+ [a-z]{3,4} \d{4}|[a-z]{3,4} \d{4}|[a-z]+ de \d{4}")


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
    for text in sorted(data, key=len, reverse=True):
        said = re.sub(rf"(?<!\w){re.escape(text)}(?!\w)", " ", said)
    said = _DAYS.sub(" ", said)
    return re.findall(r"[A-Za-zÀ-ÿ]{2,}", re.sub(r"\S*[./_]\S+|\S*\d\S*|--[\w-]+", " ", said))
