"""What a report is made of: chapters of sentences, tables and drawings. The page and the workbook both show these, so a number
is worked out and said once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from formpack.words import tr

KINDS = ("text", "code", "number", "decimal", "share", "points", "money", "day", "month")
"""What a column holds: words; codes of groups, as on signs (never broken); whole numbers; numbers to one decimal; shares shown
as percentages; differences of shares in points; money; days (`date`); months (a `date`, its first day)."""


@dataclass(frozen=True)
class Column:
    """`head` in words; `says` explains it below the table and in the workbook, where the head alone is too short. An aside is
    left out where the screen is narrow."""

    head: str
    kind: str = "text"
    says: str = ""
    is_aside: bool = False


@dataclass(frozen=True)
class Cell:
    """A value that is shown otherwise than its column says: with words of its own, an end to link to, a shade from 0 to 1 (pale
    to dark; of a matrix or a plan), or marked as out of line."""

    value: Any
    text: str = ""
    """What is shown in place of the value; the value is what is sorted by and what the workbook holds."""
    href: str = ""
    shade: float | None = None
    is_marked: bool = False


@dataclass(frozen=True)
class Table:
    """`rows` hold values of their columns' kinds, None for nothing, or `Cell`. `marked` are positions of rows that stand out;
    `total` is a last row that adds up. `name` is one word, unique in the report."""

    name: str
    caption: str
    columns: Sequence[Column]
    rows: Sequence[Sequence[Any]]
    total: Sequence[Any] | None = None
    marked: frozenset[int] = frozenset()
    plotted: tuple[int, ...] = ()
    """Positions of columns that the workbook draws over the first column."""
    is_matrix: bool = False
    """The first column heads rows, and the others are one scale: shown as a grid of shaded cells."""
    mark_says: str = ""
    """What the mark of rows and cells means; out of line where nothing is said."""
    is_good: bool = False
    """What is marked is good news: it has a tick, and is no alarm."""
    is_for_paper: bool = True
    """Long lists are left to the screen and the workbook."""


@dataclass(frozen=True)
class Says:
    """Sentences. `tone`: `plain`; `lead` explains what follows; `soft` is an aside; `stop` must be read first."""

    text: str
    tone: str = "plain"
    href: str = ""
    """Where it leads, within the page (`#chapter`)."""


@dataclass(frozen=True)
class Head:
    """A heading inside a chapter."""

    text: str


@dataclass(frozen=True)
class Drawing:
    """An SVG made by `report/charts`; `says` is a sentence for who cannot see it, and stands in it. What belongs to it alone is
    its `head` and `text`: drawings that follow each other stand side by side."""

    svg: str
    says: str
    head: str = ""
    text: str = ""
    """Stands in place of `says`, where there is a head."""
    is_named: bool = False
    """The drawing itself says what it is, so that `says` is only told to who cannot see it."""


@dataclass(frozen=True)
class Fold:
    """Blocks that are folded away on a screen until asked for, and open on paper."""

    title: str
    blocks: Sequence[Block]


@dataclass(frozen=True)
class Figure:
    """A large number of the first screen in words: what it is, the number, within what it lies, and how it changed."""

    label: str
    value_text: str
    interval_text: str = ""
    changes: Sequence[str] = ()


@dataclass(frozen=True)
class Figures:
    """Large numbers side by side."""

    figures: Sequence[Figure]


@dataclass(frozen=True)
class Item:
    """A sentence of what to do, and where it leads. `stake_text` is what is at stake, in few words; `tone`: `plain`, or `stop`
    for what cannot wait."""

    text: str
    href: str = ""
    stake_text: str = ""
    tone: str = "plain"


@dataclass(frozen=True)
class Items:
    """What to do, ranked: the first is worth most."""

    items: Sequence[Item]
    start: int = 1
    """The number of the first one."""


@dataclass(frozen=True)
class Picture:
    """A photo, small: `data` is a `data:` URI of it, or '' where it cannot be shown and `says` why. `name` is its file's."""

    name: str
    says: str
    data: str = ""


@dataclass(frozen=True)
class Pictures:
    """Photos beside each other; of those that cannot be shown, and in the workbook, the names."""

    pictures: Sequence[Picture]


Block = Says | Head | Table | Drawing | Fold | Figures | Items | Pictures


@dataclass(frozen=True)
class Chapter:
    """`name` is the anchor on the page and the sheet of the workbook (one English word); `title` in words; `says` is the one
    sentence that stands beside the title of a folded chapter: what it has found."""

    name: str
    title: str
    blocks: Sequence[Block] = field(default_factory=list)
    says: str = ""


def interval(kind: str = "number") -> tuple[Column, Column]:
    """The two columns of an interval."""
    says = tr("The true value lies between these two in 95 of 100 cases.")
    return Column(tr("from"), kind, says), Column(tr("to"), kind, says)


def worked_out(*texts: str) -> Fold:
    """What explains a chapter, for who wants to know."""
    return Fold(tr("How this is worked out"), [Says(text, "lead") for text in texts])
