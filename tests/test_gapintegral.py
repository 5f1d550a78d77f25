"""The integral down a straight gap against quadrature, its slopes against differences."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from needlecalc.physics.strips import mean_inverse_mm4, mean_inverse_slopes_mm5

GAPS = [
    (0.05, 0.05, 2.54),
    (0.05, 0.0500001, 2.54),
    (0.05, 0.052, 2.54),
    (0.02, 0.4, 2.5),
    (0.6, 0.3, 1.9),
    (0.001, 0.09, 2.6),
]


@pytest.mark.parametrize(("first", "last", "wide"), GAPS)
def test_mean_by_quadrature(first, last, wide):
    def inverse(share):
        gap = first + share * (last - first)
        return 1.0 / ((wide - gap) * gap**3)

    expected = quad(inverse, 0.0, 1.0, epsabs=0.0, epsrel=1e-11, limit=200)[0]
    assert mean_inverse_mm4(*map(np.array, (first, last, wide))) == pytest.approx(expected, rel=1e-10)


@pytest.mark.parametrize("ends", GAPS)
def test_slopes_by_differences(ends):
    point = np.array(ends)
    slopes = mean_inverse_slopes_mm5(*point)
    for k, slope in enumerate(slopes):
        step = 1e-5 * ends[k] * (np.arange(3) == k)
        difference = (mean_inverse_mm4(*(point + step)) - mean_inverse_mm4(*(point - step))) / (2e-5 * ends[k])
        assert slope == pytest.approx(difference, rel=1e-6)
