"""The flow law against shapely, the exact laminar annulus, Navier-Stokes solutions and its own slopes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reference_tables import read_reference
from shapely.geometry import Point

from needlecalc.errors import InputError
from needlecalc.physics.annulus import bore_flow, bore_flow_and_slopes

FUEL = {"pressure_pa": 1950.0, "density_kg_m3": 745.0, "viscosity_mm2_s": 0.65}


def straight(diameter, taper, *, bore=2.54, length=4.0, **fuel):
    return bore_flow(
        10.0, [0.0, 40.0], [diameter + 10 * taper, diameter - 30 * taper], bore_mm=bore, length_mm=length, **{**FUEL, **fuel}
    )


@pytest.mark.parametrize("row", read_reference("navier_stokes_bore_flow"))
def test_discharge_coefficient_against_navier_stokes(row):
    flow = straight(row["diameter_mm"], row["taper"], length=row["length_mm"], viscosity_mm2_s=row["viscosity_mm2_s"])
    assert flow.discharge_coefficient == pytest.approx(row["cd"], rel=0.031)


@pytest.mark.parametrize(
    ("diameter", "taper", "viscosity", "pressure", "flow"),
    # Worked values of this law (5 digits), computed once by fixed-point iteration apart from this code.
    [
        (2.45, 0.016, 0.65, 1956.0, 0.09225),
        (2.40, 0.016, 0.65, 1950.0, 0.24932),
        (2.40, 0.016, 0.50, 1950.0, 0.30209),
        (2.40, 0.016, 0.80, 1950.0, 0.21098),
        (2.20, 0.016, 0.65, 1950.0, 1.24845),
        (1.80, 0.016, 0.65, 1950.0, 3.16964),
        (1.50, 0.016, 0.65, 1950.0, 4.40703),
        (2.20, 0.0, 0.65, 1950.0, 1.15653),
    ],
)
def test_worked_values(diameter, taper, viscosity, pressure, flow):
    got = straight(diameter, taper, viscosity_mm2_s=viscosity, pressure_pa=pressure)
    assert got.fuel_flow_g_s == pytest.approx(flow, abs=2e-5)


def test_metering_area_is_the_difference_of_two_discs_in_shapely():
    # A polygon of 4n sides has less area than its circle by the factor sin(t)/t, t = 2 pi / (4n).
    sides = 4 * 256
    shortfall = np.sin(2 * np.pi / sides) / (2 * np.pi / sides)
    ring = Point(0, 0).buffer(1.27, quad_segs=256).difference(Point(0, 0).buffer(1.1, quad_segs=256))
    assert straight(2.2, 0.0).metering_area_mm2 == pytest.approx(ring.area / shortfall, rel=1e-9)


@pytest.mark.parametrize("ratio", [0.85, 0.90, 0.95, 0.98])
def test_viscous_limit_is_the_exact_concentric_annulus(ratio):
    # Exact: Bird, Stewart and Lightfoot, Transport Phenomena, section 2.4 (from memory).
    outer, inner, viscosity = 1.27e-3, ratio * 1.27e-3, 1000.0
    gradient, mu = FUEL["pressure_pa"] / 4e-3, viscosity * 1e-6 * 745.0
    exact = np.pi * gradient / (8 * mu) * (outer**4 - inner**4 - (outer**2 - inner**2) ** 2 / np.log(outer / inner))
    got = straight(ratio * 2.54, 0.0, viscosity_mm2_s=viscosity)
    assert got.viscous_fraction > 0.9999
    assert got.fuel_flow_g_s == pytest.approx(exact * 745.0 * 1e3, rel=1e-3)


@pytest.mark.parametrize("eccentricity", [0.3, 0.5, 1.0])
def test_narrow_viscous_gap_gains_one_and_a_half_e_squared(eccentricity):
    # White, Viscous Fluid Flow (from memory): 2.5 times the concentric flow at contact.
    one, other = (straight(2.53, 0.0, viscosity_mm2_s=200.0, eccentricity=e) for e in (0.0, eccentricity))
    assert other.fuel_flow_g_s / one.fuel_flow_g_s == pytest.approx(1 + 1.5 * eccentricity**2, rel=1e-3)


STATIONS = np.arange(13) * 3.175
PLACES = np.array([0.4, 2.9, 7.7, 13.1, 20.2, 30.7, 37.9])


@pytest.mark.parametrize("eccentricity", [0.0, 0.4, 1.0])
def test_slopes_are_those_of_finite_differences(eccentricity):
    diameters = 2.5 - np.cumsum(np.random.default_rng(3).uniform(0.01, 0.09, 13))
    base = {"bore_mm": 2.54, "length_mm": 4.2, "eccentricity": eccentricity, **FUEL}

    def log_flow(diameters=diameters, places=PLACES, **change):
        return np.log(bore_flow(places, STATIONS, diameters, **{**base, **change}).fuel_flow_g_s)

    _, slopes = bore_flow_and_slopes(PLACES, STATIONS, diameters, **base)
    step = 1e-6
    for k in range(13):
        up, down = diameters.copy(), diameters.copy()
        up[k] += step
        down[k] -= step
        fd = (log_flow(up) - log_flow(down)) / (2 * step)
        np.testing.assert_allclose(slopes.per_mm_diameter[:, k], fd, atol=1e-6)
    fd = (log_flow(places=PLACES + step) - log_flow(places=PLACES - step)) / (2 * step)
    np.testing.assert_allclose(slopes.per_mm_position, fd, atol=1e-6)
    for name, got, per_ln in [
        ("length_mm", slopes.per_mm_length, False),
        ("viscosity_mm2_s", slopes.per_ln_viscosity, True),
        ("pressure_pa", slopes.per_ln_pressure, True),
    ]:
        h = step * base[name]
        fd = (log_flow(**{name: base[name] + h}) - log_flow(**{name: base[name] - h})) / (2 * h)
        np.testing.assert_allclose(got, fd * (base[name] if per_ln else 1.0), atol=1e-6)


@settings(max_examples=40, deadline=None)
@given(diameter=st.floats(1.2, 2.48), taper=st.floats(0.0, 0.03), cut=st.floats(0.001, 0.1), factor=st.floats(0.5, 3.0))
def test_laws(diameter, taper, cut, factor):
    flow, thinner = straight(diameter, taper), straight(diameter - cut, taper)
    assert thinner.fuel_flow_g_s > flow.fuel_flow_g_s
    # Area ratio law, and lengths times k with viscosity times k: the same coefficient, areas times k squared.
    assert thinner.metering_area_mm2 / flow.metering_area_mm2 == pytest.approx(
        (2.54**2 - (diameter - cut) ** 2) / (2.54**2 - diameter**2)
    )
    grown = bore_flow(
        10.0 * factor,
        [0.0, 40.0 * factor],
        [factor * (diameter + 10 * taper), factor * (diameter - 30 * taper)],
        bore_mm=2.54 * factor,
        length_mm=4.0 * factor,
        **{**FUEL, "viscosity_mm2_s": 0.65 * factor},
    )
    assert grown.effective_area_mm2 == pytest.approx(flow.effective_area_mm2 * factor**2, rel=1e-9)


@pytest.mark.parametrize("oval", [False, True])
def test_long_arrays_are_as_their_entries_one_by_one(oval):
    # Broadcast from every side.
    rng = np.random.default_rng(8)
    for cars, bands in ((130, 5), (3, 700)):
        needles = 2.5 - np.cumsum(rng.uniform(0.01, 0.05, (cars, 1, 13)), axis=-1)
        given = {
            "bore_mm": 2.56 if oval else 2.54,
            "bore_least_mm": 2.53 if oval else None,
            "length_mm": rng.uniform(2.0, 7.0, (cars, 1)),
            "pressure_pa": rng.uniform(1200.0, 2500.0, bands),
            "density_kg_m3": 745.0,
            "viscosity_mm2_s": rng.uniform(0.4, 0.8, (cars, 1)),
            "eccentricity": rng.uniform(0.0, 1.0, (cars, 1)),
        }
        places = rng.uniform(0.0, 36.0, (cars, bands))
        flow, slopes = bore_flow_and_slopes(places, STATIONS, needles, **given)
        np.testing.assert_array_equal(bore_flow(places, STATIONS, needles, **given).fuel_flow_g_s, flow.fuel_flow_g_s)
        assert slopes.per_mm_diameter.shape == (cars, bands, 13)
        for car, band in ((0, 0), (cars // 2, bands - 1), (cars - 1, bands // 3)):
            one = {name: value[car, 0] if np.ndim(value) == 2 else value for name, value in given.items()}
            one["pressure_pa"] = given["pressure_pa"][band]
            alone, steep = bore_flow_and_slopes(places[car, band], STATIONS, needles[car, 0], **one)
            for whole, single in zip((*flow, *slopes), (*alone, *steep), strict=True):
                np.testing.assert_allclose(whole[car, band], single, rtol=1e-10, atol=1e-12)


def test_refusals():
    with pytest.raises(InputError, match="thicker than the jet's bore"):
        straight(2.6, 0.0)
    with pytest.raises(InputError, match="off the needle's table"):
        bore_flow(50.0, [0.0, 40.0], [2.4, 2.0], bore_mm=2.54, length_mm=4.0, **FUEL)
    with pytest.raises(InputError, match="positive pressure"):
        straight(2.2, 0.0, pressure_pa=-1.0)
