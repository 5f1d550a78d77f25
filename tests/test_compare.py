"""Comparison of two needles, station by station and band by band."""

from __future__ import annotations

import numpy as np
import pytest
from conftest import DIAMETERS_MM, STATIONS_MM, make_setup

import needlecalc as nc

THIN = nc.Needle("thin", STATIONS_MM, DIAMETERS_MM - 0.02)


def test_thinner_needle_is_richer_everywhere_and_areas_are_geometry():
    setup = make_setup()
    bands = nc.typed_bands([900, 3000], [1.0, 1.0], lift_mm=[3.0, 15.0])
    result = nc.compare(setup, setup.carburettor.needle, THIN, bands=bands)
    frame = result.to_frame()
    np.testing.assert_allclose(frame["thicker_um"], -20.0)
    assert (frame["lambda_change_percent"] < 0).all()
    assert (frame["second_effective_mm2"] > frame["first_effective_mm2"]).all()
    np.testing.assert_allclose(frame["first_metering_mm2"], np.pi / 4 * (2.54**2 - DIAMETERS_MM**2))
    np.testing.assert_allclose(result.lambda_second, nc.predict_lambda(setup, bands, needle=THIN))
    same = nc.compare(setup, THIN, THIN)
    np.testing.assert_allclose(same.to_frame()["lambda_change_percent"], 0.0, atol=1e-12)


def test_needles_that_share_no_station_are_refused():
    short = nc.Needle("short", [50, 60], [1.2, 1.0])
    with pytest.raises(nc.InputError, match="share no station"):
        nc.compare(make_setup(), short, nc.Needle("other", [0, 10], [2.4, 2.2]))
