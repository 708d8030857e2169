"""Facts about mis-entered numbers, checked over all numbers of four digits.

Swapping two neighbouring digits a, b changes a number by 9 |a - b| 10^k (ordinary bookkeeping practice, proved by going
through them all); one wrong digit changes it by d 10^k, 1 <= d <= 9; x written as 10 x differs by 9 x.
"""

from __future__ import annotations

from collections import Counter

import numpy as np

from pipeline.formulas.miscounts import DIGIT, LEFT_OUT, LENGTH, SWAPPED, TWICE, WAYS, sources

ALL = np.arange(0, 10_000)
FOUND = sources(ALL, 20)


def pairs(way: int) -> list[tuple[int, int, float]]:
    """(written, stood, chance) of a way."""
    columns = np.flatnonzero(FOUND.way == way)
    return [(int(y), int(FOUND.stood[y, c]), float(FOUND.chance[y, c])) for c in columns for y in ALL if FOUND.stood[y, c] >= 0]


def test_every_swap_is_a_multiple_of_nine_and_none_is_missing() -> None:
    found = pairs(SWAPPED)
    digit_anywhere = {d * 10**k for d in range(1, 10) for k in range(5)}
    assert all(abs(y - x) % 9 == 0 and abs(y - x) // 9 in digit_anywhere for y, x, _ in found)
    wanted = set()
    for x in range(100_000):
        text = str(x)
        for i in range(len(text) - 1):
            other = text[:i] + text[i + 1] + text[i] + text[i + 2 :]
            if other != text and int(other) < 10_000:  # 0126 for 1026 is 126
                wanted.add((int(other), x))
    assert {(y, x) for y, x, _ in found} == wanted


def test_one_wrong_digit_changes_one_place() -> None:
    found = pairs(DIGIT)
    assert len(found) == len({(y, x) for y, x, _ in found})
    for y, x, _ in found[::97]:
        assert len(str(x)) == len(str(y)) and sum(a != b for a, b in zip(str(x), str(y), strict=True)) == 1
    differences = {abs(y - x) for y, x, _ in found}
    # a number does not begin with 0, so a first digit is at most 8 off
    assert differences == {d * 10**k for d in range(1, 10) for k in range(4)} - {9000}
    # of them only 9 against 0 is a multiple of nine
    nines = [(str(y), str(x)) for y, x, _ in found if (y - x) % 9 == 0]
    assert all({a for i, a in enumerate(x) if a != y[i]} <= {"0", "9"} for y, x in nines)


def test_a_digit_more_or_less() -> None:
    found = {(y, x) for y, x, _ in pairs(LENGTH)}
    assert {(94, 940), (9400, 940), (99, 990)} <= found
    assert (990, 99) not in found and (9940, 940) in found and (940, 9402) in found and (40, 40) not in found
    # x written as 10 x or with its last 0 left out differs by nine times the smaller
    assert all((x - y) % 9 == 0 for y, x in found if x == 10 * y)


def test_chances_of_what_may_be_written_add_up_to_one_at_most() -> None:
    for way in (SWAPPED, DIGIT):
        total: Counter[int] = Counter()
        for _, x, chance in pairs(way):
            total[x] += chance
        assert max(total.values()) < 1 + 1e-12
        if way == SWAPPED:
            # what can be swapped at all is swapped for certain, given that its digits were swapped
            assert all(abs(total[x] - 1) < 1e-12 for x in (1234, 940, 4100, 12))


def test_crates() -> None:
    stood = dict(zip(FOUND.stood[933][FOUND.way == LEFT_OUT], FOUND.chance[933][FOUND.way == LEFT_OUT], strict=True))
    assert stood[953] > stood[973] > stood[993] and stood[953] > stood[954] > 0
    twice = FOUND.stood[933][FOUND.way == TWICE]
    assert 913 in twice and 953 not in twice
    assert FOUND.stood[10][FOUND.way == TWICE].max() == -1 or FOUND.stood[10][FOUND.way == TWICE].min() == -1


def test_ways_are_named() -> None:
    assert len(WAYS) == 8 and len(set(WAYS)) == 8
