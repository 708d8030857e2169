"""What is out of line, as chapters and the first screen say it."""

from __future__ import annotations

from dataclasses import dataclass

from formpack.words import tr
from pipeline.report.figures import flag_words


@dataclass(frozen=True)
class OutOfLine:
    """A house or a batch that is flagged: its sentence, the plants at stake (lost beyond what was to be expected), and where
    the page says more."""

    sentence: str
    plants: int
    href: str


def words(flag: str | None, q_value: float | None) -> str:
    """What a comparison says to people."""
    if not flag:
        return tr("too little to tell") if q_value is None else tr("like the others")
    return flag_words(flag)
