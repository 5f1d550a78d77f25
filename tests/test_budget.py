"""The budget: what each source contributes adds up in squares to what the sheet states, and each is what it says."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from conftest import DATA, DIAMETERS_MM, STATIONS_MM, asked, make_setup
from test_slide import slide_setup

import needlecalc as nc
from needlecalc.design.belief.learn import origins
from needlecalc.design.belief.unknowns import Source
from needlecalc.report.language import words
from needlecalc.report.sheet import facts_of

LIFTS = np.linspace(2.0, 25.0, 8)


def demo():
    return nc.read_job(DATA / "pass_van.toml").design()


def second():
    """Both drives of the demo, learned together."""
    first, then = nc.read_job(DATA / "pass_van.toml"), nc.read_job(DATA / "pass_van_second.toml")
    bands, again = first.bands(first.read_log()), then.bands(then.read_log())
    fitted, cut = first.setup.carburettor, then.setup.carburettor
    history = nc.History((nc.Pass(fitted.needle, fitted.jet.drop_mm, bands),)).then(cut.needle, cut.jet.drop_mm, again)
    return nc.solve(then.target(again), first.setup, learned=nc.learn(history, first.setup))


def slide():
    bands = nc.typed_bands(
        [1500, 2500, 3500, 4500],
        [1.0, 1.08, 1.08, 1.1],
        lift_mm=[3.0, 8.0, 14.0, 20.0],
        air_flow_g_s=[2.0, 8.0, 18.0, 30.0],
        load=["idle", "light", "part", "full"],
    )
    setup = slide_setup(drop_min_mm=0.8, drop_max_mm=2.4)
    return nc.solve(nc.make_target(nc.with_lift(bands, setup)), setup)


def two_passes(change=0.0, band=0):
    """Two passes, one reading of the first changed by a share."""
    setup = make_setup()
    read = np.linspace(1.02, 1.15, 8)
    first = nc.typed_bands(np.linspace(900, 5000, 8), read, lift_mm=LIFTS, lift_u_mm=0.4, lambda_se=0.006)
    filed = nc.Needle("filed", STATIONS_MM, DIAMETERS_MM - np.linspace(0.0, 0.05, 13))
    then = replace(first, lambda_measured=nc.predict_lambda(setup, first, needle=filed))
    read[band] *= np.exp(change)
    passes = nc.History((nc.Pass(setup.carburettor.needle, 1.6, replace(first, lambda_measured=read)),))
    return nc.learn(passes.then(filed, 1.6, then), setup)


@pytest.mark.parametrize("made", [demo, second, slide])
def test_rows_add_up_in_squares_to_what_the_sheet_states(made):
    design = made()
    budget = design.budget()
    frame, bands = budget.to_frame(), budget.band_table()
    parts = frame.filter(regex="_um$").drop(columns=["total_um", "others_um"])
    np.testing.assert_allclose(np.sqrt((parts**2).sum(axis=1, skipna=False)), frame["total_um"])
    np.testing.assert_allclose(frame["total_um"], design.stations.u_um)
    rows = [{key: row[key] for key in row if key.endswith("_percent")} for row in bands.rows]
    for row in rows:
        own = [value for key, value in row.items() if key not in ("total_percent", "others_percent")]
        assert np.sqrt(np.sum(np.square(own))) == pytest.approx(row["total_percent"])
    # The whole of a band, by its covariance: the nut turned as the sheet tells on one day, lambda on another.
    cut = design.after_cut()
    other_day = np.hypot(cut.known.u_of(cut.other_day), cut.fuel_u)
    np.testing.assert_allclose([row["total_percent"] for row in rows], 100.0 * other_day)
    # What the sheet prints comes from 400 cars through the flow law; a straight budget comes near.
    final = design.final
    half = 100.0 * (final.high - final.low) / final.expected / 2.0 / 1.645
    np.testing.assert_allclose(budget.lambda_u_percent(), half, rtol=0.2)
    assert np.abs(np.log(budget.lambda_u_percent() / half)).mean() < 0.08


def test_what_goes_into_an_estimate_errs_by_itself():
    learned = two_passes()
    names, shares = origins(learned)
    assert len(names) == len(shares)
    np.testing.assert_allclose(shares.T @ shares, np.eye(shares.shape[1]), atol=1e-8)
    assert {Source.TABLE, Source.MICROMETER, Source.LAMBDA, Source.LIFT, Source.FUEL_TEMPERATURE} < set(names)


@pytest.mark.parametrize("band", [0, 3, 7])
def test_a_reading_that_errs_moves_the_estimate_by_its_row(band):
    learned = two_passes()
    names, shares = origins(learned)
    u = float(np.hypot(0.006 / learned.history.passes[0].bands.lambda_measured[band], learned.doubts.repeatability))
    # Readings of lambda stand after the unknowns' own, pass by pass.
    row = len(learned.place.sources()) + band
    assert names[row] is Source.LAMBDA
    step = 0.05
    moved = two_passes(step * u, band).mean - two_passes(-step * u, band).mean
    apart = moved / (2.0 * step) - learned.estimate.root @ shares[row]
    apart[learned.place.shared("eccentricity")] = 0.0  # by its square: the misfit bends there, and is not straight
    assert (np.abs(apart) <= 0.01 * learned.u()).all()
    assert np.abs(learned.estimate.root @ shares[row] / learned.u()).max() > 0.1


def test_the_greatest_source_is_the_one_made_great():
    target = asked(make_setup(), LIFTS, np.linspace(1.02, 1.12, 8), 0.95, lambda_se=0.01)
    for doubts, source in (
        (nc.Doubts(fuel_temperature_k=25.0), Source.FUEL_TEMPERATURE),
        (nc.Doubts(hand_mm=0.05), Source.HAND),
        (nc.Doubts(flow_gain=0.5), Source.FLOW_GAIN),
    ):
        budget = nc.solve(target, make_setup(), doubts=doubts, with_alternatives=False).budget()
        most = max(budget.lambda_percent, key=lambda one: float(np.square(budget.lambda_percent[one]).sum()))
        assert most is source
        assert words.SOURCES[source].split()[0] in str(budget.band_table())
        assert words.SOURCES[source] in nc.plot(budget, "bands").get_label()


def test_shares_are_stacked_to_the_whole():
    budget = demo().budget()
    for part in ("diameters", "bands"):
        bars = nc.plot(budget, part).patches
        told = np.isfinite(budget.diameter_u_um()) if part == "diameters" else np.ones(budget.bands.rpm.size, dtype=bool)
        heights = np.array([bar.get_height() for bar in bars]).reshape(-1, told.sum())
        np.testing.assert_allclose(heights.sum(axis=0), 100.0)
        assert len({(bar.get_facecolor(), bar.get_hatch()) for bar in bars}) == len(heights)


def test_a_design_of_an_older_version_has_no_budget_and_says_so(tmp_path):
    job = nc.read_job(DATA / "pass_van.toml")
    bands = job.bands(job.read_log())
    facts = json.loads(json.dumps(facts_of(job.sheet(job.design(bands)))))
    file = tmp_path / "design.json"
    file.write_text(json.dumps(facts))
    whole = nc.read_design(file, job, bands).budget()
    np.testing.assert_allclose(whole.diameter_u_um(), [um or np.nan for um in facts["stations"]["u_um"]])
    del facts["stations"]["by_source"]
    file.write_text(json.dumps(facts | {"format": 3}))
    with pytest.raises(nc.InputError, match="without its uncertainties; run the design again"):
        nc.read_design(file, job, bands).budget()
