"""The catalogues of Spanish and Portuguese are whole: no sentence that the program can say stays English."""

from __future__ import annotations

import re

import pytest

from formpack.words import LANGUAGES
from tests.words.catalogues import catalogue_of, template

_PLACE = re.compile(r"\{\w+\}")
_CODE = re.compile(r"`[^`]*`")


@pytest.mark.parametrize("language", [code for code in LANGUAGES if code != "en"])
def test_every_message_is_translated_with_its_places_and_its_code(language: str) -> None:
    catalogue = catalogue_of(language)
    wanted = {m.id if isinstance(m.id, str) else tuple(m.id) for m in template() if m.id}
    there = {m.id if isinstance(m.id, str) else tuple(m.id): m for m in catalogue if m.id}
    assert set(there) == wanted, "python -m tests.words.catalogues brings them up to the code"
    assert catalogue.num_plurals == 2
    for key, message in there.items():
        assert not message.fuzzy, key
        forms = (key,) if isinstance(key, str) else key
        said = (message.string,) if isinstance(message.string, str) else tuple(message.string)
        assert len(said) == len(forms) and all(said), key
        for text, translated in zip(forms, said, strict=True):
            assert set(_PLACE.findall(translated)) == set(_PLACE.findall(text)), (key, translated)
            assert sorted(_CODE.findall(translated)) == sorted(_CODE.findall(text)), (key, translated)
            assert translated[-1:] in ".:?" or text[-1:] not in ".:?", (key, translated)
