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


PICTURES = {
    f.__name__: f
    for f in (
        *(bud_green, bud_brown, bud_unsure, dead_or_gone, plant_dead, plant_gone, off_type, bent_root, etiolated, weak),
        *(disease, pest, broken, frost, heat, cut_back, stub_length, staked, topped, height, stem_width),
        *(group_whole, group_part, group_last_part),
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
