"""P. J. Bickel, E. A. Hammel & J. W. O'Connell, Science 187 (1975) 398-404: admissions to six departments, R's
datasets::UCBAdmissions. Department stands for what was given (the pair), applicant for the bud, sex for the team. The
Mantel-Haenszel ratio and its interval were recomputed with R mantelhaen.test, metafor and statsmodels StratifiedTable.
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.formulas.comparison import compare_teams, odds_ratio

MEN = [(512, 825), (353, 560), (120, 325), (138, 417), (53, 191), (22, 373)]
WOMEN = [(89, 108), (17, 25), (202, 593), (131, 375), (94, 393), (24, 341)]


def columns(rows: list[tuple[int, int]]) -> tuple[np.ndarray, np.ndarray]:
    y, n = (np.array(c, dtype=float) for c in zip(*rows, strict=True))
    return y, n - y


def test_crude_and_adjusted_part() -> None:
    (a, b), (c, d) = columns(MEN), columns(WOMEN)
    assert a.sum() / (a + b).sum() == pytest.approx(0.4451876626, abs=5e-11)
    assert c.sum() / (c + d).sum() == pytest.approx(0.3035422343, abs=5e-11)
    crude = odds_ratio(*(v.sum(keepdims=True) for v in (a, b, c, d)))
    assert crude.ratio == pytest.approx(1.8410800367, rel=1e-9)
    fair = odds_ratio(a, b, c, d)
    assert fair.ratio == pytest.approx(0.9046968283, rel=1e-9)
    assert (fair.low, fair.high) == pytest.approx((0.7719073618, 1.0603297644), rel=1e-9)


def test_the_model_parts_them_too() -> None:
    """Direct standardisation to all applicants gives 0.3873 for men and 0.4300 for women, 0.0426 apart (R); the model
    has no interaction of sex and department, so it stays nearer together, as the Mantel-Haenszel risk difference
    (0.0184) does; but the order turns round, and nobody is flagged once departments may differ as lots do."""
    departments = list("ABCDEF") * 2
    y = [y for y, _ in MEN + WOMEN]
    n = [n for _, n in MEN + WOMEN]
    factors = {"rootstock": departments, "scion": ["s"] * 12}
    found = compare_teams(y, n, factors, ["men"] * 6 + ["women"] * 6, 200)
    assert 0.005 < found["women"].adjusted - found["men"].adjusted < 0.05
    assert found["men"].flag == found["women"].flag == ""
    assert found["men"].low < 0.3873 < found["men"].high and found["women"].low < 0.4300 < found["women"].high
