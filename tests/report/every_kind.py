"""A report with every kind of block, and with what is hard to show: long names, names read from right to left, HTML."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path

import matplotlib as mpl
from matplotlib.figure import Figure as Drawn

from pipeline.report.blocks import Cell, Chapter, Column, Drawing, Figure, Figures, Fold, Head, Item, Items, Says, Table
from pipeline.report.charts.base import INK, LEAF, SHADES, STYLE, WIDTH, short, svg, tell
from pipeline.report.page import page_html

MARKUP = "<script>alert(1)</script><b a='\"&{{ 7 * 7 }}</style>"
LONG_NAME = "Bench at the far end of the shade house behind the old pump, second row of two, left"
LETTERS = "نخلة كبيرة 3 (a)"
KINDS = ("code", "text", "number", "decimal", "share", "points", "money", "day", "month")
DAY = dt.date(2026, 11, 2)


def drawing(says: str, rows: int = 6) -> Drawing:
    names = ["Trays", LETTERS, MARKUP, LONG_NAME, "Budded", "Ready", "Gone"]
    with mpl.rc_context(STYLE):
        figure = Drawn(figsize=(WIDTH, 0.6 + 0.28 * rows), layout="constrained")
        axes = figure.add_subplot()
        for at in range(rows):
            many = 1200 - 170 * at
            tell(
                axes.barh(rows - at, many, height=0.62, color=SHADES[at], edgecolor=INK, linewidth=0.4),
                f"{names[at]}: {many:,} plants",
            )
            tell(axes.plot([many - 60, many + 60], [rows - at] * 2, color=LEAF), f"{names[at]}: within 60 of {many:,}")
        axes.set_yticks(range(rows, 0, -1), [short(n)[:18] for n in names[:rows]])
        return Drawing(svg(figure, says), says)


def groups(many: int) -> Table:
    rows = []
    for at in range(many):
        place = (LONG_NAME, LETTERS, MARKUP, "House 2, bench 14")[at % 4]
        values = (
            at * 37 % 1000,
            at / 7,
            (at % 50) / 50,
            (at % 9 - 4) / 100,
            at * 12.5,
            DAY - dt.timedelta(at),
            DAY.replace(day=1),
        )
        rows.append([Cell(f"26{at:04d}12", f"26-{at:04d}-12", "#every"), place, *(None if at == 3 else v for v in values)])
    heads = ["group", "place", "plants", "a day", "take", "points", "worth", "counted on", "month"]
    columns = [Column(head, kind) for head, kind in zip(heads, KINDS, strict=True)]
    total = ["", "together", sum(r[2] or 0 for r in rows), None, None, None, None, None, None]
    return Table(f"groups{many}", f"All {many} groups", columns, rows, total, frozenset({1, 4}))


def matrix(scions: int) -> Table:
    columns = [Column("rootstock"), *(Column(f"Scion {n}", "share") for n in range(scions))]
    rows = [
        [name, *(Cell(0.6 + 0.05 * n, shade=n / scions, is_marked=n == 2) if n != at else None for n in range(scions))]
        for at, name in enumerate(("Carrizo", LETTERS, "C35", LONG_NAME))
    ]
    return Table(f"pairs{scions}", f"Take of {scions} scions by rootstock", columns, rows, is_matrix=True)


def first() -> Chapter:
    numbers = [
        Figure("Plants that stand", "58,293", "57,863 to 58,439", ["612 fewer than a month ago", "4,120 more than a year ago"]),
        Figure("Lost in October", "841", "790 to 903", ["120 more than in September"]),
        Figure("Take of October", "90.6 %", "88.9 to 92.1 %", ["1.2 points less than in September", "like October 2025"]),
        Figure("Delivered in October", "2,310", "", ["no tree in October 2025"]),
    ]
    items = [
        Item("C35 + Satsuma: 161 were ordered for September, and 169 stand ready", "#every", "161 plants", "stop"),
        Item("Count 6 groups again, 26-0012-39 first", "#matrices", "1,204 plants", "stop"),
        Item(f"{LETTERS}: its losses are higher than of other places", "#every", "340 plants"),
        Item(f"{LONG_NAME}: 24 tasks are late there", "#table-groups40", "2,117 plants, 4,300 USD"),
        Item(f"{MARKUP} does not open", "", ""),
    ]
    return Chapter("first", "What to do", [Says("About 2,989 plants are not in this.", "stop"), Figures(numbers), Items(items)])


def chapters() -> list[Chapter]:
    found = "Of 40 groups two are out of line, and the others are as they should be."
    tones = [
        Says(found),
        Says("A sentence."),
        Says("What follows.", "lead"),
        Says("Aside.", "soft"),
        Says("Read this.", "stop", "#matrices"),
    ]
    short_table = Table(
        "short",
        "Two of them",
        [Column("name"), Column("plants", "number", "How many."), Column("")],
        [["a", 2, "x"], [MARKUP, 1, f"{LONG_NAME} {MARKUP}"]],
        marked=frozenset({0}),
        mark_says="can go now",
        is_good=True,
    )
    three = [replace(drawing(f"Number {n}.", n), head=f"Head {n}", text="What is in it.") for n in (3, 6, 4)]
    listed = replace(groups(40), name="listed", caption="Deeper", is_for_paper=False)
    folded = Fold("Folded away", [Says("Inside."), matrix(16), Fold("Deeper", [drawing("Deep inside."), groups(16), listed])])
    return [
        Chapter("every", "Every kind of block", [*tones, Head("Under a heading"), groups(5), groups(40), short_table], found),
        Chapter(
            "drawings",
            f"Drawings of {LETTERS}",
            [drawing("One alone."), Head("Three more"), *three],
            f"{LONG_NAME} loses most.",
        ),
        Chapter("matrices", "Matrices and folds", [matrix(4), folded]),
        Chapter("nothing", MARKUP, [Says("No group has been opened yet.")]),
    ]


def page(folder: Path) -> Path:
    path = folder / "page.html"
    path.write_text(page_html(f"Nursery {MARKUP} {LETTERS}", DAY, first(), chapters()), encoding="utf-8")
    return path
