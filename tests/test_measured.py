"""Micrometer readings become a needle: noise levelled, slips refused."""

from __future__ import annotations

import numpy as np
import pytest
from conftest import DIAMETERS_MM, STATIONS_MM
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import lsq_linear

import needlecalc as nc
from needlecalc.parts.measured import listed

STOCK = nc.Needle("stock", STATIONS_MM, DIAMETERS_MM)
FLAT = nc.Needle("flat", STATIONS_MM, np.linspace(2.2, 2.19, 13))  # so little taper that noise reverses it


@settings(max_examples=60, deadline=None)
@given(errors=st.lists(st.floats(-3.0, 3.0), min_size=13, max_size=13))
def test_levelled_readings_are_the_nearest_taper(errors):
    readings = FLAT.diameters_mm - 0.02 + np.array(errors) / 1000
    found = nc.parts.measured_needle(FLAT, readings)
    assert (np.diff(found.diameters_mm) <= 0.0).all()
    # The same least squares by another road: falls that are not negative, from a free start.
    falls = np.column_stack([np.ones(13), -np.tril(np.ones((13, 13)))[:, 1:]])
    other = lsq_linear(falls, readings, (np.r_[-np.inf, np.zeros(12)], np.inf), method="bvls", tol=1e-14)
    np.testing.assert_allclose(found.diameters_mm, falls @ other.x, atol=2e-7)


def test_levelling_is_said_and_metal_does_not_grow():
    readings = DIAMETERS_MM.copy()
    readings[0] += 0.001
    readings[9:11] = [1.8195, 1.8205]
    found = nc.parts.measured_needle(STOCK, readings, name="van, first stop")
    assert found.name == "van, first stop"
    assert "reversals of up to 1.0 um levelled at stations 10 to 11" in found.source
    assert "1 thicker by up to 1.0 um taken as before" in found.source
    np.testing.assert_allclose(found.diameters_mm[[0, 9, 10]], [2.45, 1.82, 1.82], atol=1e-9)
    plain = nc.parts.measured_needle(STOCK, DIAMETERS_MM)
    assert (plain.source, plain.name) == ("measured", "stock, measured")


def test_two_angles_are_averaged_and_the_oval_is_said():
    readings = np.array([DIAMETERS_MM - 0.004, DIAMETERS_MM - 0.006])
    readings[1, 4] -= 0.005
    found = nc.parts.measured_needle(STOCK, readings)
    assert found.diameters_mm[4] == pytest.approx(DIAMETERS_MM[4] - 0.0075)
    assert "two angles, most oval 7.0 um at station 5" in found.source
    readings[1, 3] = np.nan
    assert nc.parts.measured_needle(STOCK, readings).diameters_mm[3] == pytest.approx(DIAMETERS_MM[3] - 0.004)
    with pytest.raises(nc.InputError, match=r"Station 5 is oval by 7.0 um between the two angles, more than 5 um"):
        nc.parts.measured_needle(STOCK, readings, oval_um=5.0)


def changed(**by_station):
    readings = DIAMETERS_MM.copy()
    for station, value in by_station.items():
        readings[int(station[1:]) - 1] = value
    return readings


@pytest.mark.parametrize(
    ("readings", "match"),
    [
        (changed(s5=2.16), r"Reversed taper 5 to 6: 2.1600 mm, then 2.1900 mm, 30.0 um thicker"),
        (changed(s3=2.372), r"Station 3 reads 2.3720 mm, 12.0 um thicker than before the file .* metal cannot grow"),
        (changed(s6=0.0826), r"Station 6 reads 0.0826 mm, which looks like inches \(2.0980 mm\)"),
        (changed(s13=1.20), r"Station 13 reads 1.2000 mm, 0.46 mm thinner than before"),
        (changed(s6=np.nan, s7=2.10), r"Station 6 has no reading, but its neighbour 7 has lost 20.0 um"),
        (changed(s6=-2.1), "must be greater than 0 and at most 25. Give NaN at a station that was not measured"),
        (np.full(13, np.nan), "holds no reading at all"),
        (DIAMETERS_MM[:12], r"has shape \(12,\), but needle stock has 13 stations"),
        (["2.45"] * 12 + ["2.4x"], "must be a number or an array of numbers"),
    ],
)
def test_readings_that_cannot_be_are_refused(readings, match):
    with pytest.raises(nc.InputError, match=match):
        nc.parts.measured_needle(STOCK, readings)


