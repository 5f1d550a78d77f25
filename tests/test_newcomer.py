"""The first sheet of one's own: begin a job, fill in its blanks, design; counted in commands and in blanks."""

from __future__ import annotations

import re
import shutil
import tomllib

import numpy as np
import pytest
from conftest import DATA, DIAMETERS_MM

import needlecalc as nc
from needlecalc.__main__ import main

FILLED = {
    "name": '"my van"',
    "bore_mm": "2.54",
    "rpm": "[900, 2000, 3000, 4000]",
    "load": '["idle", "part", "full", "full"]',
    "lambda_measured": "[0.97, 1.04, 1.08, 1.10]",
    "lift_mm": "[3.0, 9.5, 16.0, 22.0]",
    "throat_bore_mm": "42",
    "disc_diameter_mm": "66",
    "piston_mass_kg": "0.34",
    "spring_preload_n": "2.2",
    "displacement_cm3": "1250",
    "cylinders": "4",
}


def fill(folder) -> int:
    """Fill in every blank, as its comment asks; how many there were, the needle table being one."""
    job = folder / "job.toml"
    lines, blanks = [], 1
    for line in job.read_text().splitlines():
        if blank := re.match(r'(\w+) = "\?"', line):
            line, blanks = f"{blank[1]} = {FILLED[blank[1]]}", blanks + 1
        lines.append(line)
    job.write_text("\n".join(lines) + "\n")
    table = (folder / "needle.csv").read_text().splitlines()
    rows = iter(DIAMETERS_MM)
    (folder / "needle.csv").write_text("\n".join(f"{line}{next(rows)}" if line.endswith(",") else line for line in table))
    return blanks


@pytest.mark.parametrize(("kind", "blanks"), [("--gauge", 7), ("--slide", 8)])
def test_three_steps_from_nothing_to_a_usable_sheet(tmp_path, capsys, kind, blanks):
    folder = tmp_path / "car"
    assert main(["new", str(folder), kind]) == 0
    assert "python -m needlecalc design" in capsys.readouterr().out
    assert fill(folder) == blanks
    assert main(["design", str(folder / "job.toml")]) == 0
    assert {file.name for file in (folder / "out").iterdir()} >= {"grind_sheet.pdf", "grind_sheet.txt"}
    assert "Assumed, not stated" in capsys.readouterr().out


def test_a_line_whose_mark_is_taken_away_is_read(tmp_path):
    main(["new", str(tmp_path / "car")])
    fill(tmp_path / "car")
    job = tmp_path / "car" / "job.toml"
    before = nc.read_job(job)
    text = re.sub(r"(?m)^# (\[{0,2}[\w.]+\]{0,2}( = .*)?)$", r"\1", job.read_text())
    job.write_text(text.replace("altitude_m", "# altitude_m"))
    after = nc.read_job(job)
    assert len(before.left_out) > 10
    assert after.left_out == ()
    # What is shown is what was assumed.
    assert after.setup.carburettor.jet.parallel_length_mm == before.setup.carburettor.jet.parallel_length_mm
    assert after.setup.fuel == before.setup.fuel
    assert after.setup.air == before.setup.air
    assert after.setup.carburettor.air_valve == before.setup.carburettor.air_valve
    assert after.setup.carburettor.jet.drop_mm == before.setup.carburettor.jet.drop_mm


def test_from_a_log_its_columns_units_and_bands_go_into_the_job(tmp_path):
    shutil.copy(DATA / "pass_van_drive.csv", tmp_path / 'my "first" drive.csv')
    folder = tmp_path / "car"
    assert main(["new", str(folder), "--log", str(tmp_path / 'my "first" drive.csv')]) == 0
    text = (folder / "job.toml").read_text()
    seen = nc.make_bands(nc.read_log(DATA / "pass_van_drive.csv"))
    assert f"#   {seen.name(0)}: lambda {seen.lambda_measured[0]:.3f}, {seen.count[0]:.0f} samples" in text
    fill(folder)
    job = nc.read_job(folder / "job.toml")
    stated, found = job.read_log(), nc.read_log(DATA / "pass_van_drive.csv")
    assert np.array_equal(stated.manifold_pressure_pa, found.manifold_pressure_pa)
    assert set(job.settings["log"]["columns"]) == set(job.settings["log"]["units"]) == {c.meaning for c in found.columns}
    assert np.isfinite(job.bands(stated).lift_mm).all()


