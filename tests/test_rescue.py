"""After an overcut: every figure of the rescue is what the forward model says of that needle and jet."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import NO_DOUBTS, make_setup
from sheet_cases import changed

import needlecalc as nc
from needlecalc.design.after.progress import WayOut
from needlecalc.report import after

# An invented needle, in inches, pitch 1/8 in, its shoulder 1.5 mm above the piston's face.
N1_IN = np.array([0.0895, 0.0868, 0.0842, 0.0815, 0.0788, 0.0760, 0.0732, 0.0704, 0.0676, 0.0648, 0.0620, 0.0592])
N1 = nc.Needle("N1", np.arange(12) * 3.175, N1_IN * 25.4)
ASKED_IN, TYPED_IN = 0.08332, 0.0826  # station 3: asked, and what the micrometer then read
LIFTS = [0.8, 2.0, 3.3, 5.0, 7.0, 9.0, 13.0, 18.0, 24.0]
BEFORE = [0.95, 1.02, 1.08, 1.06, 1.00, 0.97, 0.95, 0.93, 0.90]
LOADS = ["idle"] + ["light"] * 5 + ["full"] * 3
STATION = 2


def overcut_job(typed_in=TYPED_IN, air=None, rich=0.05, **jet):
    """The needle asked has station 3 at .08332 in; everything but the cut is known."""
    base = make_setup(parallel_length_u_mm=0.0, **jet)
    fitted = nc.Carburettor(N1, base.carburettor.jet, base.carburettor.air_valve, shoulder_offset_mm=1.5)
    setup = replace(base, carburettor=fitted, air=air or base.air)
    off = np.zeros(12)
    off[1:6] = [0.006, N1.diameters_mm[STATION] - ASKED_IN * 25.4, 0.018, 0.010, 0.004]
    wanted = nc.Needle("N1 as asked", N1.stations_mm, N1.diameters_mm - off)
    bands = nc.typed_bands(
        [900, 1500, 2000, 2400, 2800, 3200, 3600, 4000, 4500],
        BEFORE, lift_mm=LIFTS, load=LOADS, lambda_se=0.0, lift_u_mm=0.0,
    )  # fmt: skip
    aim = nc.predict_lambda(setup, bands, needle=wanted)
    target = nc.Target(bands, aim, lambda_rich=aim - rich, lambda_lean=aim + rich)
    solved = nc.solve(target, setup, doubts=NO_DOUBTS)
    design = changed(solved, final={"needle": wanted, "expected": aim}, stop={"needle": wanted}, drop_mm=1.6)
    readings = wanted.diameters_mm.copy()
    readings[STATION] = typed_in * 25.4
    return setup, design, bands, readings


def test_typed_0826_where_08332_was_asked():
    setup, design, bands, readings = overcut_job()
    found = nc.rescue(design, readings)
    assert after.stroke(found.progress).startswith("Overcut at station 3 by 18 um: stop filing")
    as_cut, raised, jet_only, filed = found.alternatives
    needle = nc.Needle("typed", N1.stations_mm, readings)

    def alone(drop_mm):
        return nc.predict_lambda(setup, bands, needle=needle, drop_mm=drop_mm)

    # What the overcut does: the forward model says the same by itself.
    np.testing.assert_allclose(as_cut.lambda_expected, alone(1.6), rtol=2e-5)
    hurt = int(np.argmin(as_cut.missed()))
    assert found.hurt[hurt]
    assert LOADS[hurt] == "light"
    assert as_cut.missed()[hurt] < -0.03
    # The jet raised: the band hurt most is on its target again, and idle pays for it.
    assert raised.drop_mm < 1.6
    assert raised.lambda_expected[hurt] == pytest.approx(design.target.lambda_target[hurt], rel=1e-4)
    np.testing.assert_allclose(raised.lambda_expected, alone(raised.drop_mm), rtol=2e-5)
    note = after.rescue_note(raised, found)
    assert f"900 rpm idle goes from {alone(1.6)[0]:.3f} to {alone(raised.drop_mm)[0]:.3f}" in note
    assert raised.lambda_expected[0] > design.target.lambda_target[0] + 0.02
    # The best height by a search of its own.
    drops = np.linspace(0.7, 1.6, 181)
    worst = [np.abs(np.log(alone(drop) / design.target.lambda_target)).max() for drop in drops]
    assert jet_only.drop_mm == pytest.approx(drops[int(np.argmin(worst))], abs=0.02)
    # Filed back: no metal added to the needle as it is, and nothing worse than the jet alone by much.
    assert (found.design.needle.diameters_mm <= readings + 1e-9).all()
    np.testing.assert_allclose(
        filed.lambda_expected, nc.predict_lambda(setup, bands, needle=found.design.needle, drop_mm=filed.drop_mm), rtol=2e-4
    )
    assert np.sqrt(np.mean(filed.missed() ** 2)) < np.sqrt(np.mean(jet_only.missed() ** 2))
    # Whoever drives the rescued needle learns from drives alone.
    with pytest.raises(nc.InputError, match="was never driven, so it teaches nothing"):
        nc.learn(found.design.learned.history, setup)
    driven = nc.compare_pass(found.design, bands, needle=found.design.stop.needle)
    assert [one.driven for one in driven.after.history.passes] == [True, True]
    assert found.way_out is WayOut.JET
    assert after.way_out(found).startswith("The jet alone serves: raise the jet by")
    assert "nut's range is not stated" in after.rescue_note(raised, found)


def test_the_rescue_shows_itself():
    _, design, _, readings = overcut_job()
    found = nc.rescue(design, readings)
    text = " ".join(str(found).split())
    for words in (
        "leave it as it is",
        "jet and file back",
        "spare for lambda x",
        "raises it (leaner)",
        "no gloves at a chuck",
    ):
        assert words in text
    assert "too lean at full load, 3600 rpm full at" in text
    assert "<table>" in found._repr_html_()
    assert "as planned" in found.band_table().text()
    assert repr(found).startswith("Rescue: the jet alone")
    # The stations to file back name the row they belong to, and the jet height they are for.
    stations = found.design_table()
    assert stations.title.endswith(", row 'jet and file back'")
    filed = found.alternatives[3]
    assert f"from 1.60 to {filed.drop_mm:.2f} mm below the bridge" in " ".join(stations.text().split())
    assert nc.rescue(design, design.needle.diameters_mm).design_table() is None
    rows = found.rows()
    assert [row["flats"] < 0.0 for row in rows[:4]] == [False, True, True, True]


def test_kept_as_a_rich_spare():
    _, design, _, readings = overcut_job(air=nc.Air.at_altitude(2000.0))
    found = nc.rescue(design, readings)
    share = np.exp(np.mean(np.log(found.alternatives[0].lambda_expected / design.target.lambda_target)))
    assert share < 1.0
    np.testing.assert_allclose(found.spare.lambda_target, share * design.target.lambda_target)
    np.testing.assert_allclose(found.spare.lambda_expected, found.alternatives[0].lambda_expected)


def test_nothing_to_rescue():
    _, design, _, readings = overcut_job(typed_in=ASKED_IN)
    found = nc.rescue(design, readings)
    assert found.way_out is WayOut.NOTHING_HURT
    assert after.way_out(found).startswith("Nothing to rescue: no band is richer than its target by more than 1 %")
    assert after.way_out(found).endswith("File no more: refit it, drive and measure lambda.")
    assert found.design is None
    assert len(found.alternatives) == 1
    assert not found.hurt.any()


def test_a_nut_at_its_end_is_said():
    _, design, _, readings = overcut_job(typed_in=0.0818, drop_min_mm=1.4, drop_max_mm=2.0, rich=0.01)
    found = nc.rescue(design, readings)
    raised = found.alternatives[1]
    assert raised.drop_mm == pytest.approx(1.4)
    assert "The jet at its highest brings 2000 rpm light to" in after.rescue_note(raised, found)
    assert "not stated" not in after.rescue_note(raised, found)
    assert found.way_out is WayOut.NONE
    assert "rich spare" in after.way_out(found)


def test_a_waist_is_rescued_only_when_it_will_be_filed_down():
    _, design, _, readings = overcut_job(typed_in=0.0800)  # station 4 is thicker
    with pytest.raises(nc.InputError, match="Reversed taper 3 to 4"):
        nc.rescue(design, readings)
    found = nc.rescue(design, readings, file_down=True)
    assert found.progress.measured.diameters_mm[3] == pytest.approx(0.0800 * 25.4)
    assert "filed down to the waist: station 4" in str(found.progress)


def test_a_spare_that_stays_off_is_no_fit():
    _, design, _, readings = overcut_job()
    found = nc.rescue(design, readings)
    worst = 100.0 * float(found.spare.missed()[found.spare.worst()])
    assert (f"stays {worst:+.1f} % off" in after.rescue_note(found.spare, found)) is (abs(worst) > 2.0)
