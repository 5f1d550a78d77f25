"""The command line: files, exit codes, one sentence on bad input, nothing half-written."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest
from conftest import DATA

import needlecalc as nc
from needlecalc.__main__ import main

FILES = {"design.json", "grind_sheet.csv", "grind_sheet.pdf", "grind_sheet.txt", "profile.png"}


@pytest.fixture
def case(tmp_path) -> Path:
    folder = tmp_path / "case"
    shutil.copytree(DATA, folder)
    return folder / "pass_van.toml"


def change(job: Path, old: str, new: str) -> None:
    text = job.read_text()
    assert old in text
    job.write_text(text.replace(old, new))


def test_design_writes_everything(case, tmp_path, capsys):
    out = tmp_path / "out"
    assert main(["design", str(case), "--out", str(out)]) == 0
    assert {file.name for file in out.iterdir()} == FILES
    assert "GRIND SHEET" in capsys.readouterr().out
    facts = json.loads((out / "design.json").read_text())
    assert facts["status"].startswith("Usable")
    assert set(facts["jet_drop_mm"]) == {"before", "asked"}
    keys = {"rpm", "load", "lift_mm", "lambda_measured", "lambda_target", "lambda_predicted"}
    assert all(keys <= set(band) for band in facts["bands"])
    removed = [a - b for a, b in zip(facts["present_mm"], facts["asked_mm"], strict=True)]
    assert min(removed) >= 0.0
    assert len(facts["stations_mm"]) == len(removed) == 13
    worst = max(abs(band["lambda_predicted"] / band["lambda_target"] - 1) for band in facts["bands"])
    assert worst < 0.02


def test_a_job_that_filing_cannot_meet_exits_3_and_says_what_could(case, tmp_path, capsys):
    change(case, "drop_min_mm = 0.80\ndrop_max_mm = 3.00\n", "")
    change(case, "light = 1.00\npart = 0.95\nfull = 0.88\n", "light = 1.12\npart = 1.06\nfull = 0.98\n")
    assert main(["design", str(case), "--out", str(tmp_path / "out")]) == 3
    printed = capsys.readouterr().out
    assert "Cannot be met by filing" in printed
    assert "A donor some" in printed


@pytest.mark.parametrize(
    ("old", "new", "match"),
    [
        ("bore_mm = 2.54", "bore_mm = 0.1", "0.100 in is 2.54 mm"),
        ("bore_mm = 2.54\n", "", r"lacks .*bore_mm"),
        ("bore_mm = 2.54", "bore_mn = 2.54", "has no key 'bore_mn'"),
        ("[jet]", "[jets]", "is no section"),
        ("bore_mm = 2.54", "bore_mm = ", "not valid TOML"),
        ('file = "pass_van_drive.csv"', 'file = "none.csv"', "cannot be opened"),
        ('file = "pass_van_drive.csv"', "afr_stoich = 14.7", "names no file"),
        ("light = 1.00", "lite = 1.00", "names load 'lite'"),
        ("pressure_pa = 95000", "pressure_pa = 101500\naltitude_m = 1200", "looks reduced to sea level"),
        ("[log]", "[micrometer]\nanvil_mm = 6\n[log]", "has no key 'anvil_mm'"),
    ],
)
def test_bad_input_exits_2_with_one_sentence(case, tmp_path, capsys, old, new, match):
    change(case, old, new)
    out = tmp_path / "out"
    assert main(["design", str(case), "--out", str(out)]) == 2
    caught = capsys.readouterr()
    assert re.search(match, caught.err)
    assert caught.err.count("\n") == 1
    assert not out.exists()


def test_compare_prints_stations_and_bands(case, tmp_path, capsys):
    table = case.parent / "pass_van_needle.csv"
    other = tmp_path / "other.csv"
    other.write_text(table.read_text().replace("2.0600", "2.0400"))
    assert main(["compare", str(table), str(other), "--job", str(case)]) == 0
    printed = capsys.readouterr().out
    assert "-20.0" in printed
    assert "Lambda by band" in printed


def test_typed_bands_in_a_job(case):
    text = case.read_text()
    start, end = text.index("[log]"), text.index("[target]")
    typed = '[bands]\nrpm = [900, 2500, 4000]\nlambda_measured = [0.98, 1.05, 1.10]\nload = ["idle", "full", "full"]\n'
    lift = "[lift]\nlift_mm = [4.0, 12.0, 22.0]\n\n"
    case.write_text(text[:start] + typed + lift + text[end:].replace("light = 1.00\npart = 0.95\n", ""))
    design = nc.read_job(case).design()
    assert design.met
    assert design.target.bands.lift_source == ("typed in",) * 3


def test_a_job_states_its_micrometer_and_its_altitude(case, tmp_path):
    change(case, "[log]", "[micrometer]\nanvil_width_mm = 6.35\n\n[log]")
    change(case, "pressure_pa = 95000\n", "pressure_pa = 95000\naltitude_m = 500\n")
    assert main(["design", str(case), "--out", str(tmp_path / "out")]) == 0
    assert "asked_reads_mm" in (tmp_path / "out" / "grind_sheet.csv").read_text()
    assert "6.35 mm wide" in (tmp_path / "out" / "grind_sheet.txt").read_text()
    change(case, "pressure_pa = 95000\n", "")
    assert nc.read_job(case).setup.air.pressure_pa == pytest.approx(95461.0, abs=2.0)  # ICAO standard atmosphere at 500 m
    assert nc.read_job(case).setup.air.temperature_degc == 18.0
