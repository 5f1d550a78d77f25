"""The invented van of the demo is physical, comes out of its script, and is put right by the sheet."""

from __future__ import annotations

import importlib.util
import re
import sys

import numpy as np
import pytest
from conftest import DATA

import needlecalc as nc
from needlecalc.design.inverse.verdict import VerdictKind

spec = importlib.util.spec_from_file_location("make_drive", DATA / "make_drive.py")
make_drive = importlib.util.module_from_spec(spec)
sys.modules[spec.name] = make_drive  # its dataclass looks itself up there
spec.loader.exec_module(make_drive)


@pytest.fixture(scope="module")
def job() -> nc.Job:
    return nc.read_job(DATA / "pass_van.toml")


@pytest.fixture(scope="module")
def bands(job) -> nc.Bands:
    return job.bands(job.read_log())


def true_lift_mm(job, bands):
    return make_drive.true_lift_mm(job.setup, bands.rpm, bands.manifold_pressure_pa / 1e3)


def test_files_are_those_of_the_script(job):
    needle = job.setup.carburettor.needle
    np.testing.assert_allclose(needle.diameters_mm, make_drive.fitted_diameters(job.setup), atol=5e-4)
    rng = np.random.default_rng(make_drive.SEED)
    lines = make_drive.drive(job.setup, needle.diameters_mm, make_drive.HOLDS, rng)
    kept = (DATA / "pass_van_drive.csv").read_text(encoding="utf-8").splitlines()
    assert kept[0] == lines[0]
    figures = [
        np.array([[float(cell.replace(",", ".")) for cell in line.split(";")] for line in rows[1:]])
        for rows in (kept, lines)
    ]
    # Half a digit of each column may round the other way on another machine.
    assert (np.abs(figures[0] - figures[1]) <= [1e-9, 1.001, 0.1001, 0.001001, 0.01001, 1.001]).all()


def test_what_the_readme_of_the_data_says_of_the_van(job):
    said = (DATA / "README.md").read_text(encoding="utf-8")
    assert f"reads {make_drive.LAG_S:.2f} s late" in said
    assert f"{make_drive.TRUE_PARAMETERS.length_mm} mm long" in said
    assert re.search(rf"lambda {make_drive.CEILING:g}\b", said)
    # One needle, one lambda at one lift: the right needle gives what is wished, and the metal on it only leans.
    lift = make_drive.LIFTS_MM
    wished = make_drive.wished_lambda(lift)
    right, _ = make_drive.true_lambda(job.setup, make_drive.right_diameters(job.setup), lift)
    fitted, _ = make_drive.true_lambda(job.setup, job.setup.carburettor.needle.diameters_mm, lift)
    np.testing.assert_allclose(right, wished, rtol=0.01)
    assert (fitted / right > 0.995).all()
    assert fitted[0] / right[0] == pytest.approx(1.0, abs=0.005)


def test_bands_read_what_the_needle_gives(job, bands):
    lift = true_lift_mm(job, bands)
    true, _ = make_drive.true_lambda(job.setup, job.setup.carburettor.needle.diameters_mm, lift)
    assert (np.abs(bands.lambda_measured - true) < 4 * np.hypot(bands.lambda_se, 0.001)).all()
    assert (np.abs(bands.lift_mm - lift) < 2 * bands.lift_u_mm).all()
    assert bands.lambda_measured[-1] / 0.88 == pytest.approx(1.2, abs=0.02)
    # No load asks for another lambda at the same lift, so nothing conflicts.
    target = job.target(bands)
    np.testing.assert_allclose(target.lambda_target, make_drive.wished_lambda(lift), rtol=0.015)


def test_the_asked_needle_puts_the_van_right(job, bands):
    # The van differs from what its owner states: filling, bore length, viscosity, centring; the sheet must cover that.
    design = job.design(bands)
    assert design.met
    setup = make_drive.with_drop(job.setup, design.drop_mm)
    after, _ = make_drive.true_lambda(setup, design.needle.diameters_mm, true_lift_mm(job, bands))
    assert (after > design.final.low).all()
    assert (after < design.final.high).all()
    assert np.abs(after / design.target.lambda_target - 1.0).max() < 0.025


def test_the_second_drive_confirms_the_van_and_what_the_first_stop_left_goes_at_once(job, bands):
    second = nc.read_job(DATA / "pass_van_second.toml")
    after = second.bands(second.read_log())
    cut = second.setup.carburettor
    history = nc.History((nc.Pass(job.setup.carburettor.needle, job.setup.carburettor.jet.drop_mm, bands),))
    learned = nc.learn(history.then(cut.needle, cut.jet.drop_mm, after), job.setup)
    design = nc.solve(second.target(after), job.setup, learned=learned)
    assert not nc.learn(history, job.setup).confirmed()
    assert learned.confirmed()
    assert design.verdict.kind is VerdictKind.USABLE
    assert design.lean_margin == 0.0
    assert 10.0 < design.remove_um().max() < 30.0
    # The needle that serves the van as it truly is.
    setup = make_drive.with_drop(job.setup, design.drop_mm)
    last, _ = make_drive.true_lambda(setup, design.needle.diameters_mm, true_lift_mm(job, bands))
    assert np.abs(last / design.target.lambda_target - 1.0).max() < 0.03
    # The bore is truly 4.4 mm long, the flow law that of the van.
    names = [row["what"] for row in learned.rows()]
    length, gain = learned.rows()[names.index("jet length")], learned.rows()[names.index("flow gain")]
    assert abs(length["now"] - 4.4) < 2 * length["now_u"]
    assert abs(gain["now"] - 1.0) < 2 * gain["now_u"]


def test_what_the_nut_may_do_to_the_tested_idle_does_not_hold_the_file_back(job, bands):
    # The cut leaves idle's stations alone; with or without it the nut is set by the same hand.
    design = job.design(bands)
    assert design.remove_um()[0:4].max() == 0.0
    assert (design.stop.needle.diameters_mm < design.present().diameters_mm).any()
    assert design.stop.chance_rich <= 0.05
