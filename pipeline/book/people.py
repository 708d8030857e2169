"""How people count, and a word where somebody's counts are the number the phone showed."""

from __future__ import annotations

from typing import Any

from formpack.group_code import shown
from formpack.words import listed, tr
from pipeline.stages import Work

_LEAST_COUNTS, _BEYOND, _CHANCE = 10, 0.3, 0.01
"""Counts are said to be copied when there are ten or more, three in ten more of them agree than chance gives, and so many
would come about by chance in one of a hundred nurseries."""
_TO_COUNT = """
SELECT c.staff_codes, c.group_code FROM work.counts c JOIN work.standing s USING (group_code)
WHERE c.is_last AND s.high > 0 ORDER BY s.high - s.low DESC, c.group_code
"""


def judge_counting(work: Work) -> None:
    """work.staff_counting: one row a person of `counted_by`, with the shares of counts that are the very number shown and what
    is to be said of it."""
    rows = work.rows("SELECT * FROM work.counted_by ORDER BY staff_code")
    to_count: dict[str, list[str]] = {}
    for code, group in work.rows(_TO_COUNT):
        to_count.setdefault(code, []).append(shown(group))
    of_all, shown_to_all = sum(r[6] for r in rows), sum(r[7] for r in rows)
    judged = []
    for staff, counts, exact, error, lean, rounded, agrees, asked, by_chance, flagged in rows:
        others = (of_all - agrees, shown_to_all - asked)
        words = _words(staff, agrees, asked, by_chance, others, len(rows), to_count.get(staff, []))
        shares = (agrees / asked, by_chance / asked) if asked else (None, None)
        judged.append((staff, counts, exact, error, lean, rounded, *shares, flagged, words))
    kinds = {"staff_code": "VARCHAR", "counts": "BIGINT"} | dict.fromkeys(
        ("exact_share", "typical_error", "lean", "rounded_share", "agrees_with_shown", "agrees_by_chance"), "DOUBLE"
    )
    work.put("staff_counting", kinds | {"flagged": "BIGINT", "finding": "VARCHAR"}, judged)


def _words(
    staff: str, agrees: int, asked: int, by_chance: float | None, others: tuple[int, int], people: int, groups: list[Any]
) -> str | None:
    from pipeline.formulas.people import at_least

    if asked < _LEAST_COUNTS:
        return None
    usual = max((by_chance or 0.0) / asked, others[0] / others[1] if others[1] else 0.0)
    if agrees / asked < usual + _BEYOND or at_least(agrees, asked, usual) > _CHANCE / people:
        return None
    numbers = {"agrees": agrees, "asked": asked, "staff": staff}
    if others[1]:
        said = tr(
            "{agrees} of {asked} counts by {staff} are the very number the phone showed; of other people's {of_others} of"
            " {others}.",
            of_others=others[0],
            others=others[1],
            **numbers,
        )
    else:
        said = tr(
            "{agrees} of {asked} counts by {staff} are the very number the phone showed; chance gives about {chance}.",
            chance=round(by_chance or 0),
            **numbers,
        )
    if not groups:
        return said + " " + tr("They say little about what stands: have two of these groups counted by someone else.")
    return (
        said + " " + tr("They say little about what stands: have {groups} counted by someone else.", groups=listed(groups[:2]))
    )
