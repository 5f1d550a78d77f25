"""Checks as a job file states them: locked, overridden, every record of it. The van is invented."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
from door_cases import change, typed_job
from synthetic_drive import synthetic_drive
from test_sweep import sweep

import needlecalc as nc
from needlecalc.__main__ import main
from needlecalc.report import say


def with_faults(text: str) -> str:
    """The demo's job with a broken lead and a wide plug gap."""
    for right, wrong in (
        ("lead_kohm = [9.8, 10.4, 11.1, 10.1]", "lead_kohm = [9.8, 10.4, 11.1, 38.0]"),
        ("plug_kohm = [5.0, 5.1, 4.9, 5.0]\nrotor_kohm = 1.1\n", ""),
        ("gap_mm = [0.65, 0.65, 0.70, 0.65]", "gap_mm = [0.65, 0.65, 1.10, 0.65]"),
        ('gap_specified_mm = 0.65\ncoil = "standard"\n', ""),
    ):
        assert right in text
        text = text.replace(right, wrong)
    return text


def without_checks(text: str) -> str:
    """The demo's job with nothing noted before the cut."""
    return text[: text.index("# What was looked at")] + text[text.index("[target]") :]


def test_a_job_with_a_red_check_is_locked_and_an_override_prints(case, tmp_path, capsys):
    plain = with_faults(case.read_text())
    case.write_text(plain)
    out = tmp_path / "out"
    assert main(["design", str(case), "--out", str(out)]) == 4
    caught = capsys.readouterr()
    assert "2 checks are red" in caught.err
    assert 'override = "why the cut may go on" under [checks]' in caught.err
    assert caught.err.count("\n") == 1
    assert "plug leads" in caught.out
    assert not out.exists()
    reason = "leads ordered, trial needle on a scrap blank"
    case.write_text(plain + f'\n[checks]\noverride = "{reason}"\n')
    assert main(["design", str(case), "--out", str(out)]) == 0
    assert reason in " ".join((out / "grind_sheet.txt").read_text().split())
    facts = json.loads((out / "design.json").read_text())
    assert sum(check["verdict"] == "red" for check in facts["checks"]) == 2
    assert facts["override"] == reason


def test_what_the_drive_shows_is_looked_at_without_any_checks_in_the_job(case, capsys):
    case.write_text(without_checks(case.read_text()))
    job = nc.read_job(case)
    checks = job.checks(job.bands(job.read_log()))
    for name in ("warm engine", "sensor stuck", "sensor at its ceiling", "repeatability between visits", "idle wander"):
        assert checks.named(name).verdict == "green"
    assert checks.named("plug leads").verdict == "not measured"
    assert main(["design", str(case), "--out", str(case.parent / "out")]) == 0
    assert "Green: air leak signature, idle wander" in " ".join(capsys.readouterr().out.split())


def test_an_idle_with_air_in_its_exhaust_is_left_out_when_the_red_check_is_overridden(case, tmp_path):
    change(case, "co2_percent = 14.7", "co2_percent = 9.0")  # at idle
    case.write_text(case.read_text() + '\n[checks]\noverride = "the probe leaks, idle is set later"\n')
    job = nc.read_job(case)
    bands = job.bands(job.read_log())
    checks = job.checks(bands)
    assert {one.name for one in checks.of("red")} == {"CO + CO2 at idle", "air in the sample at idle"}
    design = job.design(bands, checks)
    assert bands.idle() is not None
    assert design.target.bands.idle() is None
    assert design.target.bands.rpm.size == bands.rpm.size - 1
    assert any("idle is left out" in said for said in design.target.bands.assumptions)
    assert "IDLE WAS NOT MEASURED" in job.sheet(design).text()
    assert main(["design", str(case), "--out", str(tmp_path / "out")]) == 0
    assert nc.read_design(tmp_path / "out" / "design.json", job).target.bands.idle() is None
    # Where the gas is that of the engine, idle counts; nor does the same air away from idle take it out.
    change(case, "co2_percent = 9.0", "co2_percent = 14.7")
    change(case, '\n[checks]\noverride = "the probe leaks, idle is set later"\n', "")
    assert nc.read_job(case).target(bands).bands.idle() is not None


@pytest.mark.parametrize(
    ("key", "cold", "warm"), [("coolant_degc", 45.0, 85.0), ("coolant_degf", 113.0, 185.0)], ids=["degC", "degF"]
)
def test_a_cold_engine_is_cold_in_either_unit_typed_or_logged(case, key, cold, warm):
    typed_job(case)
    verdicts = []
    for heat in (cold, warm):
        written = case.read_text()
        case.write_text(f"{written}\n[checks.mechanical]\n{key} = {heat}\n")
        job = nc.read_job(case)
        verdicts.append(str(job.checks(job.bands(None)).named("warm engine").verdict))
        case.write_text(written)
    assert verdicts == ["red", "green"]


