"""Ring of a needle in its jet: area against shapely, laminar flow against a field solution, series, tables and limits."""

from decimal import Decimal, localcontext

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from reference_tables import read_reference
from scipy.integrate import solve_bvp
from scipy.sparse import diags_array, eye_array, kron
from scipy.sparse.linalg import spsolve
from shapely import Point

from needlecalc.errors import InputError
from needlecalc.physics.annulus import (
    bore_flow,
    concentric_conductance_mm4,
    eccentric_conductance_mm4,
    laminar_flow_g_s,
)


def eccentric_ratio(bore, needle, eccentricity):
    """Exact laminar flow off centre over that of the same needle centred."""
    return eccentric_conductance_mm4(bore, needle, eccentricity) / concentric_conductance_mm4(bore, needle)


def narrow_gap_eccentric_ratio(eccentricity):
    # White, Viscous Fluid Flow, section 3-3 (from memory): the mean of (1 + e cos)^3.
    return 1.0 + 1.5 * eccentricity**2


def slit_conductance_mm4(bore, needle):
    # Bird, Stewart and Lightfoot, problem 2B.5 (from memory): a slit unrolled at the mean diameter.
    return np.pi / 12.0 * (bore + needle) / 2.0 * ((bore - needle) / 2.0) ** 3


PI = Decimal("3.14159265358979323846264338327950288419716939937511")


def field_conductance(low, high, across, around):
    """Integral of w where lap w = -1 between the circles xi = low (jet) and xi = high (needle)."""
    step, turn = (high - low) / (across + 1), np.pi / around
    xi = low + step * np.arange(1, across + 1)
    eta = turn * (np.arange(around) + 0.5)
    load = 1.0 / (np.cosh(xi)[:, None] - np.cos(eta)) ** 2
    by_xi = diags_array([1.0, -2.0, 1.0], offsets=[-1, 0, 1], shape=(across, across)) / step**2
    flank = np.full(around, -2.0)
    flank[[0, -1]] = -1.0  # symmetry
    by_eta = diags_array([np.ones(around - 1), flank, np.ones(around - 1)], offsets=[-1, 0, 1]) / turn**2
    matrix = kron(by_xi, eye_array(around)) + kron(eye_array(across), by_eta)
    velocity = spsolve(matrix.tocsc(), -load.ravel())
    return 2.0 * step * turn * (velocity * load.ravel()).sum()


def slow_series(bore, needle, eccentricity):
    """The series of Piercy, Hooper and Winny as printed, in 50 decimals, term by term."""
    with localcontext() as context:
        context.prec = 50
        outer, inner, share = (Decimal(value) for value in (bore, needle, eccentricity))
        outer, inner = outer / 2, inner / 2
        offset = share * (outer - inner)
        focus = (outer**2 - inner**2 + offset**2) / (2 * offset)
        half = (focus**2 - outer**2).sqrt()
        alpha = ((focus + half) / (focus - half)).ln() / 2
        beta = ((focus - offset + half) / (focus - offset - half)).ln() / 2
        total, n, term = Decimal(0), 0, Decimal(1)
        while term > total * Decimal("1e-25"):
            n += 1
            sinh = ((n * (beta - alpha)).exp() - (n * (alpha - beta)).exp()) / 2
            term = n * (-n * (beta + alpha)).exp() / sinh
            total += term
        moon = offset**2 * half**2
        solid = outer**4 - inner**4
        return float(PI / 8 * (solid - 4 * moon / (beta - alpha) - 8 * moon * total))


# --- concentric


@pytest.mark.parametrize("needle", [0.05, 0.8, 1.9, 1.99])
def test_concentric_against_the_boundary_value_problem(needle):
    # (r w')' = -r between two walls at rest, with the flow 2 pi r w collected on the way.
    inner, outer = needle / 2, 1.0
    grid = inner * (outer / inner) ** np.linspace(0.0, 1.0, 200)
    solution = solve_bvp(
        lambda r, y: np.vstack([y[1] / r, -r, 2.0 * np.pi * r * y[0]]),
        lambda at_needle, at_jet: np.array([at_needle[0], at_jet[0], at_needle[2]]),
        grid,
        np.zeros((3, grid.size)),
        tol=1e-10,
    )
    assert concentric_conductance_mm4(2.0, needle) == pytest.approx(solution.y[2, -1], rel=1e-8)


@pytest.mark.parametrize("row", read_reference("concentric_annulus_friction"), ids=lambda row: str(row["needle_over_bore"]))
def test_concentric_against_the_friction_table(row):
    # f Re = 2 Dh^2 A / J from the definitions of friction factor, hydraulic diameter and conductance.
    share = float(row["needle_over_bore"])
    hydraulic, area = 1.0 - share, np.pi / 4 * (1.0 - share**2)
    found = 2.0 * hydraulic**2 * area / concentric_conductance_mm4(1.0, share)
    assert found == pytest.approx(float(row["friction_times_reynolds"]), abs=0.006)


