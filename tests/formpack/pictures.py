"""Draws the pictures of the shipped forms: `python -m tests.formpack.pictures` writes forms/_common/pictures/NAME.svg and .png.

They are for people who do not read: no letters or digits, one line weight, one palette (charts/base.py, with greens and browns
of plants beside it), and what matters told by shape and sign, never by colour alone. The plants are citrus rootstock seedlings
and liners with one bud in an inverted T, its leaf stalk below it. An arrow from above says which plant is meant; a tick,
a cross or a turning arrow in the corner what it comes to. An off-type is the odd one among its like, whichever leaf these have.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterable

from PIL import Image, ImageColor

from formpack import shipped
from pipeline.report.charts.base import ALARM, ASIDE, INK, LEAF, PEEL, RULE

FOLDER = shipped("forms") / "_common" / "pictures"
WIDTH, HEIGHT = 480, 320
LINE = 5
DOTS = 'stroke-dasharray="3 11"'
FRESH, STEM, PALE, SOIL, WITHERED, BROWN = "#8fb573", "#b9c48f", "#f1ecbf", "#8a6b4a", "#b08a5a", "#7c4a24"
COLOURS = (LEAF, PEEL, RULE, ASIDE, ALARM, FRESH, STEM, PALE, SOIL, WITHERED, BROWN, "#ffffff")


def drawn(shape: str, fill: str = "none", line: str = INK, width: float = LINE, more: str = "") -> str:
    return f'<path d="{shape}" fill="{fill}" stroke="{line}" stroke-width="{width}" {more}/>'


def moved(drawing: str, x: float, y: float, turn: float = 0, size: float = 1) -> str:
    """`drawing` at (x, y), turned by degrees clockwise, made larger or smaller."""
    return f'<g transform="translate({x:g} {y:g}) rotate({turn:g}) scale({size:g})">{drawing}</g>'


def disc(x: float, y: float, radius: float, fill: str = "none", line: str = INK) -> str:
    return f'<circle cx="{x:g}" cy="{y:g}" r="{radius:g}" fill="{fill}" stroke="{line}" stroke-width="{LINE}"/>'


def curve(way: str, fill: str, thick: float = 6) -> str:
    """A stem, root or stake: a line of that colour with an edge."""
    return drawn(way, width=thick + 2 * LINE - 2) + drawn(way, line=fill, width=thick - 2)


def rod(x: float, y: float, to_x: float, to_y: float, fill: str, thick: float = 8) -> str:
    return curve(f"M{x:g} {y:g}L{to_x:g} {to_y:g}", fill, thick)


def leaf(x: float, y: float, length: float, turn: float, fill: str = FRESH, broad: float = 0.3) -> str:
    """One leaflet from its stalk at (x, y); 0 points to the right, -90 up."""
    n, b = length, length * broad * 1.35
    blade = f"M0 0C{n * 0.25:g} {-b:g} {n * 0.75:g} {-b:g} {n:g} 0C{n * 0.75:g} {b:g} {n * 0.25:g} {b:g} 0 0Z"
    return moved(drawn(blade, fill) + drawn(f"M0 0H{n * 0.7:g}", width=3), x, y, turn)


def trifoliate(x: float, y: float, length: float, turn: float, fill: str = FRESH) -> str:
    stalk = length * 0.45
    ends = "".join(leaf(stalk, 0, length * part, at, fill, 0.27) for at, part in ((-62, 0.62), (62, 0.62), (0, 0.75)))
    return moved(drawn(f"M0 0H{stalk:g}") + ends, x, y, turn)


def seedling(
    x: float,
    soil: float,
    tall: float,
    pairs: int,
    size: float,
    fill: str = FRESH,
    thick: float = 6,
    one: str = "leaf",
    lift: float = 28,
    lowest: float = 0.3,
) -> str:
    """A seedling with `pairs` of leaves on both sides, nearly opposite, and one at the tip."""
    put = leaf if one == "leaf" else trifoliate
    made = [rod(x, soil, x, soil - tall, STEM if fill != PALE else PALE, thick)]
    for n in range(pairs):
        y = soil - tall * (lowest + (0.97 - lowest) * n / pairs)
        made += [put(x, y, size, -lift, fill), put(x, y - size * 0.12, size, -180 + lift, fill)]
    return "".join([*made, put(x, soil - tall, size, -90, fill)])


def ground(y: float) -> str:
    return drawn(f"M20 {y:g}H{WIDTH - 20}", line=SOIL, width=LINE + 2)


def bag(x: float, top: float, wide: float = 84, tall: float = 84) -> str:
    """A planting bag, its rim at `top`."""
    h, b = wide / 2, wide * 0.4
    body = f"M{x - h:g} {top:g}L{x - b:g} {top + tall:g}H{x + b:g}L{x + h:g} {top:g}Z"
    return drawn(body, ASIDE) + drawn(f"M{x - h:g} {top:g}H{x + h:g}l-2 15H{x - h + 2:g}Z", SOIL)


def this_one(x: float, top: float) -> str:
    """The arrow that says which is meant."""
    return drawn(f"M{x - 9:g} {top:g}h18v20h14l-23 26l-23 -26h14Z", PEEL)


def sign(kind: str, x: float = 436, y: float = 44) -> str:
    """tick: it lives. cross: it is dead. again: look at it again."""
    if kind == "tick":
        return disc(x, y, 34, LEAF) + drawn(f"M{x - 16:g} {y + 1:g}l11 13l21 -27", line="#fff", width=9)
    if kind == "cross":
        return disc(x, y, 34, ALARM) + drawn(f"M{x - 13:g} {y - 13:g}l26 26m0 -26l-26 26", line="#fff", width=9)
    turned = drawn(f"M{x + 15:g} {y - 9:g}A18 18 0 1 0 {x + 17:g} {y + 7:g}", width=7)
    return disc(x, y, 34, PEEL) + turned + drawn(f"M{x + 23:g} {y - 18:g}l-2 17l-16 -5Z", INK, width=2)


def measure(x: float, y: float, to_y: float, left: float, right: float) -> str:
    """A double arrow down `x`, with a dotted line to what it measures at each end."""
    ends = drawn(f"M{left:g} {y:g}H{right:g}M{left:g} {to_y:g}H{right:g}", line=PEEL, more=DOTS)
    heads = f"M{x - 14:g} {y + 24:g}l14 -20l14 20M{x - 14:g} {to_y - 24:g}l14 20l14 -20"
    return ends + drawn(f"M{x:g} {y + 6:g}V{to_y - 6:g}{heads}", line=PEEL, width=9)


def shears(x: float, y: float, turn: float = 0) -> str:
    """Shears whose blades meet at (x, y), handles to the right."""
    blades = "M-14 -16C14 -14 40 -4 62 6L52 16C30 12 4 0 -14 -16Z", "M-14 18C10 16 36 6 62 -6L50 -14C30 -8 4 4 -14 18Z"
    grips = curve("M60 4C80 10 96 26 118 32M60 -4C80 -10 96 -26 118 -32", PEEL, 11)
    return moved(grips + "".join(drawn(blade, RULE) for blade in blades) + disc(55, 0, 5, INK), x, y, turn)


BUD_X, BUD_Y = 304, 168


def lens(plant: str, at: tuple[int, int, int], left: int, right: int, inside: str) -> str:
    """A plant, and what is in the ring `at` (x, y, radius) of it looked at closely, in a frame from `left` to `right`."""
    x, y, radius = at
    rays = f"M{x + radius} {y - 8}L{left} {y - 58}M{x + radius} {y + 8}L{left} {y + 58}"
    box = f'<rect x="{left}" y="14" width="{right - left}" height="292" rx="24" '
    clip = f'<clipPath id="lens">{box}/></clipPath><g clip-path="url(#lens)">{box}fill="#fff"/>{inside}</g>'
    frame = f'{box}fill="none" stroke="{PEEL}" stroke-width="7"/>'
    return plant + disc(x, y, radius, line=PEEL) + drawn(rays, line=PEEL) + clip + frame


def near(inside: str, taped: bool = True) -> str:
    """The place of the bud on the stem, the tape off it."""
    stem = drawn(f"M{BUD_X - 58} -10V330H{BUD_X + 58}V-10Z", STEM)
    for y in (0, 24, 290, 314) if taped else ():
        stem += drawn(f"M{BUD_X - 63} {y + 10}l126 -20v24l-126 20Z", RULE)
    return lens(liner(84), (84, 170, 22), 196, 412, stem + inside)


def liner(x: float, top: float = 214, tall: float = 118) -> str:
    tips = "".join(leaf(x, top - tall + drop, 56, turn) for drop, turn in ((12, -35), (8, -145), (0, -90)))
    return bag(x, top, 76, 80) + rod(x, top - 2, x, top - tall, STEM, 7) + tips


PATCH = "M0 -78C27 -56 38 -26 38 10V68H-38V10C-38 -26 -27 -56 0 -78Z"
SHRUNK = "M2 -60C10 -44 20 -30 14 -10C26 8 16 30 25 58L8 52L-6 60L-22 54C-14 34 -25 10 -16 -8C-22 -26 -8 -42 2 -60Z"
BUD = "M0 -50C26 -26 30 2 18 22H-18C-30 2 -26 -26 0 -50Z"
CUT = "M-46 70H46M0 70V-92"


def at_bud(*drawings: str) -> str:
    return moved("".join(drawings), BUD_X, BUD_Y)


def bud_green() -> str:
    bud = drawn(BUD, LEAF) + drawn("M0 -50C9 -26 7 0 1 20M-22 -4C-12 -10 -6 -4 -2 4", width=4)
    scar = drawn("M-19 30C-12 24 12 24 19 30C14 46 -14 46 -19 30Z", PALE)
    stalk = moved(drawn("M-8 -26C-4 -8 -4 6 -10 24C-4 30 8 30 12 24C6 6 6 -8 8 -24C4 -30 -4 -30 -8 -26Z", FRESH), 384, 252, 35)
    falls = drawn("M350 206C362 206 370 210 376 218M346 222C354 224 360 228 364 234", width=4)
    return near(at_bud(drawn(CUT), drawn(PATCH, FRESH), bud, scar)) + stalk + falls + sign("tick")


def bud_brown() -> str:
    bud = drawn("M2 -34C10 -22 2 -14 12 0C14 10 8 18 4 22H-10C-14 12 -4 2 -10 -8C-8 -20 -4 -26 2 -34Z", INK)
    folds = drawn("M-12 -22L-4 -16M14 -24L8 -14M-18 34L-10 28M18 36L12 28M-16 8L-10 12M17 10L14 16", width=4)
    stalk = drawn("M-10 22C-8 34 -16 44 -22 64L-12 78L-2 66L10 74C4 56 8 36 5 22Z", WITHERED)
    return near(at_bud(drawn(CUT), drawn(PATCH, PALE), drawn(SHRUNK, BROWN), folds, bud, stalk)) + sign("cross")


def bud_unsure() -> str:
    half = '<clipPath id="h"><path d="M4 -100L-4 -20L6 20L-2 100H100V-100Z"/></clipPath>'
    brown = half + f'<g clip-path="url(#h)">{drawn(PATCH, SOIL)}</g>' + drawn("M4 -76L-4 -20L6 20L-2 68", width=4)
    folds = drawn("M26 -22L18 -16M28 30L20 24M24 52L16 48", width=4)
    bud = drawn("M0 -34C16 -20 20 4 12 18H-12C-20 4 -16 -20 0 -34Z", PALE)
    stalk = drawn("M-18 34a18 13 0 1 0 36 0a18 13 0 1 0 -36 0", PALE) + drawn("M-7 34a7 4 0 1 0 14 0a7 4 0 1 0 -14 0", width=3)
    return near(at_bud(drawn(CUT), drawn(PATCH, FRESH), brown, folds, bud, stalk)) + sign("again")


def dead_plant(x: float, top: float) -> str:
    stem = curve("M-4 4C-10 -50 -6 -96 2 -112C14 -134 34 -126 38 -104", WITHERED, 7)
    at = ((-9, -46, 118), (-9, -64, 62), (-6, -92, 128), (4, -112, 76), (38, -104, 84), (88, 76, 184))
    hanging = "".join(leaf(dx, dy, 48, turn, WITHERED, 0.2) for dx, dy, turn in at)
    return bag(x, top) + moved(stem + hanging, x, top)


def living(x: float, top: float, tall: float = 140) -> str:
    return bag(x, top) + seedling(x, top + 4, tall, 2, 58, thick=8)


def empty(x: float, top: float) -> str:
    """The place where one is gone: its outline only."""
    outline = "M-42 0L-34 84H34L42 0ZM0 0V-84C-52 -96 -30 -146 0 -150C30 -146 52 -96 0 -84"
    return moved(drawn(outline, line=ASIDE, more='stroke-dasharray="9 11"'), x, top)


def plant_dead() -> str:
    return living(84, 226) + dead_plant(236, 226) + living(396, 226) + this_one(240, 8)


def plant_gone() -> str:
    return living(84, 226) + empty(240, 226) + living(396, 226) + this_one(240, 8)


def dead_or_gone() -> str:
    return dead_plant(140, 226) + empty(340, 226) + this_one(144, 8) + this_one(340, 8)


def off_type() -> str:
    made = []
    for soil, usual, odd, at in ((150, "leaf", "trifoliate", 1), (310, "trifoliate", "leaf", 2)):
        made.append(ground(soil))
        for n in range(3):
            x, one = 90 + 150 * n, odd if n == at else usual
            made.append(seedling(x, soil, 56, 1, 48 if one == "leaf" else 58, one=one, lift=18, lowest=0.6))
            if n == at:
                made.append(drawn(f"M{x - 70} {soil - 72}a70 70 0 1 0 140 0a70 70 0 1 0 -140 0", line=PEEL, width=8))
    return "".join(made)


def bent_root() -> str:
    straight = "M0 0C2 50 -2 90 0 150", "M0 30L-30 48M1 52L30 72M0 80L-26 100M0 106L24 124"
    hooked = "M0 0C0 36 -4 62 -4 90C-2 146 62 142 58 104C56 88 48 80 42 70", "M0 26L-28 42M-1 54L24 66M-4 84L-30 96"
    wound = (
        "M0 0C0 14 0 18 0 26C28 34 32 54 0 58C-32 62 -30 86 0 90C28 94 26 116 0 120C-18 124 -18 136 -10 152",
        "M-26 74L-50 78M22 42L48 36M22 106L46 110",
    )
    made = [ground(156)]
    for x, (way, fine) in zip((84, 230, 396), (straight, hooked, wound), strict=True):
        made += [moved(drawn(fine, width=4) + curve(way, WITHERED, 9), x, 160)]
        made += [seedling(x, 158, 44, 1, 40, lift=10, lowest=0.7)]
    return "".join([*made, this_one(230, 6), this_one(396, 6)])


def etiolated() -> str:
    thin = seedling(350, 306, 196, 3, 42, PALE, 4, lift=18, lowest=0.3)
    return ground(306) + seedling(140, 306, 130, 3, 66, thick=9, lowest=0.2) + thin + this_one(350, 4)


def weak() -> str:
    small = bag(350, 226) + curve("M350 230C352 206 344 194 336 176", STEM, 4)
    small += leaf(337, 180, 38, 35, PALE) + leaf(337, 178, 38, 160, PALE)
    return bag(130, 226) + seedling(130, 230, 150, 3, 62, thick=10, lowest=0.25) + small + this_one(345, 84)


def big_leaf(marks: str, blade: str = "M0 0C50 -92 170 -98 236 0C170 98 50 92 0 0Z") -> str:
    """One leaf of a plant looked at closely."""
    veins = "M0 0H214M56 0L92 -38M56 0L92 38M116 0L152 -34M116 0L152 34"
    whole = drawn("M-30 0H0", width=12) + drawn(blade, FRESH) + drawn(veins) + marks
    return lens(liner(84), (112, 108, 24), 172, 468, moved(whole, 226, 196, -18))


def disease() -> str:
    spots = ((40, -24, 13), (78, 30, 15), (104, -50, 12), (136, 34, 13), (148, -18, 16), (190, 8, 12), (34, 22, 9))
    return big_leaf("".join(disc(x, y, r + 5, PALE, BROWN) + disc(x, y, r / 2.6, BROWN, BROWN) for x, y, r in spots))


def pest() -> str:
    rings = "".join(disc(60 + 22 * n, 36 - 9 * math.sin(n * 1.1), 14, PALE) for n in range(5))
    face = disc(152, 36, 16, BROWN) + drawn("M158 22L168 8M164 28L180 20", width=4)
    return big_leaf(
        rings + face,
        "M0 0C20 -38 42 -58 62 -66A27 27 0 0 0 114 -74C124 -75 132 -74 140 -71A25 25 0 0 0 186 -50C206 -36 222 -20 236 0"
        "C170 98 50 92 0 0Z",
    )


def broken() -> str:
    tips = "".join(leaf(0, -62 + down, 58, turn) for down, turn in ((20, -30), (16, -150), (0, -90)))
    top = moved(rod(0, 0, 0, -62, STEM, 10) + tips, 262, 138, 118)
    splinter = drawn("M230 148L238 122L244 138L250 120L254 150Z", PALE)
    return bag(240, 226) + rod(240, 228, 240, 146, STEM, 12) + splinter + drawn("M252 140L266 144", width=9) + top


def drooping(x: float, top: float, fill: str) -> str:
    stem = curve("M0 4V-110C0 -144 24 -148 26 -130", STEM, 8)
    at = ((0, -60, 62), (0, -64, 118), (0, -104, 56), (0, -108, 124), (26, -132, 82))
    return bag(x, top) + moved(stem + "".join(leaf(dx, dy, 54, turn, fill) for dx, dy, turn in at), x, top)


def frost() -> str:
    arm = drawn("M0 0V-62M-18 -56L0 -38L18 -56M-13 -30L0 -18L13 -30", width=7)
    return drooping(140, 226, RULE) + "".join(moved(arm, 350, 120, 60 * n) for n in range(6))


def heat() -> str:
    rays = "".join(moved(drawn("M0 -66V-92", width=8), 350, 116, 45 * n) for n in range(8))
    return drooping(140, 226, WITHERED) + disc(350, 116, 46, PEEL) + rays


def stump_of(x: float, top: float, tall: float) -> str:
    """A rootstock cut back above its living bud; the cut slopes."""
    bud = moved(drawn(PATCH, FRESH, width=12) + drawn(BUD, LEAF, width=12), x, top - 38, 0, 0.34)
    face = curve(f"M{x - 10} {top - tall}L{x + 10} {top - tall - 8}", PALE, 8)
    return rod(x, top, x, top - tall, STEM, 24) + face + bag(x, top, 84, 76) + bud


def cut_back() -> str:
    stump = stump_of(230, 236, 84)
    tips = "".join(leaf(0, -62 + d, 52, t) for d, t in ((30, -25), (26, -155), (0, -30), (-4, -150), (-12, -90)))
    top = moved(rod(0, 0, 0, -66, STEM, 24) + tips, 186, 146, -62)
    return stump + top + shears(262, 140, -10)


def stub_length() -> str:
    stem = drawn("M220 340V84L320 54V340Z", STEM) + drawn("M220 84L320 54L314 72L228 98Z", PALE)
    patch = moved(drawn(CUT) + drawn(PATCH, FRESH) + drawn(BUD, LEAF), 270, 236, 0, 0.8)
    return lens(stump_of(84, 224, 76), (84, 172, 40), 196, 468, stem + patch + measure(392, 68, 230, 326, 436))


def budling(x: float, tip: float, stake_to: float, leaves_at: Iterable[int]) -> str:
    """A bag with a stake, the shoot tied to it, and the stub beside which that grew."""
    stakes = rod(x - 22, 236, x - 22, stake_to, WITHERED, 12)
    shoot = curve(f"M{x + 16} 218C{x + 4} 212 {x} 198 {x} 178V{tip}", FRESH, 7)
    ties = "".join(drawn(f"M{x - 26} {y - 7}l30 14M{x - 26} {y + 7}l30 -14", line=PEEL, width=7) for y in (122, 174))
    leaves = "".join(leaf(x, y, 54, -24) for y in leaves_at)
    return stakes + rod(x + 18, 236, x + 18, 204, STEM, 16) + bag(x, 238, 84, 76) + shoot + leaves + ties


def staked() -> str:
    return budling(240, 70, 26, (184, 148, 112)) + leaf(240, 82, 46, -30) + leaf(240, 72, 46, -96)


def topped() -> str:
    level = drawn("M70 84H440", line=PEEL, more=DOTS)
    tip = rod(0, 0, 0, -18, FRESH, 7) + leaf(0, -8, 40, -25) + leaf(0, -6, 40, -155) + leaf(0, -18, 40, -90)
    return level + budling(210, 92, 86, (190, 156)) + moved(tip, 204, 66, -14) + shears(226, 80, 0)


def height() -> str:
    return bag(190, 226) + seedling(190, 230, 150, 3, 56, thick=10, lowest=0.25) + measure(350, 24, 226, 200, 400)


def stem_width() -> str:
    arrow = drawn("M-44 0H-8M-26 -15L-8 0L-26 15", line=PEEL, width=9)
    return near(moved(arrow, BUD_X - 58, 170) + moved(arrow, BUD_X + 58, 170, 180), taped=False)


def bench(first: int, last: int) -> str:
    """Plants of a group from above, in four columns, of which those from `first` to before `last` are walked now."""
    side = f'x="{24 + 110 * first}" width="{110 * (last - first) - 8}" y="16" height="288" rx="22"'
    made = f'<rect {side} fill="{PALE}" stroke="{PEEL}" stroke-width="9"/>'
    for n in range(12):
        x, y, fill = 75 + 110 * (n // 3), 64 + 96 * (n % 3), FRESH if first <= n // 3 < last else "#fff"
        made += disc(x, y, 8, fill) + "".join(leaf(x, y, 38, turn, fill) for turn in (45, 135, 225, 315))
    return made


def group_whole() -> str:
    return bench(0, 4)


def group_part() -> str:
    return bench(0, 2) + moved(this_one(0, -23), 262, 160, -90, 1.5)


def group_last_part() -> str:
    return bench(2, 4) + sign("tick", 130, 160)


ON_LEAF = 112, 108, 24


def looked_at(inside: str, at: tuple[int, int, int] = (84, 96, 24)) -> str:
    """What is in the ring `at` (x, y, radius) of a small plant, its tip if nothing is said, large."""
    return lens(liner(84), at, 160, 468, inside)


def several(drawing: str, at: Iterable[tuple[float, ...]]) -> str:
    """The same drawing at each of `at` (x, y, and a turn and a size)."""
    return "".join(moved(drawing, *place) for place in at)


def pest_aphid() -> str:
    legs = drawn("M-9 -6L-21 -13M-11 2H-23M-9 10L-20 19M9 -6L21 -13M11 2H23M9 10L20 19M-4 -17L-11 -29M4 -17L11 -29", width=3)
    one = legs + drawn("M-7 20L-11 31M7 20L11 31", width=4)
    one += drawn("M0 -19C8 -19 15 0 14 11C12 22 5 24 0 28C-5 24 -12 22 -14 11C-15 0 -8 -19 0 -19Z", BROWN, width=3)
    shoot = drawn("M276 330C282 220 288 140 300 66L328 66C340 140 346 220 352 330Z", FRESH)
    young = leaf(318, 92, 118, -36) + leaf(310, 92, 118, -146) + leaf(314, 72, 76, -88) + leaf(346, 262, 150, -24)
    at = ((314, 98, 180), (306, 152, 172), (330, 198, 190), (298, 214, 0), (322, 258, 176))
    near_by = ((362, 62, 232), (268, 62, 128), (392, 246, 246), (434, 222, 246))
    return looked_at(shoot + young + several(one, (*at, *near_by)))


def pest_scale() -> str:
    stem = drawn("M236 -10V330H336V-10Z", STEM) + leaf(336, 250, 170, -34, broad=0.34)
    domed = drawn("M0 -25C17 -25 24 -10 24 4C24 18 13 26 0 26C-13 26 -24 18 -24 4C-24 -10 -17 -25 0 -25Z", BROWN, width=4)
    domed += drawn("M-11 -4C-11 -11 -6 -15 0 -15", line=PALE, width=4)
    flat = disc(0, 0, 19, WITHERED) + disc(2, 2, 6, BROWN)
    big = ((262, 52, -8), (306, 84, 12), (264, 122, 0), (314, 160, -14), (268, 196, 8), (302, 246, 0), (258, 282, 20))
    small = ((312, 28, 0, 0.9), (290, 128, 0, 0.6), (288, 214, 0, 0.7), (374, 224, 0), (408, 202, 0, 0.9), (402, 238, 0, 0.7))
    return looked_at(stem + several(domed, big) + several(flat, small), (84, 148, 20))


def pest_mealybug() -> str:
    wax = "".join(f"M{side * 20} {y}L{side * 34} {y * 1.3:g}" for side in (-1, 1) for y in range(-20, 25, 10))
    one = drawn(wax + "M-7 32L-13 58M7 32L13 58", line=ASIDE, width=4)
    one += drawn("M0 -36C17 -36 25 -16 25 4C25 24 14 36 0 36C-14 36 -25 24 -25 4C-25 -16 -17 -36 0 -36Z", "#fff", width=4)
    one += drawn("M-18 -18H18M-23 -4H23M-22 10H22M-16 23H16", line=ASIDE, width=3)
    fluff = "".join(disc(x, y, r, "#fff", ASIDE) for x, y, r in ((-16, 8, 17), (14, 6, 19), (0, -10, 18), (2, 18, 15)))
    stem = drawn("M252 -10V330H316V-10Z", STEM)
    stalk = curve("M314 214C346 196 360 186 380 160", FRESH, 16) + leaf(376, 164, 150, -52, broad=0.34)
    other = curve("M254 120C230 110 214 98 204 84", FRESH, 16) + leaf(206, 88, 90, -128, broad=0.34)
    at = ((286, 58, 14), (280, 150, -18), (290, 258, 200, 0.9), (388, 120, 40, 0.7))
    return looked_at(stem + stalk + other + several(fluff, ((336, 190, 0, 1.1), (236, 104, 0, 0.9))) + several(one, at))


def pest_spider_mite() -> str:
    blade = "M0 0C40 -86 150 -98 224 0C150 98 40 86 0 0Z"
    whole = drawn("M-40 0H0", width=12) + drawn(blade, FRESH) + drawn("M0 0H206", width=4)
    grid = [(20 + 13 * n, side * (12 + 13 * row)) for n in range(15) for row in range(5) for side in (-1, 1)]
    spread = [(round(x + 5 * math.sin(7 * x + 3 * y)), round(y + 4 * math.sin(5 * x + 11 * y))) for x, y in grid]
    kept = [(x, y) for x, y in spread if abs(y) < 66 * math.sin(math.pi * min(x + 6, 236) / 236) - 8]
    stippled = drawn("".join(f"M{x} {y}h.1" for x, y in kept), line=PALE, width=6)
    threads = (
        "M196 238L236 66M220 224L316 62M256 208L392 88M300 190L430 116"
        "M196 122C250 110 330 118 420 150M190 168C240 150 300 148 372 170M206 90C260 74 330 74 410 104"
    )
    legs = "M-8 -6L-20 -14M-9 -2L-23 -4M-9 4L-22 8M-7 8L-17 18M8 -6L20 -14M9 -2L23 -4M9 4L22 8M7 8L17 18"
    body = "M0 -14C8 -14 12 -5 12 3C12 11 6 14 0 14C-6 14 -12 11 -12 3C-12 -5 -8 -14 0 -14Z"
    one = moved(drawn(legs, width=4) + drawn(body, ALARM, width=3), 0, 0, 0, 0.75)
    mites = several(one, ((256, 200, 50), (330, 150, -20), (376, 200, 100), (236, 130, 30), (410, 128, 70)))
    return looked_at(moved(whole + stippled, 206, 208, -14) + drawn(threads, line=ASIDE, width=2) + mites, ON_LEAF)


def hooked(x: float, y: float, turn: float, size: float, side: int) -> str:
    """A narrow leaf of which the edges and the tip have curled under."""
    blade = drawn("M0 0C20 -24 62 -26 84 -4C98 10 94 36 72 38C60 38 56 26 64 20C56 4 30 10 0 0Z", STEM)
    blade += drawn("M8 -2C34 -10 60 -10 76 6", width=3)
    return moved(f'<g transform="scale(1 {side})">{blade}</g>', x, y, turn, size)


def pest_broad_mite() -> str:
    sound = ground(306) + rod(120, 304, 120, 76, STEM, 9) + leaf(120, 84, 74, -90)
    for y in (240, 176, 116):
        sound += leaf(120, y, 92, -26) + leaf(120, y - 12, 92, -154)
    sick = rod(350, 304, 350, 118, STEM, 9) + leaf(350, 256, 92, -26) + leaf(350, 244, 92, -154)
    curled = ((350, 196, -30, 1, 1), (350, 188, -150, 1, -1), (350, 158, -48, 0.95, 1), (350, 152, -132, 0.95, -1))
    tips = ((352, 122, -66, 0.85, 1), (348, 122, -114, 0.85, -1))
    return sound + sick + "".join(hooked(*place) for place in (*curled, *tips)) + this_one(350, 2)


def pest_leafminer() -> str:
    first = "M28 16C40 -2 44 -36 66 -46C84 -50 86 -28 76 -14C68 0 82 14 96 8"
    then = "M96 8C112 0 104 -42 124 -54C142 -62 148 -40 138 -26C128 -12 140 -2 154 -8C170 -16 164 -38 180 -34"
    lower = "M62 24C54 44 70 62 86 54C100 46 94 28 110 28C126 28 116 56 132 58C150 58 144 30 160 28"
    tracks = ""
    for way, wide in ((first, 9), (then, 14), (lower, 12)):
        tracks += drawn(way, line=LEAF, width=wide + 5) + drawn(way, line="#fff", width=wide) + drawn(way, line=BROWN, width=2)
    rolled = drawn("M150 66C176 62 204 38 222 6C226 26 206 70 160 84C148 84 140 74 150 66Z", STEM)
    return big_leaf(tracks + rolled)


def pest_leaf_spot() -> str:
    flat = ((-6, -56, 16), (22, -14, 20), (-22, 12, 13), (10, 44, 17), (-12, 78, 12))
    spots = "".join(disc(x, y, r, PALE, PALE) + disc(x, y, r * 0.62, BROWN, BROWN) for x, y, r in flat)
    stalk = drawn("M0 148V120", width=12)
    one = stalk + drawn("M0 122C-70 92 -74 -40 0 -128C74 -40 70 92 0 122Z", FRESH) + drawn("M0 122V-108")
    bent = (
        "M0 122C-30 108 -58 92 -54 56C-50 34 -70 20 -58 -14C-50 -34 -56 -64 0 -122"
        "C40 -86 34 -62 52 -40C70 -10 44 14 58 44C66 84 32 110 0 122Z"
    )
    two = stalk + drawn(bent, FRESH) + drawn("M0 122C8 60 -10 0 0 -108")
    wart = drawn("M-17 9L-14 -6L-5 -15L4 -9L13 -11L18 6L9 13L-4 10Z", WITHERED, width=4)
    warts = ((-30, -32), (26, -60, 40), (22, -10, 90), (-34, 30, 20), (32, 40, 160), (-10, 78, 60), (-2, -76, 100, 0.8))
    pair = moved(one + spots, 238, 158, -8) + moved(two + several(wart, warts), 388, 158, 8)
    return looked_at(pair, ON_LEAF)


def pest_thrips() -> str:
    streaks = (
        "M16 -12C50 -32 92 -40 150 -26C180 -20 196 -12 206 -6C150 -14 90 -16 16 -12Z",
        "M22 12C60 34 104 34 176 16C120 44 60 46 22 12Z",
    )
    specks = drawn("M60 -26h.1M96 -30h.1M126 -22h.1M154 -20h.1M70 28h.1M112 32h.1", width=7)
    young = drawn("M-15 0C-12 -7 6 -7 17 0C6 7 -12 7 -15 0Z", PEEL, width=3)
    small = several(young, ((46, -50, 40), (128, 54, -20), (180, -44, 70), (84, 58, 10)))
    blade = drawn("M-30 0H0", width=12) + drawn("M0 0C50 -92 170 -98 236 0C170 98 50 92 0 0Z", FRESH) + drawn("M0 0H214")
    hairs = "".join(f"M{side * 15} {y}L{side * 31} {y + 15}" for side in (-1, 1) for y in range(8, 62, 9))
    legs = "M-9 -42L-24 -56M-10 -28L-28 -30M-9 -14L-26 0M9 -42L24 -56M10 -28L28 -30M9 -14L26 0M-4 -62L-12 -80M4 -62L12 -80"
    wings = drawn("M5 -22C18 0 20 40 14 66C7 50 3 10 5 -22ZM-5 -22C-18 0 -20 40 -14 66C-7 50 -3 10 -5 -22Z", RULE, width=3)
    body = (
        "M0 -64C7 -64 9 -56 8 -48C13 -40 13 -22 11 -10C14 10 9 50 0 82"
        "C-9 50 -14 10 -11 -10C-13 -22 -13 -40 -8 -48C-9 -56 -7 -64 0 -64Z"
    )
    one = drawn(hairs, width=2) + drawn(legs, width=4) + drawn(body, PEEL, width=4) + wings
    sick = moved(blade + "".join(drawn(s, RULE, ASIDE, 3) for s in streaks) + specks + small, 212, 150, -18)
    return looked_at(sick + moved(one, 392, 228, 62, 0.9), ON_LEAF)


def pest_whitefly() -> str:
    blade = "M0 0C56 -110 190 -116 264 0C190 116 56 110 0 0Z"
    veins = "M0 0H240M56 0L98 -46M120 0L166 44"
    under = drawn("M-40 0H0", width=14) + drawn(blade, STEM) + drawn(veins, line=LEAF, width=6)
    rest = "M0 -13C-15 -10 -23 16 -19 26C-12 32 -4 28 0 18C4 28 12 32 19 26C23 16 15 -10 0 -13Z"
    sitting = disc(0, -15, 7, PEEL) + drawn(rest, "#fff", width=4) + drawn("M0 -10V16", width=3)
    wing = drawn("M0 0C8 -22 34 -30 40 -18C40 -6 18 6 0 0ZM0 2C14 4 30 10 26 20C16 26 4 14 0 2Z", "#fff", width=4)
    body = drawn("M0 -10V16", width=13) + drawn("M0 -10V16", line=PEEL, width=7)
    flying = wing + f'<g transform="scale(-1 1)">{wing}</g>' + body
    young = drawn("M0 -11C7 -11 10 -4 10 2C10 8 5 12 0 12C-5 12 -10 8 -10 2C-10 -4 -7 -11 0 -11Z", PALE, width=3)
    flies = several(flying, ((214, 90, -30), (316, 54, 10), (420, 78, 24)))
    on_leaf = several(young, ((300, 176), (270, 234), (388, 222), (336, 254)))
    on_leaf += several(sitting, ((252, 206, -30), (346, 206, 140), (398, 160, 70), (346, 138, -10), (300, 240, 200)))
    return looked_at(moved(under, 198, 214, -10) + on_leaf + flies, ON_LEAF)


def pest_psyllid() -> str:
    notched = "M0 0C24 -40 50 -48 74 -44L84 -18L98 -38C116 -32 128 -18 140 0C122 30 92 42 68 40C44 38 20 26 0 0Z"
    flush = drawn(notched, FRESH) + drawn("M0 0H104", width=3)
    shoot = curve("M306 330C310 240 304 160 306 86", FRESH, 24)
    at = ((312, 262, -22), (300, 246, -158), (310, 156, -30), (302, 150, -146), (306, 92, -90, 0.5))
    adult = drawn("M-50 -6L-68 -16M-52 2L-70 4M-36 10L-44 28M-22 12L-24 32M-8 10L2 28", width=4)
    adult += drawn("M-54 2C-56 -12 -42 -20 -28 -16H4V10H-30C-42 14 -52 12 -54 2Z", BROWN, width=4)
    adult += drawn("M-26 -10C-8 -26 40 -34 62 -22C72 -12 66 6 50 10C22 16 -14 8 -26 -10Z", PALE, width=4)
    adult += drawn("M8 -18h.1M30 -20h.1M50 -16h.1M18 0h.1M42 2h.1", line=BROWN, width=9)
    wax = "M0 22C-10 30 12 34 2 44C-4 50 6 54 10 52"
    nymph = drawn(wax, line=INK, width=9) + drawn(wax, line="#fff", width=5)
    nymph += drawn("M0 -18C12 -18 17 -6 15 6C13 16 8 20 0 20C-8 20 -13 16 -15 6C-17 -6 -12 -18 0 -18Z", PEEL, width=4)
    nymphs = several(nymph, ((306, 104, 0, 0.8), (300, 198, -12), (318, 288, 10)))
    return looked_at(shoot + several(flush, at) + nymphs + several(adult, ((386, 200, -45), (392, 86, -45))))


def pest_snail() -> str:
    foot = drawn("M-118 42C-96 10 -70 18 -40 14H60C92 14 96 -4 100 -30C108 -46 128 -40 126 -20C124 20 108 42 70 42Z", WITHERED)
    horns = drawn("M104 -36L98 -66M118 -38L126 -66", width=5) + disc(98, -68, 4, INK) + disc(126, -68, 4, INK)
    coil = drawn("M56 -34C56 0 30 14 8 6C-20 -4 -22 -42 2 -50C24 -56 40 -34 24 -20C14 -12 2 -20 6 -30", width=6)
    slug = drawn("M96 26C60 0 20 -22 -28 -18C-56 -16 -62 -40 -78 -38C-94 -36 -88 4 -66 18C-50 26 60 26 96 26Z", ASIDE)
    slug += drawn("M10 -18C4 4 -18 10 -44 4M-74 -38L-68 -60M-84 -34L-92 -56", width=5)
    eaten = (
        "M0 0C10 -24 26 -34 38 -38A16 16 0 0 0 66 -42A20 20 0 0 0 104 -34C128 -22 140 -10 152 0C136 14 124 22 112 27"
        "A18 18 0 0 0 82 35C50 38 20 24 0 0Z"
    )
    gnawed = drawn(eaten, FRESH) + drawn("M0 0H112", width=3) + disc(58, 8, 11, "#fff") + disc(94, 6, 8, "#fff")
    plant = rod(262, 290, 262, 100, STEM, 9) + several(gnawed, ((262, 138, -18), (262, 132, -158), (262, 104, -88, 0.6)))
    snail = moved(foot + horns + disc(-2, -34, 58, PEEL) + coil, 124, 256, 0, 0.8)
    return plant + ground(292) + snail + moved(slug, 384, 264, 0, 0.85)


def pest_sooty() -> str:
    film = (
        "M12 -10C24 -48 56 -64 90 -68C128 -74 170 -62 204 -32C222 -14 226 6 212 18C198 24 196 40 176 48C160 44 150 66 124 66"
        "C108 60 96 72 78 64C66 54 48 60 36 44C26 34 10 16 12 -10Z"
    )
    wiped = "M84 66C78 30 92 -10 118 -62L156 -56C130 -16 120 26 128 62C112 66 100 68 84 66Z"
    soot = drawn(film, INK) + drawn(wiped, FRESH, FRESH, 2) + drawn("M84 0H128", width=4)
    edge = drawn("M20 30h.1M30 52h.1M208 36h.1M192 54h.1M28 -44h.1M214 -30h.1M142 72h.1", width=9)
    fist = "M-17 -78C-17 -100 17 -100 17 -78V-16C40 -22 74 -14 76 8C78 40 66 66 50 84V120H-14V86C-30 70 -36 40 -17 14Z"
    hand = drawn(fist, WITHERED) + drawn("M17 -16V18M37 -18V22M57 -14V22M-17 14C-6 26 10 30 24 26", width=4)
    hand += drawn("M-14 -72C-14 -92 14 -92 14 -72C8 -66 -8 -66 -14 -72Z", INK, width=2)
    return big_leaf(soot + edge) + moved(hand, 372, 286, -20, 0.86)


def pest_blotch() -> str:
    left = (
        "M-8 96C-30 104 -66 70 -68 34C-62 20 -44 34 -40 46C-30 44 -20 64 -8 60Z",
        "M-8 -34C-22 -24 -34 -40 -50 -30C-60 -44 -40 -84 -26 -96C-16 -98 -24 -74 -8 -70Z",
        "M-22 0C-10 -12 -10 12 -20 16C-32 20 -36 4 -22 0Z",
    )
    right = "M40 -44C54 -40 66 -16 58 -8C44 -6 30 -30 40 -44Z", "M20 84C30 76 40 84 34 94C26 102 14 96 20 84Z"
    blade = "M0 130C-96 96 -98 -50 0 -136C98 -50 96 96 0 130Z"
    veins = "M0 130V-118M0 82L-50 48M0 82L50 48M0 30L-56 -4M0 30L56 -4M0 -24L-44 -56M0 -24L44 -56"
    blotches = "".join(drawn(p, PALE, PALE, 4) for p in (*left, *right))
    whole = drawn("M0 176V130", width=12) + drawn(blade, FRESH) + blotches + drawn(veins)
    return looked_at(moved(whole, 314, 152, 8), ON_LEAF)


ROOTS = (
    "M0 0C4 40 -6 80 0 142",
    "M0 18C-30 30 -56 40 -70 78M-40 36C-48 56 -44 76 -54 100M0 50C-20 64 -30 84 -34 122",
    "M0 24C26 32 50 44 66 74M36 38C44 60 40 80 52 104M0 60C20 72 26 96 30 126",
)


def rooted(x: float, fill: str, ways: Iterable[str], thick: float, more: str = "") -> str:
    """A seedling above the line of the soil, its roots below."""
    roots = "".join(curve(way, fill, thick) for way in ways)
    return ground(132) + seedling(x, 134, 38, 1, 50, thick=9, lift=14, lowest=0.7) + moved(roots + more, x, 138, 0, 1.16)


def pest_nematode() -> str:
    large = ((0, 38), (-30, 30, 80), (-58, 56, 15), (24, 34, 70), (56, 60, -15), (42, 72))
    small = ((-2, 80), (-46, 80), (-22, 72), (20, 80), (29, 112), (-33, 108), (0, 120))
    knot = drawn("M0 -15C8 -15 12 -8 12 0C12 8 8 15 0 15C-8 15 -12 8 -12 0C-12 -8 -8 -15 0 -15Z", WITHERED, width=4)
    swollen = several(knot, large) + several(knot, ((x, y, 0, 0.85) for x, y in small))
    return rooted(126, PALE, ROOTS, 5) + rooted(352, PALE, ROOTS, 5, swollen) + this_one(352, 0)


def pest_root_rot() -> str:
    left = "M0 0C4 40 -6 60 0 92", "M0 18C-24 28 -44 38 -54 62", "M0 24C22 32 38 42 48 60"
    slipped = drawn("M0 92C2 108 -4 122 2 140M-54 62C-62 76 -58 92 -68 108M48 60C58 76 54 92 64 112", width=3)
    skin = several(curve("M0 0C4 10 -4 18 2 28", BROWN, 9), ((-22, 104, 30), (30, 110, -20), (-64, 128, 60)))
    return rooted(126, "#fff", ROOTS, 6) + rooted(352, BROWN, left, 11, slipped + skin) + this_one(352, 0)


def pest_damping() -> str:
    def up(x: float) -> str:
        return rod(x, 226, x, 148, FRESH, 6) + leaf(x, 152, 50, -34) + leaf(x, 152, 50, -146)

    def fallen(x: float) -> str:
        lying = curve(f"M{x + 12} 206C{x + 34} 186 {x + 58} 190 {x + 78} 208", STEM, 6)
        thin = drawn(f"M{x} 226C{x - 2} 212 {x + 4} 208 {x + 14} 204", line=BROWN, width=6)
        return thin + leaf(x + 76, 208, 46, -8, STEM) + leaf(x + 74, 206, 44, -58, STEM) + lying

    tray = drawn("M24 224H456L440 300H40Z", ASIDE) + drawn("M24 224H456L453 242H27Z", SOIL)
    return tray + up(76) + fallen(134) + up(408) + fallen(254) + this_one(180, 106) + this_one(300, 106)


def pest_collar() -> str:
    stem = drawn("M252 -10C256 120 250 200 222 262H406C378 200 372 120 376 -10Z", STEM)
    rot = (
        "M238 262C246 226 256 200 266 176C272 130 284 112 298 96C308 90 316 106 318 128C330 132 340 146 344 168"
        "C352 190 358 226 366 262Z"
    )
    cracks = drawn("M272 252C266 232 282 216 276 196M296 150C302 136 296 126 300 114M350 250C344 236 350 226 342 214", width=4)
    ways = "M302 124C298 150 308 170 302 206M334 168C332 186 340 206 336 232M270 184C266 198 272 206 268 222"
    runs = drawn(ways, width=20) + drawn(ways, line=PEEL, width=12)
    bead = disc(0, 0, 17, PEEL) + drawn("M-8 4C-8 9 -4 12 0 12", line="#fff", width=4)
    gum = runs + several(bead, ((302, 212, 0, 1.1), (336, 236, 0), (268, 226, 0, 0.8)))
    soil = drawn("M150 258H478V330H150Z", SOIL)
    return looked_at(stem + drawn(rot, BROWN) + cracks + soil + gum, (84, 200, 22))


PICTURES = {
    f.__name__: f
    for f in (
        *(bud_green, bud_brown, bud_unsure, dead_or_gone, plant_dead, plant_gone, off_type, bent_root, etiolated, weak),
        *(disease, pest, broken, frost, heat, cut_back, stub_length, staked, topped, height, stem_width),
        *(group_whole, group_part, group_last_part),
        *(pest_aphid, pest_blotch, pest_broad_mite, pest_collar, pest_damping, pest_leafminer, pest_leaf_spot, pest_mealybug),
        *(pest_nematode, pest_psyllid, pest_root_rot, pest_scale, pest_snail, pest_sooty, pest_spider_mite, pest_thrips),
        pest_whitefly,
    )
}


def svg(name: str) -> str:
    size = f'width="{WIDTH}" height="{HEIGHT}"'
    head = f'<svg xmlns="http://www.w3.org/2000/svg" {size} viewBox="0 0 {WIDTH} {HEIGHT}"><rect {size} fill="#fff"/>'
    return f'{head}<g stroke-linecap="round" stroke-linejoin="round">{PICTURES[name]()}</g></svg>\n'


def png(source: str) -> Image.Image:
    """The picture in the colours of the palette and three steps from each to ink, so that the file is small."""
    import resvg_py

    ink, *colours = (ImageColor.getrgb(c) for c in (INK, *COLOURS))
    steps = [
        ink,
        *(tuple(round(a + (b - a) * n / 4) for a, b in zip(ink, c, strict=True)) for c in colours for n in range(1, 5)),
    ]
    palette = Image.new("P", (1, 1))
    palette.putpalette([part for colour in steps for part in colour])
    with Image.open(io.BytesIO(bytes(resvg_py.svg_to_bytes(svg_string=source)))) as made:
        return made.convert("RGB").quantize(palette=palette, dither=Image.Dither.NONE)


if __name__ == "__main__":
    for name in PICTURES:
        (FOLDER / f"{name}.svg").write_text(svg(name), encoding="utf-8")
        png(svg(name)).save(FOLDER / f"{name}.png", optimize=True)
