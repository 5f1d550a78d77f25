"""Reading a rising curve backwards, against scipy's bracketing solver and closed forms."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from needlecalc.errors import InputError
from needlecalc.physics.rising import rising_inverse

CURVES = [
    pytest.param(lambda y: y**3, id="cube"),
    pytest.param(np.sqrt, id="root, upright at the low end"),
    pytest.param(lambda y: np.exp(5.0 * y), id="exponential"),
    pytest.param(lambda y: np.arctan(50.0 * (y - 1.0)), id="step"),
    pytest.param(lambda y: y**1.5 * (1.0 - 0.01 * y), id="throat"),
    pytest.param(lambda y: 3.0 * y + 1.0, id="line"),
]


@pytest.mark.parametrize("curve", CURVES)
def test_agrees_with_scipy(curve):
    goals = np.linspace(curve(np.float64(0.0)), curve(np.float64(2.0)), 33)[1:-1]
    ours = rising_inverse(goals, curve, 0.0, 2.0)
    theirs = [brentq(lambda y, goal=goal: curve(y) - goal, 0.0, 2.0, xtol=1e-15) for goal in goals]
    np.testing.assert_allclose(ours, theirs, rtol=1e-12, atol=1e-14)


@pytest.mark.parametrize("curve", CURVES)
def test_few_calls_are_enough(curve):
    calls = []

    def counted(y):
        calls.append(y)
        return curve(y)

    ends = curve(np.array([0.0, 2.0]))
    rising_inverse(np.linspace(*ends, 501)[1:-1], counted, 0.0, 2.0)
    assert len(calls) < 40


def test_ends_and_beyond():
    found = rising_inverse([-0.1, 0.0, 4.0, 4.1, np.nan], np.square, 0.0, 2.0)
    np.testing.assert_array_equal(found, [np.nan, 0.0, 2.0, np.nan, np.nan])


def test_the_place_of_a_jump():
    jump = rising_inverse(2.0, lambda y: np.where(y < 0.7, y, y + 10.0), 0.0, 1.0)
    assert jump == pytest.approx(0.7, abs=1e-12)


def test_a_curve_may_bring_its_own_axis():
    slopes = np.array([[1.0], [2.0]])
    np.testing.assert_allclose(rising_inverse([1.0, 1.5], lambda y: slopes * y, 0.0, 4.0), [[1.0, 1.5], [0.5, 0.75]])


@given(st.floats(1e-12, 1.0), st.floats(0.3, 4.0))
def test_powers(share, power):
    assert rising_inverse(share**power, lambda y: y**power, 0.0, 1.0) == pytest.approx(share, rel=1e-9, abs=1e-15)


@pytest.mark.parametrize(
    "curve",
    [lambda y: -y, np.zeros_like, lambda y: np.sin(4.0 * y), lambda y: np.where(y == 0.5, np.nan, y)],
    ids=["falls", "stands still", "turns round", "has a hole"],
)
def test_a_curve_that_does_not_rise_is_refused(curve):
    with pytest.raises(InputError, match=r"does not rise steadily between 0 and 1, .* check the curve"):
        rising_inverse(0.2, curve, 0.0, 1.0)
