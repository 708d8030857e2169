"""What stands in many groups together: sums with intervals, by all, stage, rootstock, scion, house and place.

The sums are worked out in `formulas/sums.py` from what is believed of each group and from what groups share, which is one row
of `work.shared_doubt`. Everything that shows a sum of groups shows it from `work.standing_sums`.
"""

from __future__ import annotations

import math
from collections import defaultdict
from statistics import fmean, variance
from typing import Any

import numpy as np

from formpack.words import marked
from pipeline.book.reconcile import rates_of
from pipeline.formulas.sums import SHARES, Shared, draw_sums, sum_intervals
from pipeline.stages import Work

BY = ("all", "stage", "rootstock", "scion", "house", "place")
_LEAN, _WORTH = 0.0003, 2
"""What the counts of each person are off by on average, as a share of what stands (standard deviation between people), before
anything is known of a nursery, and how many people that is worth."""
_CLIP, _CLIPPED = 1.25, 0.65
"""What a count is off by counts up to so many standard deviations of a near count, which leaves about so much of leans."""
_LOSS, _LOST = 6.0, 6.0
"""Plants that a loss takes, and that were lost, before anything is known."""
MIXED, NO_SCION = marked("mixed"), marked("no scion known")
"""Levels of scions that are no scion: of several, and of groups beyond budding whose scion nobody recorded."""
_ROWS = f"""
SELECT s.group_code, s.stage, s.rootstock, coalesce(s.scion,
        CASE WHEN s.mix IS NOT NULL THEN '{MIXED}' WHEN s.stage NOT IN ('tray', 'bag') THEN '{NO_SCION}' END),
    coalesce(h.house, s.location) AS house, s.location, s.book_count,
    n.estimate, n.low, n.high, n.unseen, n.spread
FROM work.standing s JOIN work.stands_now n USING (group_code) LEFT JOIN work.houses h ON h.location = s.location
WHERE s.stage <> 'gone' ORDER BY s.group_code
"""


def share_doubt(work: Work) -> None:
    """work.shared_doubt: one row, what is not known of all groups alike (`formulas.sums.Shared`), to two figures.

    `lean`: the counts of each person are on average off by a share of what was expected by the counts of others; as far as this
    is no lean that is allowed for already, people differ in it by chance, and those who counted last do not even out. `loss`:
    where losses come in clumps, few clumps make a rate (sum of squares over the square of the sum).
    """
    known = {
        code: (lean != 0, open_lean)
        for code, lean, open_lean in work.rows("SELECT staff_code, lean, open_lean FROM work.people")
    }
    most = _CLIP * rates_of(work).rates.error
    off: dict[str, list[float]] = defaultdict(list)
    last: dict[str, int] = defaultdict(int)
    for staff, counted, expected, is_wrong, is_last in work.rows(
        "SELECT staff_codes, counted, expected, p_wrong >= 0.5, is_last FROM work.counts WHERE staff_codes <> ''"
        " ORDER BY group_code, position"
    ):
        for code in set(staff.split()):
            last[code] += is_last
            if expected > 0 and not is_wrong:
                off[code].append(min(max((counted - expected) / expected, -most), most))
    spread = _spread_of([off[code] for code in sorted(off) if len(off[code]) > 1 and not known.get(code, (False,))[0]])
    many = max(1, sum(last.values()))
    squares = [(n / many) ** 2 * max(spread, known.get(code, (False, 0.0))[1]) ** 2 for code, n in sorted(last.items())]
    lost = [n for (n,) in work.rows("SELECT lost FROM work.unrecorded ORDER BY group_code, position")]
    clumps = (math.fsum(n * n for n in lost) + _LOSS * _LOST) / max(math.fsum(lost) + _LOST, _LOST) ** 2
    row = tuple(float(f"{v:.2g}") for v in (math.sqrt(math.fsum(squares)), math.sqrt(min(1.0, clumps))))
    work.put("shared_doubt", {"lean": "DOUBLE", "loss": "DOUBLE"}, [row])


def _spread_of(off: list[list[float]]) -> float:
    """The standard deviation between people of what their counts (clipped) are off by on average."""
    means = [fmean(v) for v in off]
    by_chance = fmean([variance(v) / len(v) for v in off]) if off else 0.0
    square = math.fsum((m - fmean(means)) ** 2 for m in means) - (len(off) - 1) * by_chance if off else 0.0
    return math.sqrt((max(square, 0.0) / _CLIPPED**2 + _WORTH * _LEAN**2) / (max(len(off) - 1, 0) + _WORTH))


def add_up(work: Work) -> None:
    """work.standing_sums: one row a level with something standing. A level of one group is that group."""
    rows = work.rows(_ROWS)
    shared = Shared(*work.rows("SELECT lean, loss FROM work.shared_doubt")[0])
    levels: dict[tuple[str, str | None], list[int]] = {}
    of = np.zeros((len(BY), len(rows)), dtype=np.int64)
    for i, row in enumerate(rows):
        for by, level in zip(BY, ("all", *row[1:6]), strict=True):
            levels.setdefault((by, level), []).append(i)
    number = {level: n for n, level in enumerate(levels)}
    for level, members in levels.items():
        of[BY.index(level[0]), members] = number[level]
    spread = np.array([np.frombuffer(row[11], dtype=np.float32) for row in rows]).reshape(len(rows), len(SHARES))
    unseen = np.array([row[10] for row in rows], dtype=float)
    found = sum_intervals(draw_sums([row[0] for row in rows], spread, unseen, of, len(levels), shared))
    said = [_row(*level, [rows[i] for i in members], *(v[number[level]] for v in found)) for level, members in levels.items()]
    said.sort(key=lambda r: (BY.index(r[0]), -r[3], r[1] or ""))
    kinds = {"by": "VARCHAR", "level": "VARCHAR"} | dict.fromkeys(("groups", "plants", "low", "high", "book_count"), "BIGINT")
    work.put("standing_sums", kinds, said)


def _row(by: str, level: str | None, groups: list[tuple[Any, ...]], mean: float, _: float, low: float, high: float) -> Any:
    book = sum(g[6] for g in groups)
    if len(groups) == 1:
        return by, level, 1, *groups[0][7:10], book
    least, most = math.floor(low), math.ceil(high)
    return by, level, len(groups), min(max(round(mean), least), most), least, most, book
