"""Every sentence that the program can say, in its own language, put together as for one and for several."""

from __future__ import annotations

import ast
import re

from formpack.words import COUNTED
from tests.conftest import ROOT
from tests.words.catalogues import template

_OF_ONE = re.compile(r"\bn1 (?:more |of them )?(?:are|were|have|do|stand|stood|need|keep|should be) (?!counted)")
_OF_TWO = re.compile(r"\bn2 (?:more |of them )?(?:is|was|has|does|stands|needs|keeps)\b")


def _said() -> list[tuple[str, str]]:
    """(message, as it is said) of every message, once for one and once for two."""
    found = []
    for message in template():
        if message.id:
            forms = message.id if isinstance(message.id, (list, tuple)) else (message.id,)
            numbers = ("n1", "n2") if len(forms) == 2 else ("n",)
            for text, n in zip(forms, numbers, strict=True):
                found.append((text, re.sub(r"\{\w+\}", "x", text.replace("{n}", n))))
    assert len(found) > 100
    return found


def test_sentences_are_whole() -> None:
    faults = []
    for text, said in _said():
        if re.search(r"  | [.,;:](?!\w)|\.\.|,,|;;|[{}]|—|\bplease\b", said.replace("...", "")):
            faults.append(text)
        if text != text.strip() and not text.startswith(" ("):  # what is put behind a name, in brackets
            faults.append(text)
        if (
            text[:1].isupper()
            and ". " in said.replace("...", "").replace("F.A.C.", "")
            and said[-1] not in ".:?)"
            and not text.endswith("}")
        ):
            faults.append(text)
    assert faults == []


def test_places_are_names_and_the_same_for_one_and_for_several() -> None:
    for message in template():
        forms = message.id if isinstance(message.id, (list, tuple)) else (message.id,)
        for text in forms:
            assert re.sub(r"\{[a-z]\w*\}", "", text).count("{") == 0, text
        assert len({frozenset(re.findall(r"\{(\w+)\}", text)) - {"n"} for text in forms}) == 1, forms


def test_one_is_one_and_two_are_several() -> None:
    nouns = [(one.removeprefix("{n} "), more.removeprefix("{n} ")) for one, more in COUNTED]
    faults = []
    for text, said in _said():
        faults += [text for one, more in nouns if re.search(rf"\bn1 {more}\b|\bn2 {one}\b|\b1 {more}\b", said)]
        faults += [text] if _OF_ONE.search(said) or _OF_TWO.search(said) else []
    assert faults == []


def test_no_message_stands_inside_another_text() -> None:
    """What is marked inside an f-string is not seen by what gathers the messages, and so would never be translated."""
    marks = {"tr", "trn", "pack", "packn", "marked"}
    for package in ("formpack", "pipeline"):
        for path in (ROOT / package).rglob("*.py"):
            for text in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                for call in ast.walk(text) if isinstance(text, ast.JoinedStr) else ():
                    if isinstance(call, ast.Call) and isinstance(call.func, ast.Name) and call.func.id in marks:
                        assert not (call.args and isinstance(call.args[0], ast.Constant)), f"{path}, line {call.lineno}"
