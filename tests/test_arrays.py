"""The check on floats and arrays: what passes, and what each refusal says."""

import numpy as np
import pytest

from needlecalc.arrays import check_each, check_range
from needlecalc.errors import InputError


def test_numbers_pass_unchanged():
    np.testing.assert_array_equal(check_each([0.0, 2.5, 4.0], "lift_mm", 0.0, 4.0), [0.0, 2.5, 4.0])


def test_nan_passes_only_where_it_may_stand():
    assert np.isnan(check_each(np.nan, "lift_mm", 0.0, allow_nan=True))
    with pytest.raises(InputError, match=r"lift_mm is nan, but must be 0 or more and finite"):
        check_each(np.nan, "lift_mm", 0.0)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (-1.0, r"bore_mm is -1, but must be greater than 0 and at most 9\. Measure it\.$"),
        ([1.0, 0.0], r"bore_mm is 0 \(entry 2 of 2\), but must be greater than 0"),
        ([1.0, 10.0], r"bore_mm is 10 \(entry 2 of 2\), but must be greater than 0 and at most 9"),
        (np.inf, r"bore_mm is inf, but"),
        ("wide", r"bore_mm must be a number or an array of numbers, got 'wide'"),
        (None, r"bore_mm is nan, but must be"),
        ([[1.0], [2.0, 3.0]], r"bore_mm must be a number or an array of numbers"),
    ],
)
def test_refusals(values, words):
    with pytest.raises(InputError, match=words):
        check_each(values, "bore_mm", 0.0, 9.0, open_low=True, cure="Measure it.")


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (7.0, r"bore_mm is 7, but must lie between 1 and 6\. Measure it\.$"),
        (10**400, r"bore_mm is inf, but must lie between 1 and 6"),
        (True, r"bore_mm must be a number, got true"),
        ("2.5", r"bore_mm must be a number, got '2.5'"),
        (float("nan"), r"bore_mm is nan, but must lie between"),
    ],
)
def test_one_number_in_its_range(value, words):
    assert check_range(6, "bore_mm", 1.0, 6.0) == 6.0
    with pytest.raises(InputError, match=words):
        check_range(value, "bore_mm", 1.0, 6.0, cure="Measure it.")
