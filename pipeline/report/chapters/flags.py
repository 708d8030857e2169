"""What is out of line, as chapters and the first screen say it."""

from __future__ import annotations

from dataclasses import dataclass

from formpack.words import tr
from pipeline.formulas.comparison import CANNOT, NOT_FROM


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
    if flag in ("better", "worse"):
        return tr("better") if flag == "better" else tr("worse")
    if flag == CANNOT:
        return tr("cannot be compared")
    word, _, codes = flag.removeprefix(NOT_FROM).partition(" ")
    what = {
        "team": tr("cannot be told from team {codes}", codes=codes),
        "batch": tr("cannot be told from batch {codes}", codes=codes),
        "scion": tr("cannot be told from scion {codes}", codes=codes),
        "rootstock": tr("cannot be told from rootstock {codes}", codes=codes),
        "month": tr("cannot be told from month {codes}", codes=codes),
    }
    several = {
        "teams": tr("cannot be told from teams {codes}", codes=codes),
        "batches": tr("cannot be told from batches {codes}", codes=codes),
        "scions": tr("cannot be told from scions {codes}", codes=codes),
        "rootstocks": tr("cannot be told from rootstocks {codes}", codes=codes),
        "months": tr("cannot be told from months {codes}", codes=codes),
    }
    return (what | several).get(word, flag)
