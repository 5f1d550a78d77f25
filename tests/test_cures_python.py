"""Every cure of a call in Python works: what the message tells to write is written as it stands there."""

from __future__ import annotations

import io
import re
from dataclasses import replace

import numpy as np
import pytest
from conftest import DIAMETERS_MM, STATIONS_MM, asked, make_setup
from log_cases import BASE, made

import needlecalc as nc
from needlecalc.measure import merge_bands, normalise_bands

SETUP = make_setup(drop_min_mm=0.8, drop_max_mm=2.5)
NEEDLE = SETUP.carburettor.needle
LIFTS = [3.0, 8.0, 14.0, 20.0]
RPM = [900.0, 2000.0, 3000.0, 4000.0]
LOADS = ["idle", "light", "full", "full"]
TYPED = {"load": LOADS, "lift_mm": LIFTS}
BANDS = nc.typed_bands(RPM, [1.02, 1.03, 1.04, 1.05], **TYPED)
TARGET = asked(SETUP, LIFTS, [1.02, 1.03, 1.04, 1.05], 0.97)
DROP_MM = SETUP.carburettor.jet.drop_mm
DESIGN = nc.solve(TARGET, SETUP, with_alternatives=False)
OTHER_DAY = replace(SETUP, air=nc.Air(temperature_degc=2.0))
STRONGER = replace(
    SETUP,
    carburettor=replace(SETUP.carburettor, air_valve=replace(SETUP.carburettor.air_valve, spring_preload_n=3.2)),
)
ON_ONE_DAY, ON_ANOTHER = BANDS.having(setup=SETUP), BANDS.having(setup=OTHER_DAY)
RED = nc.check_engine(BANDS, mechanical=nc.checks.Mechanical(choke_off=False))


def table(text: str) -> io.StringIO:
    """A drive of two minutes, its columns named by the head."""
    rows = "".join(f"{k / 5},{[900, 2400][k // 300]},{14.1 + k % 3 / 10:.1f},{90 + k % 2}\n" for k in range(600))
    return io.StringIO(f"{text}\n{rows}")


