"""O. L. Davies & P. L. Goldsmith, Statistical Methods in Research and Production (4th ed. 1972): strength of a chemical paste,
ten batches of three casks, two samples each. The data stand in statsmodels (`regression/tests/results/pastes.csv`), beside the
restricted likelihood estimates of R's lme4: mean 60.0533, variance of batches 1.657, of samples 0.678
(`regression/tests/test_lme.py`); that of casks is by statsmodels itself. Here a lot is a sample: its logit is a twentieth of
its strength above 60, its buds so many that chance adds nothing, so that batches and casks are the random parts and rho is what
samples differ by.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
import statsmodels
from scipy import special
from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec

from pipeline.formulas.lot_model import fit_with_rho, one_hot

SCALE = 0.05


def test_batches_and_casks() -> None:
    with (Path(statsmodels.__file__).parent / "regression" / "tests" / "results" / "pastes.csv").open() as file:
        rows = list(csv.DictReader(file))
    strength = np.array([float(r["strength"]) for r in rows])
    batch, cask = (np.unique([r[k] for r in rows], return_inverse=True)[1] for k in ("batch", "sample"))
    buds = np.full(len(rows), 1e9)
    green = buds * special.expit(SCALE * (strength - 60))
    design, where = one_hot({"batch": batch, "cask": cask})
    spread = np.append(np.inf, np.ones(design.width - 1))
    learned = fit_with_rho(green, buds, design, spread, np.zeros(design.width), [where["batch"], where["cask"]])
    casks = [(cask[batch == b][:, None] == np.unique(cask[batch == b])).astype(float) for b in range(10)]
    parts = VCSpec(["cask"], [[[str(i) for i in range(3)] for _ in casks]], [casks])
    linear = MixedLM(strength, np.ones((60, 1)), batch, exog_re=np.ones((60, 1)), exog_vc=parts).fit()
    assert learned.found / SCALE**2 == pytest.approx([1.657, linear.vcomp[0]], rel=0.03)
    # rho is a part of p (1 - p), which is a quarter near one half
    assert learned.rho * 4 / SCALE**2 == pytest.approx(0.678, rel=0.03)
    assert 60 + learned.fitted.coefficients[0] / SCALE == pytest.approx(60.0533, abs=0.02)