def test_stations_not_measured_keep_their_metal_only_where_no_file_was():
    found = nc.parts.measured_needle(STOCK, changed(s1=np.nan, s2=np.nan, s10=1.88))
    np.testing.assert_allclose(found.diameters_mm[:2], DIAMETERS_MM[:2])
    assert "not measured and taken as before: stations 1 to 2" in found.source
    meant = np.zeros(13, dtype=bool)
    meant[6] = True
    # Told which stations were filed, the neighbours need no reading.
    nc.parts.measured_needle(STOCK, changed(s6=np.nan, s7=2.10), filed=meant)
    with pytest.raises(nc.InputError, match="Station 7 was to be filed but has no reading"):
        nc.parts.measured_needle(STOCK, changed(s7=np.nan), filed=meant)


def test_a_waist_may_be_filed_down():
    found = nc.parts.measured_needle(STOCK, changed(s5=2.16), file_down=True)
    np.testing.assert_allclose(found.diameters_mm[4:7], [2.16, 2.16, 2.12])
    assert "filed down to the waist: station 6" in found.source
    for option in ({"within_um": 50.0}, {"oval_um": -1.0}):
        with pytest.raises(nc.InputError, match="must lie between"):
            nc.parts.measured_needle(STOCK, DIAMETERS_MM, **option)


def test_sound_needles_are_seldom_refused():
    # Two readings of 1.5 um each (k=1) differ by 2.1 um; beyond 8 um lies one in some 13 000, normal distribution.
    rng = np.random.default_rng(3)
    refused = 0
    for _ in range(500):
        table = nc.Needle("read", STATIONS_MM, DIAMETERS_MM + rng.normal(0.0, 0.0015, 13))
        try:
            found = nc.parts.measured_needle(table, DIAMETERS_MM + rng.normal(0.0, 0.0015, 13))
        except nc.InputError:
            refused += 1
        else:
            assert np.abs(found.diameters_mm - DIAMETERS_MM).max() < 0.01
    assert refused <= 3


def test_readings_from_a_table(tmp_path):
    path = tmp_path / "bench.csv"
    lines = [f"{k},{d / 25.4:.6f},{(d - 0.002) / 25.4:.6f},x" for k, d in enumerate(DIAMETERS_MM, 1)]
    lines[3] = "4,,,x"
    path.write_text("# read after washing\nStation,measured_in,measured_2_in,remark\n" + "\n".join(lines[::-1]) + "\n")
    readings = nc.parts.read_readings(path, STOCK)
    assert readings.shape == (2, 13)
    assert np.isnan(readings[:, 3]).all()
    known = np.arange(13) != 3
    np.testing.assert_allclose(readings[0, known], DIAMETERS_MM[known], atol=2e-5)
    path.write_text("station,measured_mm\n2,2.41\n")
    assert np.isfinite(nc.parts.read_readings(path, STOCK)).tolist() == [False, True] + [False] * 11


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("", "write a header with station and measured_mm"),
        ("station,diameter\n1,2\n", "needs a header with station and measured_mm"),
        ("station,measured_mm\n1\n", r"line 2: 1 cell, but the header has 2"),
        ("station,measured_mm\n14,2.0\n", r"line 2, column station: '14' must be a number from 1 to 13"),
        ("station,measured_mm\n1,2.0\n1,2.0\n", r"line 3, column station: '1' must be .* each once"),
        ("station,measured_mm\n1,2.0+\n", r"line 2, column measured_mm: '2.0\+' is not a number"),
        ("station,measured_mm\n1.5,2.0\n", r"line 2, column station: '1\.5' must be a number from 1 to 13"),
        (f"station,measured_mm\n{'1' * 5000},2.0\n", r"line 2, column station: '1{39}\.\.\. is not measured"),
    ],
)
def test_bad_tables_of_readings(tmp_path, text, match):
    (tmp_path / "bench.csv").write_text(text)
    with pytest.raises(nc.LogFormatError, match=match):
        nc.parts.read_readings(tmp_path / "bench.csv", STOCK)


def test_a_table_that_is_not_there(tmp_path):
    with pytest.raises(nc.LogFormatError, match="cannot be read"):
        nc.parts.read_readings(tmp_path / "none.csv", STOCK)


def test_stations_are_listed_in_runs():
    assert listed([1]) == "1"
    assert listed([1, 2, 4]) == "1 to 2, 4"
