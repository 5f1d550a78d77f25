"""Merging drives: agree or be refused, factors shown each for itself, sureness never overstated."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import make_setup
from hypothesis import given, settings
from hypothesis import strategies as st
from synthetic_drive import synthetic_drive

import needlecalc as nc

SETUP = make_setup()
VALLEY, PASS = nc.Air(101325.0, 15.0, 0.5), nc.Air(83500.0, 5.0, 0.5)


def typed(values, *, setup=SETUP, se=0.004, rpm=None, lift=(3.0, 8.0, 14.0, 22.0)) -> nc.Bands:
    rpm = [900.0, 2000.0, 3000.0, 4000.0][: len(values)] if rpm is None else rpm
    bands = nc.typed_bands(rpm, values, lift_mm=lift[: len(values)], lambda_se=se)
    return bands.having(setup=setup)


def test_air_by_the_root_of_density_and_dry_share():
    # By hand: root of the density ratio times (1 + w)/(1 + w'); w from a saturation pressure of 1705.6 Pa at
    # 15 degC and 872.6 Pa at 5 degC (IAPWS tables, value from memory), enhancement left out.
    bands = typed([0.95, 1.0], setup=replace(SETUP, air=PASS))
    factors = nc.measure.normalise_bands(bands, air=VALLEY)
    w_valley, w_pass = 0.622 * 852.8 / (101325 - 852.8), 0.622 * 436.3 / (83500 - 436.3)
    by_hand = np.sqrt(VALLEY.density_kg_m3() / PASS.density_kg_m3()) * (1 + w_pass) / (1 + w_valley)
    np.testing.assert_allclose(factors.air, by_hand, rtol=1e-4)
    np.testing.assert_allclose(factors.total(), factors.air)
    np.testing.assert_allclose(factors.bands.lambda_measured, np.array([0.95, 1.0]) * by_hand, rtol=1e-4)
    assert factors.bands.setup.air == VALLEY
    assert "air" in str(factors)


def test_fuel_in_three_factors_against_the_forward_model():
    # The flow law itself says what another fuel does at the same lift; its own tests hold it to Navier-Stokes.
    old, new = nc.Fuel(0.0, 20.0), nc.Fuel(10.0, 35.0)
    before = replace(SETUP, fuel=old)
    bands = typed([0.95, 1.0, 1.0, 0.9], setup=before)
    factors = nc.measure.normalise_bands(bands, fuel=new)
    first = nc.parts.fuel_flow(before, bands.lift_mm)
    second = nc.parts.fuel_flow(replace(SETUP, fuel=new), bands.lift_mm)
    exact = first.fuel_flow_g_s * old.afr() / (second.fuel_flow_g_s * new.afr())
    np.testing.assert_allclose(factors.total(), exact, rtol=0.006)
    np.testing.assert_allclose(factors.viscous_fraction, first.viscous_fraction)
    np.testing.assert_allclose(factors.stoichiometry, old.afr() / new.afr())
    # A warmer, thinner fuel flows faster where viscosity rules: richer, and most at idle.
    assert (np.diff(factors.viscosity) > 0.0).all()
    assert factors.viscosity[0] < 0.95


def test_there_and_back_is_where_it_began():
    bands = typed([0.95, 1.0, 1.02], setup=replace(SETUP, air=PASS, fuel=nc.Fuel(0.0, 20.0)))
    there = nc.measure.normalise_bands(bands, air=VALLEY, fuel=nc.Fuel(5.0, 20.0)).bands
    back = nc.measure.normalise_bands(there, air=PASS).bands
    only_fuel = nc.measure.normalise_bands(bands, fuel=nc.Fuel(5.0, 20.0)).bands
    np.testing.assert_allclose(back.lambda_measured, only_fuel.lambda_measured)
    same = nc.measure.normalise_bands(bands)
    np.testing.assert_array_equal(same.bands.lambda_measured, bands.lambda_measured)


def test_normalising_needs_a_setup_and_a_lift():
    with pytest.raises(nc.InputError, match="do not say what they were measured with"):
        nc.measure.normalise_bands(typed([1.0], setup=None), air=VALLEY)
    bare = nc.typed_bands([900.0], [1.0]).having(setup=SETUP)
    with pytest.raises(nc.InputError, match="900 rpm full: it has no lift, so the share of viscosity"):
        nc.measure.normalise_bands(bare, fuel=nc.Fuel(10.0, 20.0))


@pytest.mark.parametrize(
    ("other", "words"),
    [
        (replace(SETUP, air=PASS), "air of 1.* kg/m3, more than 1 % apart"),
        (replace(SETUP, fuel=nc.Fuel(10.0, 25.0)), "fuel with 5 and 10 % ethanol"),
        (replace(SETUP, fuel=nc.Fuel(5.0, 40.0)), "fuel at 25 and 40 degC, over 5 K apart"),
        (make_setup(drop_mm=2.0), "carburettor.jet.drop_mm differs"),
        (replace(SETUP, engine=nc.Engine(1600.0, 4)), "engine.displacement_cm3 differs"),
        (
            SETUP.with_needle(
                nc.Needle("cut", SETUP.carburettor.needle.stations_mm, SETUP.carburettor.needle.diameters_mm - 0.01)
            ),
            "carburettor.needle.diameters_mm differs",
        ),
        (None, "drive 2 does not say what it was measured with"),
    ],
)
def test_drives_that_differ_are_refused(other, words):
    first, second = typed([0.95, 1.0]), typed([0.96, 1.01], setup=other)
    with pytest.raises(nc.InputError, match=f"cannot be merged: .*{words}"):
        nc.measure.merge_bands(first, second)


def test_other_refusals():
    logs = [synthetic_drive(seed)[0] for seed in (0, 1)]
    fine = nc.make_bands(logs[0], lag_s=0.4)
    other = nc.make_bands(logs[1], lag_s=0.4, rpm_edges=[500, 1100, 2000, 3000, 4500])
    with pytest.raises(nc.InputError, match="make all bands with the same rpm_edges"):
        nc.measure.merge_bands(fine.having(setup=SETUP), other.having(setup=SETUP))


def test_a_needle_by_another_name_is_the_same():
    twin = SETUP.with_needle(replace(SETUP.carburettor.needle, name="same metal"))
    assert nc.measure.merge_bands(typed([0.95]), typed([0.95], setup=twin)).rpm.size == 1


@settings(max_examples=30, deadline=None)
@given(
    st.lists(st.lists(st.floats(0.8, 1.2), min_size=3, max_size=3), min_size=2, max_size=4),
    st.lists(st.floats(0.001, 0.03), min_size=4, max_size=4),
    st.randoms(use_true_random=False),
)
def test_order_of_drives_changes_nothing(values, errors, random):
    drives = [typed(v, se=e) for v, e in zip(values, errors, strict=False)]
    shuffled = random.sample(drives, len(drives))
    here, there = nc.measure.merge_bands(*drives), nc.measure.merge_bands(*shuffled)
    for name in ("rpm", "lambda_measured", "lambda_se", "lift_mm", "lift_u_mm", "count"):
        np.testing.assert_allclose(getattr(here, name), getattr(there, name), rtol=1e-9)
    low, high = np.min(values, axis=0), np.max(values, axis=0)
    assert ((here.lambda_measured > low - 1e-9) & (here.lambda_measured < high + 1e-9)).all()


def test_rows_and_samples_add_up_and_lone_bands_stay():
    bands = [nc.make_bands(synthetic_drive(seed)[0], lag_s=0.4).having(setup=SETUP) for seed in (0, 1)]
    bands[1] = replace(bands[1], load=tuple("hill" if load == "full" else load for load in bands[1].load))
    merged = nc.measure.merge_bands(*bands)
    total = sum(b.count.sum() + sum(n for _, n in b.dropped) for b in bands)
    assert merged.count.sum() + sum(n for _, n in merged.dropped) == total
    lone = merged.load.index("hill")
    was = bands[1].load.index("hill")
    assert merged.lambda_measured[lone] == pytest.approx(bands[1].lambda_measured[was])
    assert merged.lambda_se[lone] > bands[1].lambda_se[was]


def test_drives_that_disagree_are_less_sure_than_drives_that_agree():
    agree = nc.measure.merge_bands(typed([0.95, 1.0, 1.0]), typed([0.951, 1.001, 0.999]))
    apart = nc.measure.merge_bands(typed([0.95, 1.0, 1.0]), typed([0.99, 1.04, 1.04]))
    assert (apart.lambda_se > 3 * agree.lambda_se).all()
    # With two means 0.04 apart the mean is unsure by at least half of that over root two.
    assert (apart.lambda_se > 0.02 / np.sqrt(2)).all()
    np.testing.assert_allclose(apart.lambda_measured, [0.97, 1.02, 1.02])


def test_merged_intervals_hold_the_truth_when_every_drive_has_its_own_offset():
    # 150 seeded threes of drives, offsets 0.01 between them: 3 binomial standard deviations about 90 %, as the
    # bands of one three stand or fall together.
    rng = np.random.default_rng(8)
    held = []
    for _ in range(150):
        drives = [typed(1.0 + rng.normal(0, 0.01) + rng.normal(0, 0.004, 4)) for _ in range(3)]
        merged = nc.measure.merge_bands(*drives)
        held.append(np.mean(np.abs(merged.lambda_measured - 1.0) < 1.645 * merged.lambda_se))
    assert np.mean(held) == pytest.approx(0.90, abs=3 * np.sqrt(0.09 / 150))