LOG = nc.read_log(table("Time [s],RPM,AFR,temp 2"))
# Name: the call that is refused, the words of its cure, and the call cured by what they say.
CASES = {
    "a meaning misspelt": (
        lambda: made(BASE, columns={"speed": "RPM"}),
        r"'speed' is not a meaning; known are time, (rpm), lambda",
        lambda found: made(BASE, columns={found[1]: "RPM"}),
    ),
    "a column that is no text": (
        lambda: made(BASE, columns={"rpm": 2}),
        r"must be a text, as in (columns)=\{'(rpm)': '\.\.\.'\}",
        lambda found: made(BASE, **{found[1]: {found[2]: "RPM"}}),
    ),
    "a unit that measures something else": (
        lambda: made({**BASE, "MAP": 40.0}, units={"manifold_pressure": "degC"}),
        r"must be a unit of (pressure)",
        lambda _found: made({**BASE, "MAP": 40.0}, units={"manifold_pressure": "kPa"}),
    ),
    "a warm engine asked of a log without coolant": (
        lambda: nc.make_bands(LOG, lag_s=0.3, warm_above_degc=70.0),
        r"name its column, columns=\{'(coolant)': '\.\.\.'\}",
        lambda found: nc.make_bands(
            nc.read_log(table("Time [s],RPM,AFR,temp 2"), columns={found[1]: "temp 2"}, units={found[1]: "degC"}),
            lag_s=0.3,
            warm_above_degc=70.0,
        ),
    ),
    "a warm engine, the argument left out": (
        lambda: nc.make_bands(LOG, lag_s=0.3, warm_above_degc=70.0),
        r"or leave (warm_above_degc) out",
        lambda _found: nc.make_bands(LOG, lag_s=0.3),
    ),
    "an air-fuel ratio": (
        lambda: nc.typed_bands(RPM, [15.0, 15.1, 15.3, 15.4], **TYPED),
        r"divide it by (14\.7)",
        lambda found: nc.typed_bands(RPM, np.array([15.0, 15.1, 15.3, 15.4]) / float(found[1]), **TYPED),
    ),
    "loads of another number": (
        lambda: nc.typed_bands(RPM, [1.0] * 4, load=["idle", "full"], lift_mm=LIFTS),
        r"must be a list of (4) names, one for each band, such as '(idle)' or '(full)'",
        lambda found: nc.typed_bands(RPM, [1.0] * 4, load=[found[2], *[found[3]] * (int(found[1]) - 1)], lift_mm=LIFTS),
    ),
    "a lift not read": (
        lambda: nc.typed_bands(RPM, [1.0] * 4, load=LOADS, lift_mm=LIFTS[:3]),
        r"put (nan) where none was read",
        lambda found: nc.typed_bands(RPM, [1.0] * 4, load=LOADS, lift_mm=[*LIFTS[:3], float(found[1])]),
    ),
    "bands of no stated setup": (
        lambda: normalise_bands(BANDS, air=nc.Air(9e4)),
        r"state it: bands\.(having)\((setup)=setup\)",
        lambda found: normalise_bands(getattr(BANDS, found[1])(**{found[2]: SETUP}), air=nc.Air(9e4)),
    ),
    "drives of two days, brought to one air": (
        lambda: merge_bands(ON_ONE_DAY, ON_ANOTHER),
        r"to one air and fuel with nc\.measure\.(normalise_bands)",
        lambda found: merge_bands(ON_ONE_DAY, getattr(nc.measure, found[1])(ON_ANOTHER, air=SETUP.air).bands),
    ),
    "lifts under another spring": (
        lambda: nc.with_lift(BANDS, SETUP, lift_mm=LIFTS, lift_setup=STRONGER),
        r"or set (restate) to have them read over",
        lambda found: nc.with_lift(BANDS, SETUP, lift_mm=LIFTS, lift_setup=STRONGER, **{found[1]: True}),
    ),
    "readings weighed against no air flow": (
        lambda: nc.with_lift(BANDS, SETUP, lift_mm=LIFTS, combine=True),
        r"(combine) needs an air flow .*; leave it out",
        lambda _found: nc.with_lift(BANDS, SETUP, lift_mm=LIFTS),
    ),
    "a load without a target": (
        lambda: nc.make_target(replace(BANDS, load=("idle", "cruise", "full", "full"))),
        r"no target for load '(cruise)'; add it to the target table",
        lambda found: nc.make_target(
            replace(BANDS, load=("idle", "cruise", "full", "full")), lambda_by_load={found[1]: 0.97}
        ),
    ),
    "a load that no band has": (
        lambda: nc.make_target(BANDS, lambda_by_load={"fulll": 0.88}),
        r"names load 'fulll', but the bands have (full), idle, light",
        lambda found: nc.make_target(BANDS, lambda_by_load={found[1]: 0.88}),
    ),
    "a speed that is none": (
        lambda: nc.make_target(BANDS, lambda_by_load={"full@fast": 0.88}),
        r"the speed of one band, as in '(full@3000)'",
        lambda found: nc.make_target(BANDS, lambda_by_load={found[1]: 0.88}),
    ),
    "ends of the nut exchanged": (
        lambda: nc.Limits(drop_min_mm=2.0, drop_max_mm=1.0),
        r"drop_min_mm is (2) and drop_max_mm (1); exchange the two",
        lambda found: nc.Limits(drop_min_mm=float(found[2]), drop_max_mm=float(found[1])),
    ),
    "one end of the jet's travel": (
        lambda: nc.Jet(2.54, 1.6, drop_min_mm=0.8),
        r"give both ends of the jet's travel, or neither",
        lambda _found: nc.Jet(2.54, 1.6, drop_min_mm=0.8, drop_max_mm=2.5),
    ),
    "half flats by another word": (
        lambda: nc.Limits(flats="halves"),
        r"must be '(half)' or 'whole'",
        lambda found: nc.Limits(flats=found[1]),
    ),
    "a limit of one number": (
        lambda: nc.checks.CheckLimits(idle_wander=3.0),
        r"must be two numbers, amber then red, such as (\(.*?\))",
        lambda found: nc.checks.CheckLimits(idle_wander=eval(found[1])),
    ),
    "amber above red": (
        lambda: nc.checks.CheckLimits(idle_wander=(5.0, 2.0)),
        r"put amber first, then red",
        lambda _found: nc.checks.CheckLimits(idle_wander=(2.0, 5.0)),
    ),
    "a needle read at fewer stations": (
        lambda: nc.checks.NeedleReading(NEEDLE, DIAMETERS_MM[:4]),
        r"has (\d+) stations; give one each, (nan) where none",
        lambda found: nc.checks.NeedleReading(NEEDLE, [*DIAMETERS_MM[:4], *[float(found[2])] * (int(found[1]) - 4)]),
    ),
    "a check that is none": (
        lambda: RED.named("chock"),
        r"There is no check 'chock'; they are compression, valve gaps, air filter, (choke)",
        lambda found: RED.named(found[1]),
    ),
    "an override of one word": (
        lambda: RED.override("yes"),
        r"must be a sentence of (\d+) words or more",
        lambda found: RED.override(" ".join(["seen"] * int(found[1]))).gate(),
    ),
    "an override of nothing": (
        lambda: nc.check_engine(BANDS).override("all was looked at"),
        r"take the reason out",
        lambda _found: nc.check_engine(BANDS).gate(),
    ),
    "a pass without its needle": (
        lambda: nc.compare_pass(nc.learn(BANDS, SETUP), BANDS),
        r"needs the (needle) and (drop_mm) of the drive; give both",
        lambda found: nc.compare_pass(
            nc.learn(BANDS, SETUP), BANDS, **{found[1]: DESIGN.stop.needle, found[2]: DESIGN.drop_mm}
        ),
    ),
    "a pass, by the design that was cut": (
        lambda: nc.compare_pass(nc.learn(BANDS, SETUP), BANDS),
        r"or the (design) that was cut",
        lambda _found: nc.compare_pass(DESIGN, TARGET.bands),
    ),
    "a target of other bands": (
        lambda: nc.solve(nc.make_target(replace(BANDS, lambda_measured=[1.0] * 4)), SETUP, learned=nc.learn(BANDS, SETUP)),
        r"make the target from the bands of the last pass",
        lambda _found: nc.solve(nc.make_target(BANDS), SETUP, learned=nc.learn(BANDS, SETUP), with_alternatives=False),
    ),
    "a part of a plot that is none": (
        lambda: nc.plot(DESIGN, "profil"),
        r"must be '(profile)' or",
        lambda found: nc.plot(DESIGN, found[1]),
    ),
    "a needle in inches": (
        lambda: nc.Needle("n", STATIONS_MM, np.array(DIAMETERS_MM) / 25.4),
        r"looks like inches; give diameters in (mm)",
        lambda _found: nc.Needle("n", STATIONS_MM, DIAMETERS_MM),
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_the_cure_of_a_call_works_as_it_is_written(name):
    refused, words, cured = CASES[name]
    with pytest.raises(nc.InputError) as said:
        refused()
    found = re.search(words, str(said.value))
    assert found, str(said.value)
    cured(found)
