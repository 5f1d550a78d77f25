"""Every cure works: what a message tells to write is written as it stands there, and the job must then be read."""

from __future__ import annotations

import re
import shutil

import numpy as np
import pytest
from conftest import DATA, DIAMETERS_MM

import needlecalc as nc
from needlecalc.__main__ import main
from needlecalc.jobkeys import key_tables

SECTIONS = {
    "needle": 'file = "needle.csv"',
    "jet": "bore_mm = 2.54",
    "bands": """rpm = [900, 2000, 3000, 4000]
load = ["idle", "part", "full", "full"]
lambda_measured = [0.95, 1.02, 1.00, 1.02]""",
    "lift": "lift_mm = [3.0, 10.0, 16.0, 22.0]",
}
VALVE = "throat_bore_mm = 42\ndisc_diameter_mm = 66\npiston_mass_kg = 0.34\nspring_preload_n = 2.2"
ENGINE = "displacement_cm3 = 1250\ncylinders = 4"
LOGGED = {"bands": "", "lift": "", "log": 'file = "drive.csv"', "air_valve": VALVE, "engine": ENGINE}


def filled(tmp_path):
    """The folder with a needle table and a log in it."""
    rows = [f"{k},{3.175 * (k - 1):g},{diameter}" for k, diameter in enumerate(DIAMETERS_MM, start=1)]
    (tmp_path / "needle.csv").write_text("station,distance_mm,diameter_mm\n" + "\n".join(rows) + "\n")
    shutil.copy(DATA / "pass_van_drive.csv", tmp_path / "drive.csv")
    return tmp_path


@pytest.fixture
def folder(tmp_path):
    return filled(tmp_path)


def write(folder, sections):
    """A job of these sections; those that hold nothing are left out."""
    job = folder / "job.toml"
    text = "".join(f"[{name}]\n{keys}\n" for name, keys in sections.items() if keys)
    job.write_text(text.replace("[[[", "[[").replace("]]]", "]]"))
    return job


def walk(job):
    """The whole road but for the solver."""
    made = nc.read_job(job)
    made.history_path()
    bands = made.bands(made.read_log())
    made.checks(bands)
    made.target(bands)
    made.jet_drive(bands)
    made.learned(bands)
    return made


def replaced(section, **keys):
    """The section with these keys written otherwise, or besides."""

    def change(sections, _found):
        lines = [line for line in sections.get(section, "").splitlines() if line.partition(" = ")[0] not in keys]
        return {**sections, section: "\n".join([*lines, *(f"{key} = {value}" for key, value in keys.items())])}

    return change


def told(section):
    """What the first group of the message says, written under the section."""
    return lambda sections, found: replaced(section, **dict([found[1].split(" = ", 1)]))(sections, found)


def without(*names):
    return lambda sections, _found: {name: keys for name, keys in sections.items() if name not in names}


