from __future__ import annotations

import pytest

from pipeline.formulas.take import Buds, fold_readings


@pytest.mark.parametrize(
    ("buds_set", "days", "comes_to"),
    [
        (1000, [(900, 50, 50, 0)], (900, 50, 50, 0)),
        (1000, [(900, 50, 50, 0), (40, 10, 0, 0)], (940, 60, 0, 0)),
        (1000, [(900, 50, 50, 0), (20, 10, 0, 0)], (920, 60, 20, 0)),
        (1000, [(900, 50, 50, 0), (20, 10, 20, 0), (15, 5, 0, 0)], (935, 65, 0, 0)),
        (1000, [(450, 30, 20, 0), (480, 20, 0, 0)], (930, 50, 20, 0)),
        (1000, [(890, 50, 50, 0), (45, 5, 0, 0)], (935, 55, 0, 0)),
        (1000, [(890, 50, 50, 0), (55, 15, 0, 0)], (945, 65, 0, 0)),
        (10, [(0, 0, 0, 0)], (0, 0, 0, 0)),
    ],
)
def test_later_readings_replace_the_unsure_buds(buds_set: int, days: list[Buds], comes_to: Buds) -> None:
    assert fold_readings(buds_set, days) == comes_to