@pytest.mark.parametrize(("column", "value"), [("CLT", 71.0), ("CLT (degF)", 160.0), ("CLT", 160.0)])
def test_an_engine_logged_hardly_warm_is_amber_and_never_said_not_to_be_logged(column, value):
    log, _ = synthetic_drive(1, seconds=120.0)
    frame = {"time_s": log.time_s, "rpm": log.rpm, "lambda": log.lambda_measured, column: np.full(log.rpm.size, value)}
    bands = nc.make_bands(nc.read_log(pd.DataFrame(frame)))
    assert nc.check_engine(bands).named("warm engine").verdict == "amber"
    assert not any("coolant" in said for said in bands.assumptions)


def test_every_record_of_a_job(case):
    plain = without_checks(case.read_text())
    fitted = nc.read_job(case).setup.carburettor.needle.diameters_mm.tolist()
    more = f"""
[checks.mechanical]
valve_gaps_right = true
[checks.sensor]
place = "downpipe"
[[checks.gases]]
at = "idle"
lambda_measured = 0.915
co_limit_percent = 3.5
[[checks.gases]]
at = "2500 rpm"
co_percent = 0.4
[checks.twins]
flats = [9, 9]
[checks.needle]
diameters_mm = {fitted}
[checks.limits]
coolant_degc = [90, 80]
[lean_limits.cruise]
load = "light"
rpm = 2500
lambda_measured = [0.95, 0.99, 1.05]
rough = [false, false, true]
"""
    case.write_text(plain + more)
    job = nc.read_job(case)
    bands = job.bands(job.read_log())
    checks = job.checks(bands)
    wanted = {
        "valve gaps": "green",
        "sensor place": "green",
        "CO limit at idle": "amber",
        "twin flats": "green",
        "needle wear": "green",
        "warm engine": "amber",
    }
    assert {name: checks.named(name).verdict for name in wanted} == wanted
    target = job.target(bands)
    cruise = next(b for b, load in enumerate(bands.load) if load == "light" and abs(bands.rpm[b] - 2500) < 50)
    assert target.lambda_target[cruise] == pytest.approx(0.96)
    assert say.remark(target.why[cruise]).startswith("lean limit 0.99")
    for old, new, match in (
        ('place = "downpipe"', 'plaice = "downpipe"', r"\[checks.sensor\] has no key 'plaice'"),
        ("[checks.twins]", "[checks.twin]", r"\[checks\] has no key 'twin'"),
        (
            "[[checks.gases]]",
            "[checks.gases]",
            r"\[checks\] gases is .* must be a list of sections; write \[\[checks.gases\]\]",
        ),
        ("rough = [false, false, true]", "", r"\[lean_limits.cruise\] lacks rough"),
        ("[lean_limits.cruise]\nload", "[lean_limits]\nload", r"\[lean_limits\] load is .* heading \[lean_limits.load\]"),
        ("[checks.sensor]\nplace", "[checks]\nsensor", r"\[checks\] sensor is .* heading \[checks.sensor\]"),
        ("[checks.limits]", '[checks]\noverride = "all is fine here"\n[checks.limits]', "nothing to override"),
    ):
        assert old in more
        text = more.replace(old, new, 1) if old != "[[checks.gases]]" else more.replace(old, new, 1).split("[[")[0]
        case.write_text(plain + text)
        ask = nc.Job.target if "lean_limits" in match else nc.Job.checks
        with pytest.raises(nc.InputError, match=match):
            ask(nc.read_job(case), bands)


def test_a_sweep_from_its_own_log(case):
    log = sweep(1.09)
    lines = [
        "time_s,rpm,lambda",
        *(f"{t:.1f},{n:.0f},{x:.4f}" for t, n, x in zip(log.time_s, log.rpm, log.lambda_measured, strict=True)),
    ]
    (case.parent / "sweep.csv").write_text("\n".join(lines) + "\n")
    case.write_text(case.read_text() + '\n[lean_limits.cruise]\nfile = "sweep.csv"\nload = "light"\nmargin = 0.05\n')
    limits = nc.read_job(case).lean_limits()
    assert limits.lambda_limit[0] == pytest.approx(1.07, abs=0.012)
    assert limits.margin == 0.05