CASES = {
    "a log without a file": (
        {**LOGGED, "log": "decimal = ','"},
        r"names no file; write (file = \"drive\.csv\")\.",
        told("log"),
    ),
    "a history without a file": (
        {"history": "# none yet\nfiles = 1"},
        r"\[history\] has no key 'files'; .* Perhaps (file) is meant",
        lambda sections, found: {**sections, "history": f'{found[1]} = "passes.json"'},
    ),
    "no drive": (
        {"bands": "", "lift": ""},
        r"neither a \[log\] file nor typed \[bands\] rpm and lambda_measured; give one",
        lambda _sections, _found: SECTIONS,
    ),
    "two drives": (
        {"log": LOGGED["log"]},
        r"types its \[bands\] in and names a \[log\] too; keep the one that counts",
        without("log"),
    ),
    "a lambda in quotes": (
        {"target": "full = '0,88'"},
        r"must be a number; write it bare and with a decimal point, as (0\.88)",
        lambda sections, found: replaced("target", full=found[1])(sections, found),
    ),
    "a target of another kind": ({"target": "full = true"}, r"full is true", replaced("target", full="0.88")),
    "a load without a lambda": (
        {"bands": SECTIONS["bands"].replace("part", "cruise")},
        r"or state the lambda wanted there, as (cruise = 0\.95)\.",
        told("target"),
    ),
    "loads of other words": (
        {"bands": SECTIONS["bands"].replace("idle", "3/4").replace("part", "cruise")},
        r"load '3/4' and 'cruise' have no lambda .* as (\"3/4\" = 0\.95) and (cruise = 0\.95)\.",
        lambda sections, found: {**sections, "target": f"{found[1]}\n{found[2]}"},
    ),
    "a decimal comma in a row": (
        {"bands": SECTIONS["bands"].replace("0.95,", "0,95,")},
        r"rpm has 4, lambda_measured has 5; a decimal has a (point)",
        lambda sections, found: {**sections, "bands": SECTIONS["bands"]},
    ),
    "a load no band has": (
        {"target": "ful = 0.88"},
        r"\[target\] names load 'ful', .* Perhaps (full) is meant",
        lambda sections, found: {**sections, "target": f"{found[1]} = 0.88"},
    ),
    "a load of one pressure": (
        {**LOGGED, "bands": "loads_kpa = { part = [40], full = [70, 110] }", "air_valve": VALVE, "engine": ENGINE},
        r"two pressures in kPa, the lower first, written (\[40, 70\])",
        lambda sections, found: replaced("bands", loads_kpa=f"{{ part = {found[1]}, full = [70, 110] }}")(sections, found),
    ),
    "a load upside down": (
        {**LOGGED, "bands": "loads_kpa = { part = [70, 40], full = [70, 110] }", "air_valve": VALVE, "engine": ENGINE},
        r"must be two pressures in kPa, the lower first",
        replaced("bands", loads_kpa="{ part = [40, 70], full = [70, 110] }"),
    ),
    "a gas reading with single brackets": (
        {"checks.gases": 'at = "idle"\nco_percent = 1.5'},
        r"write \[(\[checks\.gases\])\], with double brackets",
        lambda sections, found: {
            **without("checks.gases")(sections, found),
            f"[{found[1][1:-1]}]": sections["checks.gases"],
        },
    ),
    "a sweep without its steps": (
        {"lean_limits.one": 'load = "part"\nrpm = 2000'},
        r"lacks (lambda_measured), (rough); add them",
        lambda sections, found: replaced(
            "lean_limits.one", **{found[1]: "[1.0, 1.1, 1.2]", found[2]: "[false, false, true]"}
        )(sections, found),
    ),
    "a jet moved nobody says how far": (
        {"calibration": SECTIONS["bands"].replace("0.95, 1.02, 1.00, 1.02", "0.90, 0.98, 0.97, 0.99")},
        r"write (flats = 2), positive lowers the jet",
        told("calibration"),
    ),
    "both kinds of valve": (
        {"air_valve": VALVE, "slide_valve": "throat_bore_mm = 42"},
        r"keep the one your carburettor has",
        without("slide_valve"),
    ),
    "a key left out": (
        {"jet": "drop_mm = 1.6"},
        r"\[jet\] lacks (bore_mm); add it",
        lambda sections, found: replaced("jet", **{found[1]: "2.54"})(sections, found),
    ),
    "a key misspelt": (
        {"fuel": "ethanol_percnt = 5"},
        r"Perhaps (ethanol_percent) is meant",
        lambda sections, found: {**sections, "fuel": f"{found[1]} = 5"},
    ),
    "a section misspelt": (
        {"fule": "ethanol_percent = 5"},
        r"Perhaps (fuel) is meant",
        lambda sections, found: {**without("fule")(sections, found), found[1]: sections["fule"]},
    ),
    "a number in brackets": (
        {"jet": "bore_mm = [2.54]"},
        r"must be a number; write it bare, as (2\.54)\.",
        lambda sections, found: {**sections, "jet": f"bore_mm = {found[1]}"},
    ),
    "a word without quotes": (
        {"jet": "bore_mm = 2.54\nmounting = 3"},
        r"write it in quotes",
        replaced("jet", mounting='"centred"'),
    ),
    "yes for true": (
        {"checks.mechanical": 'choke_off = "yes"'},
        r"must be true or false; write it in small letters without quotes",
        replaced("checks.mechanical", choke_off="true"),
    ),
    "a key for a section": (
        {"checks": "mechanical = 1"},
        r"give it a heading (\[checks\.mechanical\]) with its keys below",
        lambda sections, found: {**without("checks")(sections, found), found[1][1:-1]: "choke_off = true"},
    ),
    "a key of very many": (
        {"checks.limits": "idle_wander_x = [2, 3]"},
        r"python -m needlecalc (keys) (checks\.limits) lists those it knows",
        lambda sections, found: {
            **sections,
            "checks.limits": f"{key_tables(found[2])[0].rows[0]['key']} = [2, 3]",
        },
    ),
    "text without quotes": (
        {"jet": "bore_mm = 2.54\nmounting = centred  # by its washer"},
        r"line \d+: mounting is centred, but text stands in quotes; write (\"centred\")\.",
        lambda sections, found: replaced("jet", mounting=found[1])(sections, found),
    ),
    "a row of texts without quotes": (
        {"bands": SECTIONS["bands"].replace('"', "")},
        r"load is \[idle, part, full, full\], but text stands in quotes; write (\[.*?\])\.",
        lambda sections, found: replaced("bands", load=found[1])(sections, found),
    ),
    "true with a capital": (
        {"checks.mechanical": "choke_off = True"},
        r"choke_off is True, but it is written small; write (true)\.",
        lambda sections, found: {**sections, "checks.mechanical": f"choke_off = {found[1]}"},
    ),
    "a bank that is none": (
        {"bands": f'{SECTIONS["bands"]}\nbank = ["left", "left", "left", "left"]\nonly_bank = "middle"'},
        r"the banks are: (left)\. Name one of them",
        lambda sections, found: replaced("bands", only_bank=f'"{found[1]}"')(sections, found),
    ),
    "one bank where no band names any": (
        {"bands": f'{SECTIONS["bands"]}\nonly_bank = "left"'},
        r"no band names a bank; leave only_bank out",
        lambda sections, _found: {**sections, "bands": SECTIONS["bands"]},
    ),
    "a file without quotes about its name": (
        {**LOGGED, "log": "file = 3"},
        r"write it in quotes, as (\"drive\.csv\")\.",
        lambda sections, found: replaced("log", file=found[1])(sections, found),
    ),
    "lifts to compute from parts nobody stated": (
        {**LOGGED, "air_valve": "", "engine": ""},
        r"its lift was not read .* lacks (\[.*?\))\. Add them, or type",
        lambda sections, found: {
            **sections,
            **{
                section: "\n".join(line for line in keys.splitlines() if f"[{section}] {line.split()[0]} (" in found[1])
                for section, keys in (("engine", ENGINE), ("air_valve", VALVE))
            },
        },
    ),
    "an air-fuel ratio": (
        {"bands": SECTIONS["bands"].replace("0.95, 1.02, 1.00, 1.02", "13.9, 15.0, 14.7, 15.0")},
        r"divide it by (14\.7)\.",
        lambda sections, found: {
            **sections,
            "bands": SECTIONS["bands"].replace(
                "0.95, 1.02, 1.00, 1.02", ", ".join(f"{ratio / float(found[1]):.4f}" for ratio in (13.9, 15.0, 14.7, 15.0))
            ),
        },
    ),
    "inches in a bore": (
        {"jet": "bore_mm = 0.1"},
        r"It looks like inches; 0\.1 in is (2\.54) mm",
        lambda sections, found: {**sections, "jet": f"bore_mm = {found[1]}"},
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_the_cure_of_a_job_works_as_it_is_written(folder, name):
    spoilt, words, cure = CASES[name]
    sections = {**SECTIONS, **spoilt}
    with pytest.raises(nc.InputError) as refused:
        walk(write(folder, sections))
    found = re.search(words, str(refused.value))
    assert found, str(refused.value)
    made = walk(write(folder, cure(sections, found)))
    assert np.isfinite(made.bands(made.read_log()).lift_mm).all()


def test_a_column_of_a_job_that_is_not_there_is_one_of_those_told(folder):
    sections = {**SECTIONS, **LOGGED, "log.columns": 'rpm = "engine speed"'}
    with pytest.raises(nc.InputError, match="has no such name") as refused:
        walk(write(folder, sections))
    (there,) = re.findall(r"\w+_rpm", str(refused.value))
    assert walk(write(folder, {**sections, "log.columns": f'rpm = "{there}"'})).read_log()


LINES = [f"{k / 5},{[900, 2400][k // 100]},{14.1 + k % 3 / 10:.1f},{[18.0, 3.0][k // 100] + k % 2 / 10}" for k in range(200)]
LOGS = {
    "two mixtures that differ": (
        "Time [s],RPM,AFR front,AFR rear",
        [f"{line},13.0".replace(line.split(",")[3] + ",", "") for line in LINES],
        {},
    ),
    "no engine speed": ("Time [s],wheel,AFR,Vacuum [inHg]", LINES, {"log.columns": ("rpm", "wheel")}),
    "a pressure that says no unit": (
        "Time [s],RPM,AFR,MAP",
        [line + "0000" for line in LINES],
        {"log.units": ("manifold_pressure", "inHg vacuum")},
    ),
}


@pytest.mark.parametrize("name", LOGS)
def test_the_cure_of_a_log_is_spelt_for_the_job(folder, name):
    """What is told for a job file, in its own section, with the column or unit that is right put in place of the dots."""
    head, lines, right = LOGS[name]
    (folder / "drive.csv").write_text("\n".join([head, *lines]) + "\n")
    sections = {**SECTIONS, **LOGGED}
    job = nc.read_job(write(folder, sections))
    try:
        said = job.read_log().report()
    except nc.LogFormatError as refused:
        said = str(refused)
    key, value, section = re.search(
        r'in a job file (\w+) = "(.*?)" under \[(log\.\w+)\]', said.replace("\n  ", " ")
    ).groups()
    wanted = right.get(section, (key, value))
    assert wanted[0] == key
    log = nc.read_job(write(folder, {**sections, section: f'{key} = "{wanted[1]}"'})).read_log()
    assert (key, log.name) in {(choice.meaning, "drive.csv") for choice in log.columns}


def test_every_key_told_to_state_what_was_assumed_takes_it(folder, capsys):
    """By gauge and by slide: each key that the screen names, written with the value taken, leaves the list."""
    for valve in ({}, {"slide_valve": "throat_bore_mm = 42"}):
        sections = {**SECTIONS, **valve}
        assert main(["design", str(write(folder, sections))]) == 0
        told = re.search(r"To state what was assumed, write in job\.toml: (.*)\.\n", capsys.readouterr().out)[1]
        keys = re.findall(r"\[(\w+)\] (\w+)", told)
        assert len(keys) >= 12
        job = nc.read_job(folder / "job.toml")
        values = {(prior.section, prior.key): prior.value for prior in job.left_out}
        for section, key in keys:
            value = values.get((section, key), [1600.0] * 4)
            sections = replaced(section, **{key: f'"{value}"' if isinstance(value, str) else value})(sections, None)
        stated = nc.read_job(write(folder, sections))
        assert stated.assumed(stated.design()) is None


HEAD, ROWS = "Time [s];RPM;AFR", [";".join(line.split(",")[:3]) for line in LINES]
WHOLE = "\n".join([HEAD, *ROWS]) + "\n"
# Name: the text of a log as it is refused, the words of the cure, and the text with the [log] of a job as they tell.
TEXTS = {
    "both decimal marks": (
        WHOLE.replace(";14.1", ";14,1", 1),
        r"(decimal='\.') or decimal=',' \(in a job file the same under \[log\]\)",
        lambda spoilt, found: (spoilt, found[1]),
    ),
    "a comma for two things": (
        WHOLE.replace(".", ",").replace(";", ","),
        r"export with a (semicolon)",
        lambda _spoilt, _found: (WHOLE.replace(".", ","), ""),
    ),
    "units beside the numbers": (
        "\n".join([HEAD, *(row.replace(";", " s;", 1).replace(";1", " rpm;1") for row in ROWS)]) + "\n",
        r"keep units out of the cells",
        lambda _spoilt, _found: (WHOLE, ""),
    ),
    "another header in mid-file": (
        WHOLE + WHOLE.replace(HEAD, "Time [s];AFR;RPM"),
        r"line 202: a second header .* Split the file there",
        lambda spoilt, _found: ("\n".join(spoilt.split("\n")[:201]) + "\n", ""),
    ),
    "no header": (
        WHOLE.replace(HEAD + "\n", ""),
        r"rows of numbers but no header; the columns' names must stand",
        lambda spoilt, _found: (f"{HEAD}\n{spoilt}", ""),
    ),
    "a page of words above the header": (
        "".join(f"driven on a road, part {part}\n" for part in range(300)) + WHOLE,
        r"Remove what stands above the header",
        lambda _spoilt, _found: (WHOLE, ""),
    ),
    "no row of use": (
        "\n".join([HEAD, *(row.replace(";1", ";x1") for row in ROWS)]) + "\n",
        r"no column|no row below|Name another|Export",
        lambda _spoilt, _found: (WHOLE, ""),
    ),
}


@pytest.mark.parametrize("name", TEXTS)
def test_the_cure_of_a_log_as_text_works(folder, name):
    spoilt, words, cure = TEXTS[name]
    sections = {**SECTIONS, **LOGGED}
    (folder / "drive.csv").write_text(spoilt)
    with pytest.raises(nc.InputError) as refused:
        nc.read_job(write(folder, sections)).read_log()
    found = re.search(words, str(refused.value))
    assert found, str(refused.value)
    text, stated = cure(spoilt, found)
    (folder / "drive.csv").write_text(text)
    log = nc.read_job(write(folder, {**sections, "log": f"{LOGGED['log']}\n{stated}"})).read_log()
    assert log.rpm.size > 150