@given(st.floats(1e-6, 0.999))
def test_concentric_keeps_its_digits(gap_share):
    # The printed formula in 50 decimals.
    bore, needle = 2.54, 2.54 * (1.0 - gap_share)
    with localcontext() as context:
        context.prec = 50
        outer, inner = Decimal(bore) / 2, Decimal(needle) / 2
        ring = outer**2 - inner**2
        printed = PI / 8 * (outer**4 - inner**4 - ring**2 / (outer / inner).ln())
    assert concentric_conductance_mm4(bore, needle) == pytest.approx(float(printed), rel=1e-12 / gap_share**0.5)


def test_a_hair_in_a_pipe_leaves_hagen_and_poiseuille():
    # pi R^4 / 8, approached as slowly as one over a logarithm: correction 1/ln(R2/R1).
    pipe = np.pi / 8.0
    assert 1.0 - concentric_conductance_mm4(2.0, 2e-200) / pipe == pytest.approx(1.0 / np.log(1e200), rel=1e-6)


@pytest.mark.parametrize(("share", "percent"), [(0.945, -0.005), (0.866, -0.03), (0.709, -0.2), (0.512, -0.7)])
def test_slit_against_exact(share, percent):
    # Figures worked from the printed formula; below, its series by hand: -t^2/15 with t = gap over diameters.
    error = slit_conductance_mm4(1.0, share) / concentric_conductance_mm4(1.0, share) - 1.0
    assert 100.0 * error == pytest.approx(percent, rel=0.16)
    t = (1.0 - share) / (1.0 + share)
    assert error == pytest.approx(-t * t / 15.0, rel=0.06)


# --- off centre


@pytest.mark.parametrize(("low", "high"), [(1.5, 2.2), (0.5, 0.62), (0.2, 0.25), (0.1, 0.12), (0.3, 1.0), (3.0, 3.05)])
def test_eccentric_against_a_field_solution(low, high):
    # Circles of bipolar coordinates with foci one apart: radius 1/sinh, centre coth.
    outer, inner = 1.0 / np.sinh(low), 1.0 / np.sinh(high)
    offset = 1.0 / np.tanh(low) - 1.0 / np.tanh(high)
    ours = eccentric_conductance_mm4(2.0 * outer, 2.0 * inner, offset / (outer - inner))
    coarse, fine = (field_conductance(low, high, 2 * n - 1, 8 * n) for n in (24, 48))
    assert ours == pytest.approx(fine + (fine - coarse) / 3.0, rel=2e-5)


@pytest.mark.parametrize("needle", [0.01, 1.0, 2.2, 2.42, 2.52])
@pytest.mark.parametrize("eccentricity", [1e-6, 0.01, 0.3, 0.6, 0.9, 0.9995])
def test_eccentric_against_the_slow_series(needle, eccentricity):
    ours = eccentric_conductance_mm4(2.54, needle, eccentricity)
    rounding = 2e-15 * max((2.54 / (2.54 - needle)) ** 2, 1.0)
    assert ours == pytest.approx(slow_series(2.54, needle, eccentricity), rel=max(10.0 * rounding, 1e-14))


@pytest.mark.parametrize(
    "row",
    read_reference("eccentric_annulus"),
    ids=lambda row: f"{row['needle_over_bore']}-{row['eccentricity']}",
)
def test_eccentric_table(row):
    found = eccentric_ratio(1.0, float(row["needle_over_bore"]), float(row["eccentricity"]))
    assert found == pytest.approx(float(row["ratio_to_concentric"]), abs=1e-5)


@pytest.mark.parametrize("needle", [0.1, 1.27, 2.2, 2.5])
def test_centred_and_touching_are_limits(needle):
    centred = concentric_conductance_mm4(2.54, needle)
    assert eccentric_conductance_mm4(2.54, needle, 0.0) == pytest.approx(centred, rel=1e-15)
    assert eccentric_conductance_mm4(2.54, needle, [1e-300, 1e-12, 1.1e-9]) == pytest.approx(centred, rel=1e-11)
    touching = eccentric_conductance_mm4(2.54, needle, 1.0)
    near = eccentric_conductance_mm4(2.54, needle, [1.0 - 1e-4, 1.0 - 1e-8, 1.0 - 1e-13])
    assert np.abs(near / touching - 1.0) == pytest.approx([0.0, 0.0, 0.0], abs=2e-4)
    assert near[1:] == pytest.approx(touching, rel=1e-7)


@given(st.floats(0.05, 0.995), st.floats(0.0, 1.0))
def test_off_centre_lets_more_through_but_never_beyond_the_narrow_gap(share, eccentricity):
    ratio = eccentric_ratio(1.0, share, eccentricity)
    assert 1.0 - 1e-8 <= ratio <= narrow_gap_eccentric_ratio(eccentricity) + 1e-8


@given(st.floats(0.05, 0.99), st.floats(0.0, 1.0), st.floats(0.1, 20.0))
def test_fourth_power_of_size(share, eccentricity, bore):
    unit = eccentric_conductance_mm4(1.0, share, eccentricity)
    assert eccentric_conductance_mm4(bore, share * bore, eccentricity) == pytest.approx(bore**4 * unit, rel=1e-9)


