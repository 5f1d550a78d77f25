"""The command line: files, exit codes, one sentence on bad input, nothing half-written."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import numpy as np
import pytest
from conftest import DATA
from door_cases import change, typed_job
from sheet_cases import in_stages

import needlecalc as nc
from needlecalc.__main__ import main
from needlecalc.commands import _write
from needlecalc.measure.drive.bands import LiftSource
from needlecalc.report.sheet import FORMAT

FILES = {"design.json", "grind_sheet.csv", "grind_sheet.html", "grind_sheet.pdf", "grind_sheet.txt", "profile.png"}


def test_design_writes_everything(case, tmp_path, capsys):
    out = tmp_path / "out"
    assert main(["design", str(case), "--out", str(out)]) == 0
    assert {file.name for file in out.iterdir()} == FILES
    assert "GRIND SHEET" in capsys.readouterr().out
    facts = json.loads((out / "design.json").read_text())
    assert facts["format"] == FORMAT
    assert facts["verdict"]["kind"] == "usable"
    assert set(facts["jet_drop_mm"]) == {"before", "target"}
    keys = {"rpm", "load", "lift_mm", "lambda_measured", "lambda_target", "lambda_final"}
    keys |= {"lambda_stop", "lambda_stop_low", "lambda_stop_high"}
    assert all(keys <= set(band) for band in facts["bands"])
    removed = [a - b for a, b in zip(facts["present_mm"], facts["target_mm"], strict=True)]
    assert min(removed) >= 0.0
    assert len(facts["stations_mm"]) == len(removed) == 13
    worst = max(abs(band["lambda_final"] / band["lambda_target"] - 1) for band in facts["bands"])
    assert worst < 0.02


def test_a_job_that_filing_cannot_meet_exits_3_and_says_what_could(case, tmp_path, capsys):
    change(case, "drop_min_mm = 0.80\ndrop_max_mm = 3.00\n", "")
    change(case, "light = 1.00\npart = 0.95\nfull = 0.88\n", "light = 1.15\npart = 1.18\nfull = 1.12\n")
    assert main(["design", str(case), "--out", str(tmp_path / "out")]) == 3
    printed = capsys.readouterr().out
    assert "Do not file." in printed
    assert "A donor some" in printed
    facts = json.loads((tmp_path / "out" / "design.json").read_text())
    assert facts["stages"] == "nothing"
    assert not facts["verdict"]["met"]
    assert "more metal needed than there is" in {one["cause"] for one in facts["verdict"]["missed"]}
    assert "thicker donor" in [one["kind"] for one in facts["alternatives"]]
    assert facts["target_mm"] == facts["stop_mm"] == facts["present_mm"]


def test_another_program_is_told_of_the_first_stop(case, tmp_path):
    job = nc.read_job(case)
    design = job.design()
    held = in_stages(design, stop={"needle": design.present(), "chance_fails": 0.1}, final={"chance_rich": 0.2})
    high = job.altitude(held) or nc.at_altitude(job.setup, held.target.bands, held, 0.0)
    _write(replace(job.sheet(held), altitude=high), tmp_path / "out", {})
    facts = json.loads((tmp_path / "out" / "design.json").read_text())
    assert facts["stages"] == "in stages"
    assert facts["stop_mm"] == design.present().diameters_mm.tolist()
    assert facts["target_mm"] == design.needle.diameters_mm.tolist()
    assert (facts["chance_rich"], facts["chance_fails_stop"]) == (0.2, 0.1)
    assert {"chance_rich_stop", "chance_fails"} <= set(facts)
    assert [one["numbers"]["place"] for one in facts["altitude_red"]] == [one.numbers["place"] for one in high.red()]
    assert [one["kind"] for one in facts["before_cutting"]] == [one.kind for one in job.sheet(held).before_remarks()]
    assert facts["bands"][0]["lambda_stop_high"] == design.stop.high[0]


def test_an_out_that_cannot_be_written_and_a_log_without_rows(case, tmp_path, capsys):
    file = tmp_path / "file"
    file.write_text("")
    assert main(["design", str(case), "--out", str(file)]) == 2
    assert re.search(
        r"--out .*file: the sheet cannot be written \(File exists\); choose a place you may write to",
        capsys.readouterr().err,
    )
    log = case.parent / "pass_van_drive.csv"
    for text, match in (
        ("", "is empty; a log needs a header and rows"),
        ("time_s;engine_rpm;lambda\n", "no rows of numbers"),
    ):
        log.write_text(text)
        assert main(["design", str(case), "--out", str(tmp_path / "out")]) == 2
        assert match in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("old", "new", "match"),
    [
        ("bore_mm = 2.54", "bore_mm = 0.1", "0.1 in is 2.54 mm"),
        ("bore_mm = 2.54\n", "", r"lacks .*bore_mm"),
        ("bore_mm = 2.54", "bore_mn = 2.54", "has no key 'bore_mn'"),
        ("[jet]", "[jets]", "is no section"),
        ("bore_mm = 2.54", "bore_mm = ", "not valid TOML"),
        ('file = "pass_van_drive.csv"', 'file = "none.csv"', "cannot be opened"),
        ('file = "pass_van_drive.csv"', "afr_stoich = 14.7", "names no file"),
        ("light = 1.00", "lite = 1.00", "names load 'lite'"),
        ("pressure_pa = 95000", "pressure_pa = 101500\naltitude_m = 1200", "looks reduced to sea level"),
        ("[log]", "[micrometer]\nanvil_mm = 6\n[log]", "has no key 'anvil_mm'"),
        # Slips of the typing hand: a near word is named, and what is no number where one must stand is said.
        ("bore_mm = 2.54", "bor_mm = 2.54", r"\[jet\] has no key 'bor_mm'; it knows .* Perhaps bore_mm is meant\."),
        ("[jet]", "[jets]", r"\[jets\] is no section of a job; they are .* Perhaps jet is meant\."),
        ("bore_mm = 2.54", 'bore_mm = "2.54"', r"\[jet\] bore_mm is '2.54', but must be a number; write it bare"),
        (
            "bore_mm = 2.54",
            "bore_mm = [2.54]",
            r"^needlecalc: pass_van.toml, line 16: \[jet\] bore_mm is \[2.54\], but must",
        ),
        ("bore_mm = 2.54\nparallel", "parallel", r"\[jet\] lacks bore_mm; add it"),
        (
            "full = 0.88",
            'full = "0.88"',
            r"line \d+: \[target\] full is '0.88', but must be a number or a section of its own; write it bare",
        ),
        ("light = [40, 70]", "light = 40", r"\[bands\] loads_kpa light is 40, but must be two pressures in kPa"),
        (
            "light = [40, 70]",
            'light = ["a", 70]',
            r"\[bands.loads_kpa\] light is \['a', 70\], but must be a row",
        ),
        ('file = "pass_van_needle.csv"', "file = 3", r"\[needle\] file is 3, but must be the name of a file"),
        ('file = "pass_van_drive.csv"', "file = true", r"\[log\] file is true, but must be the name of a file"),
        (
            'file = "pass_van_drive.csv"',
            'file = "pass_van_drive.csv"\nambient_kpa = "95"',
            r"\[log\] ambient_pa is '95', but must be a number.* It is written as ambient_kpa",
        ),
        ('file = "pass_van_drive.csv"', 'file = "pass_van_drive.csv"\nambient_kpa = 950', "one hPa or mbar is 100 Pa"),
        (
            'file = "pass_van_drive.csv"',
            'file = "pass_van_drive.csv"\ncolumns = 4',
            r"\[log\] columns is 4, .*a section",
        ),
        ("pressure_pa = 95000", 'altitude_m = "200"', r"\[air\] altitude_m is '200', but must be a number"),
        (
            "warm_above_degc",
            "rpm = [850]\nlambda_measured = [1.0]\nwarm_above_degc",
            r"types its \[bands\] in and names a \[log\] too",
        ),
        ('file = "pass_van_needle.csv"', 'file = "none.csv"', r"none\.csv: the needle table cannot be read \(No such file"),
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


@pytest.mark.parametrize(
    ("old", "new", "command", "code"),
    [
        ("max_lift_mm = 33.0", "max_lift_mm = 33.0", ["design", "--out", "{job}"], 2),  # the folder is a file
        ("light = 1.00", "lite = 1.00", ["measured", *["2.4"] * 13], 2),
        (
            "light = [40, 70], part = [70, 88]",
            "light = [40, 70]",
            ["design", "--out", "{out}"],
            2,
        ),  # too few bands for the lifts
        ("lead_kohm = [9.8, 10.4, 11.1, 10.1]", "lead_kohm = [99, 99, 99, 99]", ["design", "--out", "{out}"], 4),
        ("[log]", '[history]\nfile = "none/passes.json"\n[log]', ["learn"], 2),
    ],
)
def test_what_was_assumed_is_printed_though_a_later_step_fails(case, tmp_path, capsys, old, new, command, code):
    change(case, old, new)
    name, *words = (word.format(job=case, out=tmp_path / "out") for word in command)
    assert main([name, str(case), *words]) == code
    caught = capsys.readouterr()
    assert caught.err.count("\n") == 1
    assert "Log pass_van_drive.csv" in caught.out
    assert "* The header is line" in caught.out
    assert "GRIND SHEET" not in caught.out


def test_compare_prints_stations_and_bands(case, tmp_path, capsys):
    table = case.parent / "pass_van_needle.csv"
    other = tmp_path / "other.csv"
    other.write_text(table.read_text().replace("2.005\n", "1.985\n"))
    assert main(["compare", str(table), str(other), "--job", str(case)]) == 0
    printed = capsys.readouterr().out
    assert "-20.0" in printed
    assert "Lambda by band" in printed


@pytest.mark.parametrize(("off_mm", "words"), [(0.020, "Pair: not matched"), (0.005, "Pair: matched")])
def test_two_needles_of_a_twin_engine_are_held_side_by_side(case, tmp_path, capsys, off_mm, words):
    # Invented: a pair that differs by 20 um at station 2 fails, by 5 um passes.
    table = case.parent / "pass_van_needle.csv"
    other = tmp_path / "other.csv"
    other.write_text(table.read_text().replace("3.175,2.465", f"3.175,{2.465 - off_mm:.4f}"))
    assert main(["compare", str(table), str(other), "--job", str(case)]) == 0
    assert "Pair:" not in capsys.readouterr().out
    change(case, "carburettors = 1", "carburettors = 2")
    assert main(["compare", str(table), str(other), "--job", str(case)]) == 0
    assert f"{words}, they differ by {1e3 * off_mm:.1f} um at station 2" in capsys.readouterr().out


def test_the_lines_of_python_as_the_readme_shows_them(tmp_path, monkeypatch, capsys):
    readme = (DATA.parent / "README.md").read_text(encoding="utf-8")
    assert len(readme.splitlines()) <= 120
    lines = readme[readme.index("```python\n") + 10 :]
    monkeypatch.chdir(tmp_path)
    (tmp_path / "data").symlink_to(DATA)
    exec(compile(lines[: lines.index("```")], "README.md", "exec"), {})
    assert "GRIND SHEET" in capsys.readouterr().out.upper()
    assert (tmp_path / "profile.png").stat().st_size > 10_000


def test_typed_bands_as_the_readme_shows_them(case):
    readme = (DATA.parent / "README.md").read_text(encoding="utf-8")
    typed = readme[readme.index("```toml\n") + 8 :]
    text = case.read_text()
    start, end = text.index("[log]"), text.index("[target]")
    case.write_text(text[:start] + typed[: typed.index("```")] + text[end:].replace("light = 1.00\npart = 0.95\n", ""))
    design = nc.read_job(case).design()
    bands = design.target.bands
    assert bands.load == ("idle", "light", "full")
    np.testing.assert_allclose(bands.lambda_measured, [0.98, 1.06, 1.10])
    np.testing.assert_allclose(bands.lift_mm, [4.0, 12.0, 22.0])
    assert (design.remove_um() >= 0.0).all()
    # Two carburettors share one profile, but each needle is filed and matched.
    change(case, "carburettors = 1", "carburettors = 2")
    twins = nc.grind_sheet(nc.read_job(case).design())
    said = "2 carburettors: a job and a sheet for each, all nuts turned alike; file every needle,"
    assert any(line.startswith(said) for line in twins.warnings())
    assert not any("carburettors:" in line for line in nc.grind_sheet(design).warnings())


def test_typed_bands_in_a_job(case):
    text = case.read_text()
    start, end = text.index("[log]"), text.index("[target]")
    typed = '[bands]\nrpm = [900, 2500, 4000]\nlambda_measured = [0.98, 1.05, 1.10]\nload = ["idle", "full", "full"]\n'
    lift = "[lift]\nlift_mm = [4.0, 12.0, 22.0]\n\n"
    case.write_text(text[:start] + typed + lift + text[end:].replace("light = 1.00\npart = 0.95\n", ""))
    design = nc.read_job(case).design()
    assert design.met
    assert design.target.bands.lift_source == (LiftSource.TYPED,) * 3


def test_a_job_states_its_micrometer_and_its_altitude(case, tmp_path):
    change(case, "[log]", "[micrometer]\nanvil_width_mm = 6.35\n\n[log]")
    change(case, "pressure_pa = 95000\n", "pressure_pa = 95000\naltitude_m = 500\n")
    assert main(["design", str(case), "--out", str(tmp_path / "out")]) == 0
    assert "asked_reads_mm" in (tmp_path / "out" / "grind_sheet.csv").read_text()
    assert "6.35 mm wide" in (tmp_path / "out" / "grind_sheet.txt").read_text()
    change(case, "pressure_pa = 95000\n", "")
    assert nc.read_job(case).setup.air.pressure_pa == pytest.approx(95461.0, abs=2.0)  # ICAO standard atmosphere at 500 m
    assert nc.read_job(case).setup.air.temperature_degc == 18.0


def test_a_job_states_its_doubts(case):
    usual = nc.read_job(case).design()
    assert nc.read_job(case).doubts() == nc.Doubts()
    change(case, "[log]", "[doubts]\nhand_mm = 0.009\nsensor_offset = 0.02\n\n[log]")
    job = nc.read_job(case)
    clumsy = job.design()
    assert job.doubts() == nc.Doubts(hand_mm=0.009, sensor_offset=0.02)
    # The gas read beside the meter weighs the more.
    offset = clumsy.learned.doubts.sensor_offset
    assert usual.learned.doubts.sensor_offset < offset < 0.02
    assert clumsy.learned.doubts == nc.Doubts(hand_mm=0.009, sensor_offset=offset)
    assert abs(clumsy.target.sensor_zero.mean) > abs(usual.target.sensor_zero.mean)
    # At full load, where hand and meter rule; below it the fuel's temperature from day to day does.
    wide, narrow = ((one.final.high - one.final.low)[-3:].mean() for one in (clumsy, usual))
    assert wide > 1.1 * narrow
    for line, match in (("hand_mm = 6", r"hand_mm is 6, but must lie between"), ("hands = 0.009", r"\[doubts\] .*'hands'")):
        change(case, "hand_mm = 0.009", line)
        with pytest.raises(nc.InputError, match=match):
            nc.read_job(case).design()
        change(case, line, "hand_mm = 0.009")


def test_a_limit_stated_for_the_check_is_a_limit_of_the_test(case):
    text = case.read_text()
    lines = [line for line in text.splitlines() if not line.startswith(("idle_co_percent", "idle_lambda_least"))]
    assert len(lines) < len(text.splitlines())
    for line, tested in (("co_limit_percent = 1.2", True), ("", False)):
        case.write_text("\n".join(lines).replace("co_limit_percent = 1.2", line) + "\n")
        job = nc.read_job(case)
        target = job.target(job.bands(job.read_log()))
        assert bool(target.tested[0]) is tested
        assert (target.why[0].numbers.get("limit") == 1.2) is tested


def test_measured_at_the_bench(case, capsys):
    typed_job(case)
    design = nc.read_job(case).design()

    def said(diameters, *more):
        words = [f"{d:.4f}" for d in diameters]
        code = main(["measured", str(case), *words, *more])
        return code, capsys.readouterr().out

    code, printed = said(design.present().diameters_mm)
    assert (code, "Carry on at stations" in printed) == (0, True)
    # Every table prints as one, never as the record that holds it.
    assert "Lambda with what was cut\n rpm" in printed
    assert "Table(" not in printed
    code, printed = said(design.stop.needle.diameters_mm)
    assert (code, "Stop, measure lambda" in printed) == (0, True)
    over, inside = design.needle.diameters_mm.copy(), design.stations.inside()
    station = int(np.argmax(np.where((design.remove_um() > 10.0)[:-1] & inside[:-1], -np.diff(over), 0.0)))
    over[station] -= 0.02
    code, printed = said(over)
    assert code == 3
    assert f"Overcut at station {station + 1} by 20 um" in printed
    assert "Lambda of each way out\n" in printed
    assert "Table(" not in printed
    assert "Design for van as fitted, measured, row 'jet and file back'\n" in printed
    assert "Jet: " in printed.split("row 'jet and file back'\n")[1]
    over[station] = over[station + 1] - 0.02
    assert said(over)[0] == 2
    with_waist = said(over, "--file-down")
    assert with_waist[0] == 3
    # Options may stand before the readings, and among them.
    words = [f"{d:.4f}" for d in over]
    for line in (["--file-down", *words], [*words[:4], "--file-down", *words[4:]]):
        assert (main(["measured", str(case), *line]), capsys.readouterr().out) == with_waist
    assert main(["measured", str(case), *words, "--file-down", "--save", str(case.parent / "none.csv")]) == 2
    assert "there is no such needle yet to --save" in capsys.readouterr().err
    assert not (case.parent / "none.csv").exists()
    with pytest.raises(SystemExit):
        main(["measured", str(case), *words, "--file-dwon"])
    assert "unrecognized arguments: --file-dwon" in capsys.readouterr().err
    # From a table, untouched stations left empty.
    left = np.where(design.remove_um() > 0.0, design.stop.needle.diameters_mm, np.nan)
    rows = [f"{k},{'' if np.isnan(d) else f'{d:.5f}'}" for k, d in enumerate(left, 1)]
    (case.parent / "bench.csv").write_text("station,measured_mm\n" + "\n".join(rows) + "\n")
    assert main(["measured", str(case), "--file", str(case.parent / "bench.csv")]) == 0
    assert "not measured and taken as before" in " ".join(capsys.readouterr().out.split())
    saved = case.parent / "as_measured.csv"
    code, printed = said(design.stop.needle.diameters_mm, "--save", str(saved))
    assert (code, f"Written to {saved}" in printed) == (0, True)
    np.testing.assert_allclose(nc.read_needle(saved).diameters_mm, design.stop.needle.diameters_mm, atol=1e-4)
    with_both = ["measured", str(case), "2.4", "--file", str(case.parent / "bench.csv")]
    assert main(with_both) == 2
    assert "got the readings twice" in capsys.readouterr().err
    assert main(["measured", str(case), "--file", str(case.parent / "bench.csv"), "--save", str(saved / "x.csv")]) == 2
    assert "cannot be written" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "match"),
    [
        ([], "needs the readings"),
        (["2.4", "2.3"], "got 2 readings, but the needle has 13 stations"),
        (["2,4"] * 13, "The reading of station 1 is '2,4', not a number"),
        (["-"] * 13, "holds no reading at all"),
    ],
)
def test_readings_typed_badly(case, capsys, words, match):
    typed_job(case)
    assert main(["measured", str(case), *words]) == 2
    assert re.search(match, capsys.readouterr().err)


def test_readings_of_flat_anvils_are_turned_into_diameters(case):
    typed_job(case)
    change(case, "[target]", "[micrometer]\nanvil_width_mm = 3.0\n\n[target]")
    job = nc.read_job(case)
    needle = job.setup.carburettor.needle
    # By hand: centred 3 mm anvils touch 1.5 mm nearer the shoulder than the mark.
    reads = np.interp(needle.stations_mm - 1.5, needle.stations_mm, needle.diameters_mm)
    np.testing.assert_allclose(job.diameters_mm(reads), needle.diameters_mm, atol=1e-12)
    some = np.where(np.arange(13) % 3 == 0, np.nan, reads)
    np.testing.assert_allclose(job.diameters_mm(some)[1:3], needle.diameters_mm[1:3], atol=1e-12)
    assert np.isnan(job.diameters_mm(some)[3])
    both = job.diameters_mm(np.array([reads, reads + 0.002]))
    assert both.shape == (2, 13)
