"""D. A. Williams, "Extra-binomial variation in logistic linear models", Applied Statistics 31 (1982) 144-148, on Crowder's
plates: weights 1 / (1 + phi (n - 1)) with the phi at which the weighted X2 is its degrees of freedom. Estimates and errors
recomputed with R; published phi of the full model 0.0249.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import sparse

from pipeline.formulas.lot_model import fit, fit_with_rho
from tests.published.test_crowder_1978_orobanche import ROOT, SEED, N, Y


@pytest.mark.parametrize(
    ("columns", "phi", "coefficients", "errors"),
    [
        (
            [SEED, ROOT, SEED * ROOT],
            0.0249379734,
            [-0.5354107, 0.0700855, 1.3297941, -0.8195599],
            [0.1937448, 0.3114637, 0.2781708, 0.4352170],
        ),
        ([SEED, ROOT], 0.0348026006, [-0.3670213, -0.3759542, 0.9964556], [0.1887967, 0.2381643, 0.2333144]),
    ],
)
def test_weighted_estimates(columns: list[np.ndarray], phi: float, coefficients: list[float], errors: list[float]) -> None:
    design = sparse.csr_array(np.column_stack([np.ones(21), *columns]).astype(float))
    found = fit(Y, N, design, np.zeros(design.shape[1]), phi)
    assert found.coefficients == pytest.approx(coefficients, abs=1e-6)
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx(errors, abs=1e-6)
    width = design.shape[1]
    chosen, rho, free, *_ = fit_with_rho(Y, N, design, np.full(width, np.inf), np.zeros(width))
    assert free == pytest.approx(21 - width)
    assert rho == pytest.approx(phi, abs=1e-5) and chosen.coefficients == pytest.approx(coefficients, abs=1e-4)
    mean = 1 / (1 + np.exp(-(design @ found.coefficients)))
    fit_of = ((Y - N * mean) ** 2 / (N * mean * (1 - mean)) / (1 + phi * (N - 1))).sum()
    if len(columns) == 3:
        assert fit_of == pytest.approx(17, abs=1e-4)


def test_without_dispersion_it_is_plain_logistic_regression() -> None:
    """The binomial column of the same table."""
    design = sparse.csr_array(np.column_stack([np.ones(21), SEED, ROOT, SEED * ROOT]).astype(float))
    found = fit(Y, N, design, np.zeros(4), 0.0)
    assert found.coefficients == pytest.approx([-0.5581717, 0.1459269, 1.3181819, -0.7781037], abs=1e-6)
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx([0.1260213, 0.2231659, 0.1774677, 0.3064332], abs=1e-6)