def test_what_is_found_of_a_vacuum_gauge_is_read_so_again_from_the_air_of_the_day(tmp_path):
    rows = [(k / 5, [900, 2400][k // 100], [18.0, 3.0][k // 100] + k % 2 / 10) for k in range(200)]
    lines = ["Time [s],Engine Speed [rpm],AFR,Vacuum [inHg]", *(f"{t},{rpm},14.1,{vacuum}" for t, rpm, vacuum in rows)]
    (tmp_path / "drive.csv").write_text("\n".join(lines) + "\n")
    assert main(["new", str(tmp_path / "car"), "--log", str(tmp_path / "drive.csv")]) == 0
    fill(tmp_path / "car")
    job = tmp_path / "car" / "job.toml"
    found, stated = nc.read_log(tmp_path / "drive.csv"), nc.read_job(job).read_log()
    np.testing.assert_array_equal(stated.manifold_pressure_pa, found.manifold_pressure_pa)
    assert found.manifold_pressure_pa[0] == pytest.approx(101325.0 - 18.0 * 3386.389)
    job.write_text(job.read_text().replace("# altitude_m = 350", "altitude_m = 1000"))
    up = nc.read_job(job)
    lower = 101325.0 - up.setup.air.pressure_pa
    np.testing.assert_allclose(found.manifold_pressure_pa - up.read_log().manifold_pressure_pa, lower)
    assert lower > 11000.0


def test_a_log_without_air_flow_asks_for_a_lift_a_band(tmp_path):
    lines = ["time_s,rpm,lambda"] + [f"{k / 10},{[1500, 3000][k // 200]},{1.0 + 0.001 * (k % 3)}" for k in range(400)]
    (tmp_path / "drive.csv").write_text("\n".join(lines) + "\n")
    assert main(["new", str(tmp_path / "car"), "--log", str(tmp_path / "drive.csv")]) == 0
    text = (tmp_path / "car" / "job.toml").read_text()
    assert re.search(r'(?m)^lift_mm = "\?" ', text)
    assert "# [air_valve]" in text


def test_the_demo_comes_out_of_the_package(tmp_path, capsys):
    assert main(["new", str(tmp_path / "demo"), "--demo"]) == 0
    job = re.search(r"design (\S+)", capsys.readouterr().out)[1]
    assert nc.read_job(job).name == "pass-road van (invented)"
    assert sorted(file.name for file in (tmp_path / "demo").iterdir()) == sorted(
        file.name for file in DATA.iterdir() if file.suffix in (".csv", ".toml")
    )


def test_nothing_is_written_over_and_what_is_blank_is_said(tmp_path, capsys):
    folder = tmp_path / "car"
    main(["new", str(folder)])
    assert main(["new", str(folder)]) == 2
    assert "holds job.toml, needle.csv already, and that stays; name a new folder" in capsys.readouterr().err
    assert main(["design", str(folder / "job.toml")]) == 2
    said = capsys.readouterr().err
    assert "the ? stands where it is to be filled in" in said
    text = (folder / "job.toml").read_text()
    fill(folder)
    (folder / "needle.csv").write_text("station,distance_mm,diameter_mm\n1,0,\n2,3.175,\n")
    assert main(["design", str(folder / "job.toml")]) == 2
    assert "needle.csv, line 2, column diameter_mm" in capsys.readouterr().err
    assert text.count('"?"') == 7  # the head of the file names it once


def test_a_gauge_without_a_unit_stands_in_the_job_to_be_taken(tmp_path):
    """A vacuum in inches of mercury whose column does not say so: the line's # taken away, it is read."""
    rows = [f"{k / 5},{[900, 2400][k // 100]},{14.1 + k % 3 / 10:.1f},{[18.0, 3.0][k // 100]}" for k in range(200)]
    (tmp_path / "drive.csv").write_text("\n".join(["Time [s],Tach,AFR,Vac", *rows]) + "\n")
    assert main(["new", str(tmp_path / "car"), "--log", str(tmp_path / "drive.csv")]) == 0
    text = (tmp_path / "car" / "job.toml").read_text()
    line = next(line for line in text.splitlines() if "Vac states no unit" in line)
    log = tomllib.loads(text.replace(line, line.removeprefix("# ")))["log"]
    read = nc.read_log(tmp_path / "drive.csv", columns=log["columns"], units=log["units"])
    assert read.manifold_pressure_pa[0] == pytest.approx(101325.0 - 18.0 * 3386.389)
