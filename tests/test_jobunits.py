"""Keys of a job in the units people have; figures by the definition of the units."""

from __future__ import annotations

import numpy as np
import pytest
from door_cases import change, typed_job

import needlecalc as nc
from needlecalc.__main__ import main
from needlecalc.jobfile import JobFaults, converted, spellings
from needlecalc.jobkeys import keys_of, sections
from needlecalc.jobkinds import NUMBER, NUMBERS, keys_taken

# BIPM SI brochure (inch, pound, standard gravity: exact); NIST SP 811 appendix B (in Hg at 32 degF, psi, in H2O at 4 degC).
FIGURES = [
    ("jet", "bore_in", 0.1, "bore_mm", 2.54),
    ("jet", "bore_thou", 100, "bore_mm", 2.54),
    ("engine", "displacement_l", 1.25, "displacement_cm3", 1250.0),
    ("engine", "displacement_cuin", 100.0, "displacement_cm3", 1638.7064),
    ("air_valve", "piston_mass_g", 340, "piston_mass_kg", 0.34),
    ("air_valve", "piston_mass_oz", 12, "piston_mass_kg", 0.34019428),
    ("air_valve", "spring_preload_ozf", 8, "spring_preload_n", 2.2241108),
    ("air", "pressure_inhg", 28.0, "pressure_pa", 94818.9),
    ("air", "pressure_mbar", 950, "pressure_pa", 95000.0),
    ("air", "pressure_psi", 14.0, "pressure_pa", 96526.6),
    ("air", "temperature_degf", 68, "temperature_degc", 20.0),
    ("altitude", "home_ft", 1000, "home_m", 304.8),
    ("bands", "afr_measured", [14.7, 13.23], "lambda_measured", [1.0, 0.9]),
    ("lean_limits.full", "afr_measured", [14.7], "lambda_measured", [1.0]),
    ("lift", "lift_in", [0.1, float("nan")], "lift_mm", [2.54, float("nan")]),
    ("lift", "depression_inh2o", [6.0], "depression_pa", [1494.534]),
]


def job_of(section, keys):
    part = {name: {} for name in ("air", "altitude", "bands", "calibration", "jet", "engine", "air_valve", "lift")}
    return {**part, section: keys}


@pytest.mark.parametrize(("section", "key", "value", "usual", "wanted"), FIGURES)
def test_units_at_the_end_of_a_key(section, key, value, usual, wanted):
    made, written = converted(job_of(section, {key: value}))
    np.testing.assert_allclose(made[section][usual], wanted, rtol=1e-5)
    assert (key in made[section], written) == (False, {(section, usual): key})


@pytest.mark.parametrize(("key", "value"), [("manifold_vacuum_inhg", 10.0), ("manifold_vacuum_kpa", 33.86389)])
def test_a_vacuum_counts_down_from_the_air_of_the_day(key, value):
    made, _ = converted({**job_of("bands", {key: [value, 0.0]}), "air": {"pressure_hpa": 950}})
    np.testing.assert_allclose(made["bands"]["manifold_pressure_pa"], [95000 - 33863.89, 95000.0], rtol=1e-6)
    made, _ = converted({**job_of("bands", {key: [value]}), "altitude": {"home_m": 1000}})
    np.testing.assert_allclose(made["bands"]["manifold_pressure_pa"], [nc.Air.at_altitude(1000).pressure_pa - 33863.89])


def test_what_is_converted_is_said_and_comes_to_the_same(case, capsys):
    typed_job(case)
    before = nc.read_job(case).setup
    change(case, "bore_mm = 2.54", "bore_in = 0.1")
    change(case, "pressure_pa = 95000", "pressure_hpa = 950")
    change(case, "piston_mass_kg = 0.34", "piston_mass_g = 340")
    job = nc.read_job(case)
    after = job.setup
    assert after.air == before.air
    assert after.carburettor.jet == before.carburettor.jet
    assert after.carburettor.air_valve == before.carburettor.air_valve
    assert main(["check", str(case)]) in (0, 4)
    printed = capsys.readouterr().out
    assert "Converted: [jet] bore_in is bore_mm = 2.54; [air_valve] piston_mass_g is piston_mass_kg = 0.34; " in printed


def test_a_fault_of_a_converted_key_names_the_key_that_was_written(case):
    change(case, "bore_mm = 2.54", "bore_in = 2.54")
    with pytest.raises(JobFaults) as found:
        nc.read_job(case)
    (fault,) = found.value.faults
    line = next(k for k, text in enumerate(case.read_text().splitlines(), 1) if text.startswith("bore_in"))
    assert fault.startswith(f"pass_van.toml, line {line}: [jet] bore_mm is 64.516, but must lie between 1 and 6")
    assert fault.endswith("It is written as bore_in, and converted.")


def test_the_same_key_in_two_units_is_refused(case):
    change(case, "bore_mm = 2.54", "bore_mm = 2.54\nbore_in = 0.1")
    with pytest.raises(nc.InputError, match=r"\[jet\] has no key 'bore_in'"):
        nc.read_job(case)


def test_no_key_of_a_job_reads_as_another_in_another_unit():
    for section in sections():
        known = keys_taken(section)
        for key in (key for key in keys_of(section) if {NUMBER, NUMBERS} & set(key.kinds)):
            assert not set(spellings(key.name)) & set(known)
