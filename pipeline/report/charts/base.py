"""What all drawings share: one style, quiet enough to print in grey, and a width that fits a phone. A drawing is `WIDTH` inches
wide, which is 360 px: two stand side by side on a wide screen, one fills a phone, and nothing is cut or shrunk."""

from __future__ import annotations

import html
import io
import re
import unicodedata
import warnings
from collections.abc import Iterable, Sequence
from itertools import count
from typing import Any

from matplotlib.artist import Artist
from matplotlib.figure import Figure

from pipeline.harmless import one_line

WIDTH = 3.75
"""Inches of every drawing that is not alone on its page; letters of 7.5 points are as large as the small print of the page."""
LEAF, PEEL, INK, RULE = "#3f6b4f", "#c8801d", "#22312a", "#c9d1c9"
ASIDE, ALARM = "#5c6a61", "#7d2416"
SHADES = ("#1c3325", "#2b4e35", "#456a3f", "#78813e", "#ba9338", "#e2ad5b", "#f7ce96")
"""Shades of what has an order, dark to light by 11 steps of CIE lightness each, so that a grey printer keeps them apart."""
STYLE: Any = {
    "text.parse_math": False,
    "svg.fonttype": "none",
    "svg.hashsalt": "formpack",
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 8.5,
    "text.color": INK,
    "axes.labelcolor": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.edgecolor": RULE,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.spines.left": False,
    "ytick.major.size": 0,
    "xtick.major.size": 3,
}
OPEN: Any = {"markersize": 5, "markerfacecolor": "white", "markeredgecolor": "#6d7a71"}
"""An open dot: a rate as it is, where another stands beside it."""
DOUBTFUL: Any = {"markersize": 7, "markerfacecolor": "white", "markeredgecolor": ALARM}
BAND: Any = {"step": "post", "color": LEAF, "linewidth": 0}
CLEAR: Any = {"boxstyle": "square,pad=0.05", "facecolor": "#fdfcf8", "edgecolor": "none"}
"""What lies behind words, so that no line strikes them through."""
_numbers = count(1)


_ROOM = 48
"""Letters of a name that a drawing has room for; wide ones, as of Chinese, count twice."""


def short(name: str, letters: int = _ROOM) -> str:
    """A name as it stands in a drawing: on one line, and cut where it would leave no room for the drawing."""
    line = one_line(" ".join(name.split()))
    taken = 0
    for place, letter in enumerate(line):
        taken += 2 if unicodedata.east_asian_width(letter) in "WF" else 1
        if taken > letters:
            return line[: place - 1] + "…"
    return line


Box = tuple[float, float, float, float]
"""Left, low, right, high."""


def freest(boxes: Sequence[Box], points: Sequence[tuple[float, float]], taken: Sequence[Box] = ()) -> Box:
    """The box that hides the fewest points and other boxes; of alike ones, the first."""

    def hides(box: Box) -> int:
        left, low, right, high = box
        others = sum(left < o[2] and right > o[0] and low < o[3] and high > o[1] for o in taken)
        return 100 * others + sum(left <= x <= right and low <= y <= high for x, y in points)

    return min(boxes, key=hides)


_TELLS = "tells "


def tell(drawn: Artist | Iterable[Artist], text: str) -> None:
    """Let a mark say its numbers (`March 2026: 1,204 plants, 1,180 to 1,230`) to who points at it: what `plot`, `barh`, `text`,
    `fill_between` and their kind give back. Marks that say something each have to be drawn each by itself."""
    for artist in [drawn] if isinstance(drawn, Artist) else drawn:
        artist.set_gid(_TELLS + one_line(text))


def svg(figure: Figure, says: str) -> str:
    """The figure as an inline SVG with its own ids, what its marks tell, and a sentence for who cannot see it."""
    out = io.StringIO()
    with warnings.catch_warnings():
        # text stays text, drawn by whoever shows the page: a letter that is not in this font is only measured less well here
        warnings.filterwarnings("ignore", r"Glyph \d+ .*missing from font", UserWarning)
        warnings.filterwarnings("ignore", r"Matplotlib currently does not support .* natively", UserWarning)
        figure.savefig(out, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    text = out.getvalue()
    text = text[text.index("<svg") :]
    mark = f"c{next(_numbers)}-"
    text = re.sub(rf'<g id="{_TELLS}([^"]*)">', r'<g class="tell"><title>\1</title>', text)
    text = re.sub(r'(\bid=")', rf"\1{mark}", text)
    text = re.sub(r"(url\(#|href=\"#)", rf"\1{mark}", text)
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = text.replace("'DejaVu Sans', ", "").replace("DejaVu Sans", "sans-serif")
    said = html.escape(one_line(says), quote=True)
    return text.replace("<svg ", f'<svg role="img" aria-label="{said}" class="chart" ', 1)
