"""Every cure of a command or a needle table works: what a refusal tells is typed as it stands, and must then go through."""

from __future__ import annotations

import re

import numpy as np
import pytest
from conftest import DIAMETERS_MM
from test_cures import SECTIONS, filled, write

import needlecalc as nc
from needlecalc.__main__ import main


@pytest.fixture
def folder(tmp_path):
    return filled(tmp_path)


def test_the_cures_of_commands_work(folder, capsys):
    job = write(folder, SECTIONS)

    def told(words, *command, code=2):
        assert main([command[0], str(job), *command[1:]]) == code
        return re.search(words, capsys.readouterr().err)

    found = told(r"add \[(history)\] with (file = \"passes\.json\") to it", "learn")
    write(folder, {**SECTIONS, found[1]: found[2]})
    assert main(["learn", str(job)]) == 0
    assert told(r"type it after the job in m, or write (home_m) and (trip_m) under \[altitude\]", "altitude")
    write(folder, {**SECTIONS, "altitude": "home_m = 300\ntrip_m = 1800"})
    assert main(["altitude", str(job)]) in (0, 3)
    assert told(r"such as (1800)", "altitude", "high")
    assert main(["altitude", str(job), "1800"]) in (0, 3)
    count = int(told(r"the needle has (\d+) stations; give - where none was taken", "measured", "2.4")[1])
    assert main(["measured", str(job), *["-"] * (count - len(DIAMETERS_MM)), *map(str, DIAMETERS_MM)]) == 0
    write(folder, {**SECTIONS, "checks.mechanical": "compression_kpa = [1100, 1100, 400, 1100]"})
    capsys.readouterr()
    found = told(r"In the job: (override = \".*?\") under \[(checks)\]", "design", code=4)
    write(folder, {**SECTIONS, "checks.mechanical": "compression_kpa = [1100, 1100, 400, 1100]", found[2]: found[1]})
    assert main(["design", str(job)]) == 0


def test_the_cures_of_more_commands_work(folder, capsys):
    """Each is refused, then typed as it is told."""
    job, readings = str(write(folder, SECTIONS)), [str(diameter) for diameter in DIAMETERS_MM]

    def told(words, *command, code=2):
        assert main(list(command)) == code
        found = re.search(words, capsys.readouterr().err)
        assert found, words
        return found

    found = told(r"\[jett\] is no section of a job; .* Perhaps (jet) is meant", "keys", "jett")
    assert main(["keys", found[1]]) == 0
    told(r"job\.toml.* already, and that stays; name a new folder", "new", str(folder))
    assert main(["new", str(folder / "new")]) == 0
    told(r"needs the readings: list a diameter a station after the job", "measured", job)
    assert main(["measured", job, *readings]) == 0
    told(r"not a number; type mm with a point, or - for none", "measured", job, readings[0].replace(".", ","), *readings[1:])
    assert main(["measured", job, *readings]) == 0
    assert main(["measured", job, "-", *readings[1:]]) == 0
    told(r"--save job\.toml: .* name a new file", "measured", job, *readings, "--save", job)
    assert main(["measured", job, *readings, "--save", str(folder / "as_measured.csv")]) == 0
    told(r"no such needle yet to --save; file it down", "measured", job, *readings, "--save", "x.csv", "--file-down")
    stored = folder / "out" / "design.json"
    assert main(["design", job]) == 0
    for spoil in (lambda text: text[: len(text) // 2], lambda text: text.replace('"format":', '"form":')):
        stored.write_text(spoil(stored.read_text()))
        told(r"; run the design (first|again)\.", "measured", job, *readings)
        assert main(["design", job]) == 0
        assert main(["measured", job, *readings]) == 0
    write(folder, {**SECTIONS, "jet": "bore_mm = 2.54\ndrop_mm = 2.0"})
    told(r"was made for another jet height than the job now names; run the design again", "measured", job, *readings)
    assert main(["design", job]) == 0
    assert main(["measured", job, *readings]) == 0
    lowered = {**SECTIONS, "jet": "bore_mm = 2.54\ndrop_mm = 2.0"}
    write(folder, {**lowered, "altitude": "trip_m = 1800"})
    found = told(r"lacks home_m; write (home_m = 350),", "altitude", job)
    write(folder, {**lowered, "altitude": f"trip_m = 1800\n{found[1]}"})
    assert main(["altitude", job]) in (0, 3)
    told(r"cannot be opened \(No such file or directory\); check its name and folder", "design", str(folder / "jop.toml"))


def test_the_cures_of_a_history_work(folder, capsys):
    """A pass forgotten, needle or jet changed under a drive kept, what [calibration] taught."""
    kept = {**SECTIONS, "history": 'file = "passes.json"'}
    job = str(write(folder, kept))
    assert main(["learn", job, "--undo"]) == 2
    assert "no pass is kept yet, so there is none to forget" in capsys.readouterr().err
    assert main(["learn", job]) == 0
    assert main(["learn", job, "--undo"]) == 0
    assert main(["learn", job]) == 0
    write(folder, {**kept, "jet": "bore_mm = 2.54\ndrop_mm = 2.2"})
    assert main(["learn", job]) == 2
    assert "or put the needle and jet height of that drive back" in capsys.readouterr().err
    write(folder, kept)
    assert main(["learn", job]) == 0
    write(folder, {**kept, "jet": "bore_mm = 2.54\ndrop_mm = 2.2", "bands": SECTIONS["bands"].replace("1.02", "0.98")})
    assert main(["learn", job]) == 0  # driven again with what is fitted now


def test_the_cures_of_a_needle_table_work(folder):
    table = folder / "needle.csv"
    whole = table.read_text()

    def told(spoilt, words):
        table.write_text(spoilt)
        with pytest.raises(nc.InputError) as refused:
            nc.read_job(write(folder, SECTIONS))
        found = re.search(words, str(refused.value))
        assert found, str(refused.value)
        return found[1]

    pitched = "".join(",".join(line.split(",")[::2]) + "\n" for line in whole.splitlines())
    right = told(pitched, r"\((pitch_mm = 3\.175) under \[needle\] of a job\)")
    made = nc.read_job(write(folder, {**SECTIONS, "needle": f"{SECTIONS['needle']}\n{right}"}))
    np.testing.assert_allclose(made.setup.carburettor.needle.stations_mm[-1], 3.175 * (len(DIAMETERS_MM) - 1))
    right = told(
        whole.replace("diameter_mm", "diameter"), r"no column (diameter_mm) or diameter_in; name the column with its unit"
    )
    table.write_text(whole.replace("diameter_mm", right))
    nc.read_job(write(folder, SECTIONS))
    inches = whole
    for diameter in DIAMETERS_MM:
        inches = inches.replace(f",{diameter}\n", f",{diameter / 25.4:.5f}\n")
    right = told(inches, r"name their column (diameter_in) ")
    table.write_text(inches.replace("diameter_mm", right))
    read = nc.read_job(write(folder, SECTIONS)).setup.carburettor.needle
    np.testing.assert_allclose(read.diameters_mm, DIAMETERS_MM, atol=2e-4)
    blank = whole.replace(",2.36\n", ",\n")
    right = told(blank, r"\((fill_blanks = true) under \[needle\] of a job\)")
    nc.read_job(write(folder, {**SECTIONS, "needle": f"{SECTIONS['needle']}\n{right}"}))
