"""ISPM 31, Methodologies for sampling of consignments (FAO/IPPC 2008), Appendix 2 Table 1: the smallest sample that finds an
affected unit, by the hypergeometric, with N * level rounded down. hypergeom_sample_size.csv is that table worked out with scipy
and counted again here; that the standard prints these numbers was remembered and not read (its contents were, its table was
not): 100: 45, 78, 95; 200: 51, 105, 155, 190; 1000: 57, 138, 258, 450, 950; 200 000: 59, 149, 298, 597, 2972 are.

The smooth approximation is A. R. Cannon, Preventive Veterinary Medicine 49 (2001) 141-163.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest
from scipy.stats import binom, hypergeom

from pipeline.formulas.detection import none_found, sample_size, share_found, wanted

with (Path(__file__).parent / "hypergeom_sample_size.csv").open(encoding="utf-8", newline="") as file:
    ROWS = list(csv.DictReader(file))


def _printed() -> list[tuple[int, float, float, int | None]]:
    """(N, confidence, level, n) of every cell."""
    found = []
    for row in ROWS:
        for column, text in row.items():
            if column != "N":
                confidence, level = column.removeprefix("n").split("_")
                found.append((int(row["N"]), int(confidence) / 100, float(level), int(float(text)) if text else None))
    return found


def test_the_whole_table() -> None:
    cells = _printed()
    assert len(cells) == 310 and sum(n is None for *_, n in cells) > 30
    for plants, confidence, level, n in cells:
        assert sample_size(plants, level, confidence) == n, (plants, confidence, level)


@pytest.mark.parametrize(("plants", "numbers"), [(100, (45, 78, 95)), (200, (51, 105, 155, 190)), (700, (57, 134, 243, 442))])
def test_lines_that_were_remembered_of_the_standard(plants: int, numbers: tuple[int, ...]) -> None:
    assert tuple(sample_size(plants, x) for x in (0.05, 0.02, 0.01, 0.005)[: len(numbers)]) == numbers


def test_it_is_the_smallest_by_scipy_s_hypergeometric_and_near_cannon_s() -> None:
    for plants, confidence, level, n in _printed()[::3]:
        if n is not None:
            affected = math.floor(plants * level + 1e-9)
            assert hypergeom.pmf(0, plants, affected, n) <= 1 - confidence + 1e-12
            assert n == 1 or hypergeom.pmf(0, plants, affected, n - 1) > 1 - confidence
            smooth = (1 - (1 - confidence) ** (1 / affected)) * (plants - (affected - 1) / 2)
            assert abs(n - smooth) <= 1 + 0.01 * n, (plants, level, confidence)


LEVELS = (0.05, 0.02, 0.01, 0.005, 0.001)


@pytest.mark.parametrize(
    ("confidence", "efficacy", "numbers"),
    [
        (0.95, 1.0, (59, 149, 299, 598, 2995)),
        (0.99, 1.0, (90, 228, 459, 919, 4603)),
        (0.95, 0.9, (66, 165, 332, 665, 3328)),
        (0.95, 0.8, (74, 186, 373, 748, 3744)),
        (0.95, 0.5, (119, 299, 598, 1197, 5990)),
    ],
)
def test_lots_without_end(confidence: float, efficacy: float, numbers: tuple[int, ...]) -> None:
    """The binomial, checked with scipy's."""
    assert tuple(sample_size(None, level, confidence, efficacy) for level in LEVELS) == numbers
    for level, n in zip(LEVELS, numbers, strict=True):
        assert binom.pmf(0, n, level * efficacy) <= 1 - confidence < binom.pmf(0, n - 1, level * efficacy)


def test_what_is_overlooked_is_counted_in() -> None:
    """By the sum over all that may be among those examined; of very many plants as without end."""
    brute = sum(hypergeom.pmf(k, 60, 9, 20) * 0.3**k for k in range(10))
    assert none_found(20, 9, 60, 0.7) == pytest.approx(brute, rel=1e-9)
    assert none_found(20, 9, 60) == pytest.approx(hypergeom.pmf(0, 60, 9, 20), rel=1e-12)
    assert abs((sample_size(10_000_000, 0.01, 0.95, 0.8) or 0) - 373) <= 1
    assert sample_size(100, 0.01, 0.95, 0.5) is None, "one affected plant is overlooked half of the time, whatever is examined"


def test_the_share_that_would_have_been_found_is_the_way_back() -> None:
    assert share_found(95, 100) == 0.01 and share_found(94, 100) == 0.02 and share_found(155, 200) == 0.01
    assert share_found(59, None) <= 0.05 < share_found(58, None)
    assert share_found(1, 100) == 0.95 and share_found(1, 100, 0.95, 0.5) == 1.0
    assert share_found(100, 100) == 0.01


def test_a_place_with_few_plants_is_looked_through_for_one() -> None:
    assert wanted(50, 0.01, 0.95, 1.0) == (48, 0.02) and wanted(1000, 0.01, 0.95, 1.0) == (258, 0.01)
    assert wanted(1, 0.01, 0.95, 1.0) == (1, 1.0) and wanted(0, 0.01, 0.95, 1.0) is None