@pytest.mark.parametrize("share", [0.3, 0.87, 0.98])
def test_rises_with_eccentricity(share):
    assert (np.diff(eccentric_ratio(1.0, share, np.linspace(0.0, 1.0, 401))) > 0.0).all()


def test_narrow_gap_is_two_and_a_half_at_contact():
    # The figure of the hydraulics handbooks for leakage past a piston lying on its bore.
    assert narrow_gap_eccentric_ratio(1.0) == 2.5
    assert eccentric_ratio(1.0, 0.9999, 1.0) == pytest.approx(2.5, rel=2e-6)


@pytest.mark.parametrize(("share", "percent"), [(0.945, 0.06), (0.87, 0.34), (0.71, 2.0), (0.51, 7.3)])
def test_how_far_the_narrow_gap_overshoots(share, percent):
    overshoot = narrow_gap_eccentric_ratio(1.0) / eccentric_ratio(1.0, share, 1.0) - 1.0
    assert 100.0 * overshoot == pytest.approx(percent, rel=0.07)
    # The contact limit of the printed series, its trigamma function summed term by term.
    z, terms = 1.0 / (1.0 - share), np.arange(200_000)
    trigamma = (1.0 / (z + terms) ** 2).sum() + 1.0 / (z + terms.size - 0.5)
    touching = (1.0 - share**4 - 4.0 * share**2 * trigamma) * np.pi / 128.0
    assert eccentric_conductance_mm4(1.0, share, 1.0) == pytest.approx(touching, rel=1e-8)


# --- flow and area


def test_flow_in_plain_si():
    # Hagen-Poiseuille type sum in metres, kilograms and seconds, density 745.
    j_m4, pressure, length, nu, rho = 0.003049e-12, 1950.0, 4e-3, 0.65e-6, 745.0
    grams = j_m4 * pressure / (nu * rho * length) * rho * 1e3
    found = laminar_flow_g_s(0.003049, pressure_pa=1950.0, length_mm=4.0, viscosity_mm2_s=0.65)
    assert found == pytest.approx(grams, rel=1e-14)


def metering_area_mm2(bore_mm, needle_mm):
    fuel = {"length_mm": 4.0, "pressure_pa": 2000.0, "density_kg_m3": 745.0, "viscosity_mm2_s": 0.65}
    return bore_flow(5.0, [0.0, 20.0], [needle_mm, needle_mm], bore_mm=bore_mm, **fuel).metering_area_mm2


@pytest.mark.parametrize(
    ("jet_inch", "area_mm2"), [(0.090, 4.104), (0.100, 5.067), (0.125, 7.917)], ids=["090", "100", "125"]
)
def test_jets_without_a_needle_to_speak_of(jet_inch, area_mm2):
    # Area of a circle by any table of circles, at three usual bores; the thinnest needle of the law is 0.05 mm.
    assert metering_area_mm2(jet_inch * 25.4, 0.05) == pytest.approx(area_mm2 - np.pi / 4 * 0.05**2, abs=6e-4)


def test_disc_removed_matches_shapely_s_own_circle():
    ring = Point(0, 0).buffer(1.27, quad_segs=2000).difference(Point(0.1, 0).buffer(1.1, quad_segs=2000))
    assert metering_area_mm2(2.54, 2.20) == pytest.approx(ring.area, rel=1e-6)


def test_everything_broadcasts():
    needles = np.array([[1.0], [2.0], [2.5]])
    assert eccentric_conductance_mm4(2.54, needles, [0.0, 0.2, 0.9, 1.0]).shape == (3, 4)
    assert isinstance(eccentric_ratio(2.54, 2.0, 0.5), float)
    assert isinstance(concentric_conductance_mm4(2.54, 2.0), float)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: concentric_conductance_mm4(2.54, 2.6), r"needle_mm is 2\.6, .* less than bore_mm \(2\.54\)"),
        (lambda: concentric_conductance_mm4([2.54, 2.0], 2.2), r"needle_mm is 2\.2, .* bore_mm \(2\) to leave a gap"),
        (lambda: concentric_conductance_mm4(2.54, 0.0), r"needle_mm is 0, but must be greater than 0"),
        (lambda: concentric_conductance_mm4(0.0, 2.6), r"bore_mm is 0, but must be greater than 0"),
        (
            lambda: eccentric_conductance_mm4(2.54, 2.2, 1.01),
            r"eccentricity is 1\.01, .* between 0 and 1\. It is the offset over the gap when centred",
        ),
        (lambda: eccentric_ratio(2.54, 2.2, np.nan), r"eccentricity is nan"),
        (
            lambda: laminar_flow_g_s(1.0, pressure_pa=1.0, length_mm=0.0, viscosity_mm2_s=1.0),
            r"length_mm is 0, but must be greater than 0",
        ),
    ],
)
def test_refusals(call, words):
    with pytest.raises(InputError, match=words):
        call()
