"""All faults of a job at once, each with file, line, section and key; and the cures that the messages name."""

from __future__ import annotations

import pytest
from door_cases import change

import needlecalc as nc
from needlecalc.__main__ import main
from needlecalc.jobfile import JobFaults


def faults_of(job):
    with pytest.raises(JobFaults) as found:
        nc.read_job(job)
    return found.value.faults


def line_of(job, start):
    return next(k for k, line in enumerate(job.read_text().splitlines(), 1) if line.startswith(start))


def test_every_fault_is_said_in_one_go_with_its_line(case, capsys):
    change(case, "bore_mm = 2.54\n", "bore_mm = 254\n")
    change(case, "cylinders = 4", 'cylinders = "four"')
    change(case, "ethanol_percent = 5.0", "ethanol_percent = 500.0")
    change(case, "humidity = 0.5", "humidty = 0.5")
    change(case, "[target]", "[limits]\nmax_cut_mm = 30\n[doubt]\n[target]")
    change(case, 'file = "pass_van_needle.csv"', 'file = "none.csv"')
    lines = {key: line_of(case, key) for key in ("bore_mm", "cylinders", "ethanol", "humidty", "max_cut_mm", "[doubt]")}
    said = faults_of(case)
    assert len(said) == 7
    for words, key in (
        ("[doubt] is no section", "[doubt]"),
        ("[engine] cylinders is 'four', but must be a number", "cylinders"),
        ("[limits] max_cut_mm is 30, but must lie between 0 and 2", "max_cut_mm"),
        ("[jet] bore_mm is 254, but must lie between 1 and 6", "bore_mm"),
        ("[fuel] ethanol_percent is 500, but must", "ethanol"),
        ("[air] has no key 'humidty'", "humidty"),
    ):
        assert any(fault.startswith(f"pass_van.toml, line {lines[key]}: {words}") for fault in said), (words, said)
    assert any(fault.startswith("none.csv: the needle table cannot be read") for fault in said)
    assert main(["design", str(case)]) == 2
    printed = capsys.readouterr().err.splitlines()
    assert len(printed) == 7
    assert all(line.startswith("needlecalc: ") for line in printed)


@pytest.mark.parametrize(
    ("section", "old", "new", "words"),
    [
        ("air", "pressure_pa = 95000", "altitude_m = 9999", "altitude_m is 9999, but must lie between"),
        ("engine", "cylinders = 4", "cylinders = 0", "cylinders is 0, but must be a whole number"),
        ("jet", 'mounting = "centred"', 'mounting = "loose"', "mounting is 'loose', but must be"),
        ("needle", 'name = "van as fitted"', 'name = "?"', "name is '?', but must be text; the ? stands where"),
        ("paper", "[target]", '[paper]\nsize = "A0"\n[target]', "size is 'A0', but must be"),
    ],
)
def test_a_fault_of_a_key_names_its_section_once_and_its_own_line(case, section, old, new, words):
    change(case, old, new)
    line = line_of(case, new.splitlines()[-2 if "[target]" in new else 0])
    (said,) = faults_of(case)
    assert said.startswith(f"pass_van.toml, line {line}: [{section}] {words}")


def test_a_car_without_its_name_is_told(case):
    change(case, 'name = "pass-road van (invented)"', 'name = "?"')
    (said,) = faults_of(case)
    where = f"pass_van.toml, line {line_of(case, 'name')}: "
    assert said == f"{where}name is '?', but must be text; the ? stands where it is to be filled in."


def test_a_decimal_comma_is_told_and_what_else_is_wrong_too(case):
    change(case, "bore_mm = 2.54", "bore_mm = 2,54")
    change(case, "displacement_cm3 = 1250", 'displacement_cm3 = "1250,0"')
    first, second = faults_of(case)
    where = f"pass_van.toml, line {line_of(case, 'bore_mm')}: "
    assert first == f"{where}bore_mm is 2,54, but a number takes a decimal point; write 2.54."
    assert "[engine] displacement_cm3 is '1250,0', but must be a number; write it bare and with a decimal point" in second
    # As the messages say.
    change(case, "bore_mm = 2,54", "bore_mm = 2.54")
    change(case, '"1250,0"', "1250.0")
    assert nc.read_job(case).setup.carburettor.jet.bore_mm == 2.54


def test_a_question_mark_without_quotes_is_a_blank_too(case):
    change(case, "bore_mm = 2.54", "bore_mm = ?  # measure it")
    (fault,) = faults_of(case)
    assert "[jet] bore_mm is '?', but must be a number; the ? stands where it is to be filled in" in fault


def test_what_is_no_toml_at_all_keeps_its_words(case):
    change(case, "[jet]", "[jet")
    (fault,) = faults_of(case)
    assert fault.startswith("pass_van.toml is not valid TOML: ")


@pytest.mark.parametrize(
    ("old", "new", "near"),
    [
        ("light = 1.00", "ligth = 1.00", "Perhaps light is meant"),
        ("loads_kpa = { light = [40, 70]", "loads_kpa = { lihgt = [40, 70]", "Perhaps light is meant"),
    ],
)
def test_a_load_misspelt_gets_the_nearest_word(case, old, new, near):
    change(case, old, new)
    job = nc.read_job(case)
    with pytest.raises(nc.InputError, match=near):
        job.target(job.bands(job.read_log()))
