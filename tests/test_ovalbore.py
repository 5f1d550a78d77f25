"""A jet worn oval: shape against shapely, flow against integrals done apart, slopes against differences."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import minimize_scalar
from shapely import affinity
from shapely.geometry import Point

from needlecalc.errors import InputError
from needlecalc.physics.annulus import bore_flow, bore_flow_and_slopes
from needlecalc.physics.strips import oval_across_mm, oval_reach_mm

FUEL = {"pressure_pa": 1950.0, "density_kg_m3": 745.0, "viscosity_mm2_s": 0.65}
STATIONS = np.arange(13) * 3.175
PLACES = np.array([0.4, 2.9, 7.7, 13.1, 20.2, 30.7, 37.9])


def straight(diameter, *, long=2.54, short=None, taper=0.0, **fuel):
    ends = [diameter + 10 * taper, diameter - 30 * taper]
    known = {"length_mm": 4.0, **FUEL, **fuel}
    return bore_flow(10.0, [0.0, 40.0], ends, bore_mm=long, bore_least_mm=short, **known)


def ellipse_mm(angle, long, short):
    """Half width by the parametric ellipse: the point whose direction is the angle."""
    turn = np.arctan2(long * np.sin(angle), short * np.cos(angle))
    return np.hypot(0.5 * long * np.cos(turn), 0.5 * short * np.sin(turn))


@pytest.mark.parametrize("angle", [0.0, 0.3, 0.8, 1.2, np.pi / 2, 2.5])
def test_width_is_that_of_the_parametric_ellipse(angle):
    assert oval_across_mm(np.array(2.7), np.array(2.5), np.cos(angle)) == pytest.approx(
        2 * ellipse_mm(angle, 2.7, 2.5), rel=1e-13
    )


def test_area_is_that_of_the_ellipse_less_the_disc_in_shapely():
    sides = 4 * 512
    shortfall = np.sin(2 * np.pi / sides) / (2 * np.pi / sides)
    circle = Point(0, 0).buffer(1.0, quad_segs=512)
    ring = affinity.scale(circle, 1.30, 1.27).difference(affinity.scale(circle, 1.1, 1.1))
    flow = straight(2.2, long=2.60, short=2.54)
    assert flow.metering_area_mm2 == pytest.approx(ring.area / shortfall, rel=1e-9)
    # Without viscosity every strip has the same coefficient, so the sum over strips is the area again.
    thin = straight(2.2, long=2.60, short=2.54, viscosity_mm2_s=1e-7)
    assert thin.effective_area_mm2 * np.sqrt(1.78 - 9.4e-5 * 4000.0) == pytest.approx(ring.area / shortfall, rel=1e-5)


@pytest.mark.parametrize("eccentricity", [0.0, 0.4, 1.0])
def test_an_oval_of_equal_bores_is_the_round_jet(eccentricity):
    shared = {"taper": 0.016, "eccentricity": eccentricity}
    for one, other in zip(straight(2.4, **shared), straight(2.4, short=2.54, **shared), strict=True):
        assert other == pytest.approx(one, rel=1e-12)


@pytest.mark.parametrize(("long", "eccentricity"), [(2.55, 0.0), (2.56, 0.0), (2.60, 0.0), (2.56, 0.5)])
def test_narrow_viscous_gap_passes_the_mean_of_its_cube(long, eccentricity):
    # A parallel slit passes the cube of its gap times its width; summed by adaptive quadrature over the azimuth.
    def cubed(angle):
        half = ellipse_mm(angle, long, 2.54)
        gap = half - 1.26 + eccentricity * (long / 2 - 1.26) * np.cos(angle)
        return (half + 1.26) / 2.53 * gap**3 / np.pi

    factor = quad(cubed, 0.0, np.pi, epsabs=0.0, epsrel=1e-10)[0] / 0.01**3
    thick = {"viscosity_mm2_s": 500.0}
    found = straight(2.52, long=long, short=2.54, eccentricity=eccentricity, **thick).fuel_flow_g_s
    assert found / straight(2.52, **thick).fuel_flow_g_s == pytest.approx(factor, rel=1e-3)


def test_an_oval_seam_passes_more_than_a_round_one_of_the_same_area():
    # Mean of the cube is above the cube of the mean: at idle wear richens more than its area says.
    round_bore = np.sqrt(2.56 * 2.52)
    oval, even = straight(2.45, long=2.56, short=2.52, taper=0.016), straight(2.45, long=round_bore, taper=0.016)
    assert oval.metering_area_mm2 == pytest.approx(even.metering_area_mm2, rel=1e-12)
    assert oval.fuel_flow_g_s > 1.02 * even.fuel_flow_g_s


@pytest.mark.parametrize(("long", "needle"), [(2.54, 2.5), (2.56, 2.40), (2.56, 2.50), (2.60, 2.50), (2.70, 2.53)])
def test_reach_is_the_least_room_round_the_needle(long, needle):
    bores = np.array(long), np.array(2.54)

    def room(x):
        return (oval_across_mm(*bores, np.array(x)) - needle) / (2 * x)

    least = minimize_scalar(room, bounds=(0.05, 1.0), method="bounded", options={"xatol": 1e-10})
    got, slope = oval_reach_mm(*bores, np.array(needle))
    assert got == pytest.approx(min(least.fun, room(1.0)), rel=1e-8)
    step = 1e-7
    up, down = (oval_reach_mm(*bores, np.array(needle + way * step))[0] for way in (1, -1))
    assert slope == pytest.approx((up - down) / (2 * step), abs=2e-6)


@pytest.mark.parametrize("eccentricity", [0.0, 0.4, 0.95])
@pytest.mark.parametrize("least", [2.538, 2.51])
def test_slopes_are_those_of_finite_differences(eccentricity, least):
    diameters = 2.49 - np.cumsum(np.random.default_rng(3).uniform(0.01, 0.09, 13))
    base = {"bore_mm": 2.54, "bore_least_mm": least, "length_mm": 4.2, "eccentricity": eccentricity, **FUEL}

    def log_flow(diameters=diameters, places=PLACES, **change):
        return np.log(bore_flow(places, STATIONS, diameters, **{**base, **change}).fuel_flow_g_s)

    _, slopes = bore_flow_and_slopes(PLACES, STATIONS, diameters, **base)
    step = 1e-6
    for k in range(13):
        move = step * (np.arange(13) == k)
        difference = (log_flow(diameters + move) - log_flow(diameters - move)) / (2 * step)
        np.testing.assert_allclose(slopes.per_mm_diameter[:, k], difference, atol=1e-6)
    difference = (log_flow(places=PLACES + step) - log_flow(places=PLACES - step)) / (2 * step)
    np.testing.assert_allclose(slopes.per_mm_position, difference, atol=1e-6)
    names = {"length_mm": slopes.per_mm_length}
    if eccentricity:
        names["eccentricity"] = slopes.per_eccentricity
    for name, got in names.items():
        up, down = log_flow(**{name: base[name] + step}), log_flow(**{name: base[name] - step})
        np.testing.assert_allclose(got, (up - down) / (2 * step), atol=1e-6)


def test_refusals():
    with pytest.raises(InputError, match="must not be more than bore_mm"):
        straight(2.2, short=2.60)
    with pytest.raises(InputError, match="thicker than the jet's bore"):
        straight(2.5, short=2.48)
