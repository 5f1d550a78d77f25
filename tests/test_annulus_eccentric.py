"""A needle off centre between the viscous and the inertial limit, by quadrature done apart from the package."""

from __future__ import annotations

import numpy as np
import pytest
from reference_tables import read_reference
from scipy.integrate import quad
from scipy.optimize import brentq

from needlecalc.physics import strips
from needlecalc.physics.annulus import bore_flow

PRISMATIC = read_reference("eccentric_mixed_prismatic")
TAPERED = read_reference("eccentric_mixed_tapered")
LOSS = 1.5
BORE, TAPER, LENGTH, VISCOSITY, PRESSURE, DENSITY = 2.54, 0.016, 4.0, 0.65, 1950.0, 745.0
PRECISE = {"epsabs": 1e-12, "epsrel": 1e-9, "limit": 200}


def strip_sum(number: float, eccentricity: float) -> float:
    """Flow over the centred ideal one: mean over the azimuth of h u, K u^2 + (N / h^2) u = 1, h = 1 + e cos."""

    def carried(angle):
        gap = 1.0 + eccentricity * np.cos(angle)
        drag = number / gap**2
        return gap * 2.0 / (drag + np.sqrt(drag**2 + 4.0 * LOSS)) / np.pi

    return quad(carried, 0.0, np.pi, **PRECISE)[0]


def gap_exponent(number: float, eccentricity: float) -> float:
    """d ln(flow) / d ln(gap), the resistance number going as the gap to the power of minus two."""
    step = 1e-4
    up, down = (np.log(strip_sum(number * np.exp(-2 * s), eccentricity)) for s in (step, -step))
    return 1.0 + (up - down) / (2 * step)


@pytest.mark.parametrize("row", PRISMATIC, ids=lambda row: f"N {row['resistance_number']:g}")
def test_prismatic_table_recomputed(row):
    number = row["resistance_number"]
    centred = strip_sum(number, 0.0)
    found = [centred, *(strip_sum(number, e) / centred for e in (0.5, 0.8, 1.0))]
    found += [gap_exponent(number, 0.0), gap_exponent(number, 1.0)]
    assert found == pytest.approx(list(row.values())[1:], abs=1.5e-4)


@pytest.mark.parametrize("row", PRISMATIC, ids=lambda row: f"N {row['resistance_number']:g}")
def test_working_law_on_a_parallel_gap(row, monkeypatch):
    monkeypatch.setattr(strips, "LOSS_AT_REST", LOSS)
    monkeypatch.setattr(strips, "LOSS_FALL_PER_REYNOLDS", 0.0)
    gap, ideal = 0.05, 1e3 * np.sqrt(2 * PRESSURE / DENSITY)
    viscosity = row["resistance_number"] * ideal * gap**2 / (24.0 * LENGTH)

    def flow(gap_mm, eccentricity):
        return float(
            bore_flow(
                5.0,
                [0.0, 40.0],
                [2.44, 2.44],
                bore_mm=2.44 + 2 * gap_mm,
                length_mm=LENGTH,
                pressure_pa=PRESSURE,
                density_kg_m3=DENSITY,
                viscosity_mm2_s=viscosity,
                eccentricity=eccentricity,
            ).discharge_coefficient
        )

    centred = flow(gap, 0.0)
    assert centred == pytest.approx(row["cd_centred"], abs=1e-4)
    for name, eccentricity in (("ratio_e05", 0.5), ("ratio_e08", 0.8), ("ratio_e1", 1.0)):
        # Twelve strips are exact but at contact, where the thinnest strips carry next to nothing.
        assert flow(gap, eccentricity) / centred == pytest.approx(row[name], abs=5e-4)
    for name, eccentricity in (("exponent_e0", 0.0), ("exponent_e1", 1.0)):
        up, down = flow(gap * 1.001, eccentricity), flow(gap / 1.001, eccentricity)
        assert 1.0 + np.log(up / down) / (2 * np.log(1.001)) == pytest.approx(row[name], abs=2e-3)


def tapered_flow(diameter: float, eccentricity: float, *, share_kept: bool) -> float:
    """Flow in mm3/s of a tapered needle by quadrature down the bore and over the azimuth.

    The offset is that at the face all the way down, or, with the share kept, grows with the gap.
    """
    ideal = 1e3 * np.sqrt(2 * PRESSURE / DENSITY)
    face, opening = (BORE - diameter) / 2.0, TAPER / 2.0

    def carried(angle):
        swing = eccentricity * np.cos(angle)
        gap = face * (1.0 + swing)
        growth = opening * (1.0 + swing if share_kept else 1.0)
        deep = np.log1p(growth * LENGTH / gap)

        def drag(s):  # 12 dz / (r h^3) with h = gap exp(s), dz = h ds / growth
            h = gap * np.exp(s)
            radius = (BORE - face - (h - gap) / growth * opening) / 2.0
            return 12.0 / (radius * h**2 * growth)

        resistance = 2.0 * gap * (BORE - face) / 2.0 * quad(drag, 0.0, deep, **PRECISE)[0]

        def balance(u):
            loss = 1.78 - 9.4e-5 * min(u * ideal * 2.0 * gap / VISCOSITY, 4000.0)
            return loss * u**2 + VISCOSITY / ideal * resistance * u - 1.0

        return brentq(balance, 0.0, 1.2, xtol=1e-13) * gap * ideal * (BORE - face)

    return quad(carried, 0.0, np.pi, epsrel=1e-7, limit=100)[0]


def working_flow(diameter: float, eccentricity: float) -> float:
    flow = bore_flow(
        10.0,
        [0.0, 40.0],
        [diameter + 10 * TAPER, diameter - 30 * TAPER],
        bore_mm=BORE,
        length_mm=LENGTH,
        pressure_pa=PRESSURE,
        density_kg_m3=DENSITY,
        viscosity_mm2_s=VISCOSITY,
        eccentricity=eccentricity,
    )
    return float(flow.fuel_flow_g_s) / DENSITY * 1e6


@pytest.mark.parametrize("row", TAPERED, ids=lambda row: f"{row['diameter_mm']:g} mm e {row['eccentricity']:g}")
def test_tapered_needle_stands_parallel_in_the_bore(row):
    diameter, eccentricity = row["diameter_mm"], row["eccentricity"]
    centred = tapered_flow(diameter, 0.0, share_kept=False)
    parallel = tapered_flow(diameter, eccentricity, share_kept=False)
    leaning = tapered_flow(diameter, eccentricity, share_kept=True)
    assert parallel / centred == pytest.approx(row["ratio_parallel"], abs=1.5e-4)
    assert leaning / centred == pytest.approx(row["ratio_share_kept"], abs=1.5e-4)
    # The working law takes the first.
    assert working_flow(diameter, eccentricity) == pytest.approx(parallel, rel=1e-5)
