"""Commands: each says how it is used; the design that was stored is the one the bench is held to."""

from __future__ import annotations

import csv
import json
import re
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from door_cases import change, typed_job

import needlecalc as nc
from needlecalc import commands
from needlecalc.__main__ import COMMANDS, main
from needlecalc.designfile import READABLE
from needlecalc.report.sheet import facts_of


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A typed job and its design, stored."""
    import shutil

    from conftest import DATA

    folder = tmp_path_factory.mktemp("case") / "case"
    shutil.copytree(DATA, folder)
    job = typed_job(folder / "pass_van.toml")
    assert main(["design", str(job)]) in (0, 3)
    return job


def test_the_bare_command_prints_help(capsys):
    assert main([]) == 0
    printed = capsys.readouterr().out
    assert all(re.search(rf"^ +{name} ", printed, re.M) for name in COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_help_has_an_example_that_parses_and_the_exit_codes(name, capsys, monkeypatch):
    with pytest.raises(SystemExit) as left:
        main([name, "--help"])
    assert left.value.code == 0
    printed = capsys.readouterr().out
    assert "exit codes:\n  0 " in printed
    example = re.search(r"example:\n  needlecalc (.*)\n", printed)[1].split()
    asked = []
    monkeypatch.setattr(commands, f"do_{name}", lambda words: asked.append(words) or 0)
    assert main(example) == 0
    assert asked[0].command == name


def test_a_design_read_back_is_the_one_stored(made):
    job = nc.read_job(made)
    solved, stored = job.design(), nc.read_design(made.parent / "out" / "design.json", job)
    for key in ("drop_mm", "lean_margin", "chance_least", "risk"):
        assert getattr(stored, key) == pytest.approx(getattr(solved, key))
    for stage in ("final", "stop"):
        one, other = getattr(solved, stage), getattr(stored, stage)
        np.testing.assert_allclose(one.needle.diameters_mm, other.needle.diameters_mm)
        for key in ("expected", "low", "high"):
            np.testing.assert_allclose(getattr(one, key), getattr(other, key))
        assert (one.chance_rich, one.chance_fails) == (other.chance_rich, other.chance_fails)
    assert stored.verdict == solved.verdict
    assert [one.kind for one in stored.remarks] == [one.kind for one in solved.remarks]
    np.testing.assert_allclose(stored.stations.u_um, solved.stations.u_um)
    assert stored.stages() is solved.stages()
    assert stored.idle_to() == pytest.approx(solved.idle_to())


DESIGNS = Path(__file__).parent / "designs"


def test_a_design_of_every_version_reads_and_its_sheet_is_that_of_today():
    """Stored by the code of its day: an unmet band, what could help, a first stop and what to measure before it."""
    job = nc.read_job(DESIGNS / "van.toml")
    solved = job.design()
    assert solved.alternatives
    assert solved.next_step is not None
    assert {int(file.stem.removeprefix("format_")) for file in DESIGNS.glob("format_*.json")} == set(READABLE)
    for version in READABLE:
        file = DESIGNS / f"format_{version}.json"
        facts, stored = json.loads(file.read_text()), nc.read_design(file, job)
        assert [one.kind for one in stored.alternatives] == [one["kind"] for one in facts["alternatives"]] != []
        assert [one.limit and one.limit._asdict() for one in stored.alternatives] == [
            one["limit"] for one in facts["alternatives"]
        ]
        assert [stored.target.called(one.band)[0]._asdict() for one in stored.alternatives] == [
            one["band"] for one in facts["alternatives"]
        ]
        np.testing.assert_array_equal(stored.alternatives[0].diameters_mm, facts["alternatives"][0]["diameters_mm"])
        assert stored.next_step.what == facts["next_step"]["what"]
        assert stored.next_step.then.lambda_u_percent == facts["next_step"]["then"]["lambda_u_percent"]
        assert [band._asdict() for band in stored.next_step.bands] == facts["next_step"]["bands"]
    # Written and read back by the code of today, not a word of the sheet is another.
    made_at = datetime(2026, 1, 1, tzinfo=UTC)
    sheets = [replace(job.sheet(one), made_at=made_at) for one in (solved, _stored_now(solved, job))]
    assert sheets[0].text() == sheets[1].text()
    assert facts_of(sheets[0]) == facts_of(sheets[1])


def _stored_now(design, job):
    with TemporaryDirectory() as folder:
        file = Path(folder) / "design.json"
        file.write_text(json.dumps(facts_of(job.sheet(design))))
        return nc.read_design(file, job)


def test_a_verdict_with_every_cause_comes_back(made):
    """Bands that cannot be met: what each misses, and the limit that is why."""
    job = nc.read_job(made)
    design = job.design()
    text = made.read_text()
    try:
        change(made, "full = 0.88", "full = 1.30")
        spoilt = nc.read_job(made)
        missed = spoilt.design()
        assert missed.verdict.missed
        file = made.parent / "missed.json"
        file.write_text(json.dumps(facts_of(spoilt.sheet(missed))))
        assert nc.read_design(file, spoilt).verdict == missed.verdict
        with pytest.raises(nc.InputError, match="made for another target than the job now names; run the design again"):
            nc.read_design(file, job)
    finally:
        made.write_text(text)
    assert design.verdict == job.design().verdict


def test_measured_does_not_solve_again(made, capsys, monkeypatch):
    job = nc.read_job(made)
    words = [f"{d:.4f}" for d in job.design().stop.needle.diameters_mm]

    def never(*given, **named):
        pytest.fail("solved again")

    monkeypatch.setattr("needlecalc.job.solve", never)
    assert main(["measured", str(made), *words]) == 0
    assert "Stop, measure lambda" in capsys.readouterr().out


def moved(facts, by):
    for row in facts["bands"]:
        row.update({key: by * row[key] for key in ("lambda_measured", "lambda_target")})


def test_bands_that_an_older_version_found_a_trifle_off_are_those_of_the_same_drive(made, tmp_path):
    facts = json.loads((made.parent / "out" / "design.json").read_text())
    moved(facts, 1.00002)
    (tmp_path / "design.json").write_text(json.dumps(facts))
    read = nc.read_design(tmp_path / "design.json", nc.read_job(made))
    np.testing.assert_array_equal(read.stop_mm(), facts["stop_mm"])


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda facts: facts.update(format=1), "a design of this version cannot be read back; run the design again"),
        (lambda facts: facts["present_mm"].__setitem__(3, 2.0), "made for another needle than the job now names"),
        (lambda facts: facts["jet_drop_mm"].update(before=1.0), "made for another jet height"),
        (lambda facts: facts["bands"].pop(), "made for another drive and target"),
        (lambda facts: facts.pop("lean_margin"), "is no whole design; it was cut or edited"),
        (lambda facts: facts["verdict"].update(kind="splendid"), "is no whole design"),
        (lambda facts: facts["bands"][0].update(lambda_stop="x"), "is no whole design"),
        (lambda facts: facts["stations"].update(supported=[]), "is no whole design"),
        (lambda facts: moved(facts, 1.001), "made for another drive and target"),
    ],
)
def test_a_stored_design_of_something_else_is_refused(made, tmp_path, spoil, words):
    facts = json.loads((made.parent / "out" / "design.json").read_text())
    spoil(facts)
    (tmp_path / "design.json").write_text(json.dumps(facts))
    with pytest.raises(nc.InputError, match=words):
        nc.read_design(tmp_path / "design.json", nc.read_job(made))


def test_an_older_version_reads_and_a_missing_one_is_told(made, tmp_path, capsys):
    facts = json.loads((made.parent / "out" / "design.json").read_text())
    whole = nc.read_design(made.parent / "out" / "design.json", nc.read_job(made))
    old = {key: value for key, value in facts.items() if key not in ("stations", "risk")} | {"format": 2}
    (tmp_path / "design.json").write_text(json.dumps(old))
    read = nc.read_design(tmp_path / "design.json", nc.read_job(made))
    np.testing.assert_array_equal(read.stop_mm(), whole.stop_mm())
    assert np.isnan(read.stations.u_um).all()
    assert main(["measured", str(made), *["2.4"] * 13, "--out", str(tmp_path / "none")]) == 2
    assert "the stored design cannot be read (No such file or directory); run the design first" in capsys.readouterr().err


def test_check_says_whether_the_engine_is_fit(case, capsys):
    assert main(["check", str(case)]) == 0
    printed = capsys.readouterr().out
    assert "Bands" in printed
    assert "GRIND SHEET" not in printed
    change(case, "compression_kpa = [1120, 1150, 1090, 1140]", "compression_kpa = [1120, 1150, 500, 1140]")
    assert main(["check", str(case)]) == 4
    assert "compression" in capsys.readouterr().err


def test_rank_of_needles_at_hand(made, capsys):
    table, out = made.parent / "needles.csv", made.parent / "ranked"
    assert main(["rank", str(made), str(table), "--out", str(out)]) == 0
    printed = capsys.readouterr().out
    assert "50 needles more in rank.csv" in printed
    assert (out / "rank.png").read_bytes().startswith(b"\x89PNG")
    *rows, made_by = (out / "rank.csv").read_text().splitlines()
    assert made_by.startswith("# Made by needlecalc")
    listed = list(csv.DictReader(rows))
    assert len(listed) == 60
    assert [row["rank"] for row in listed] == [str(k) for k in range(1, 61)]
    assert printed.index(listed[0]["needle"]) < printed.index(listed[9]["needle"])
    assert listed[10]["needle"] not in printed
    assert main(["rank", str(made), str(table), "--out", str(out), "--donors"]) == 0
    donors = list(csv.DictReader((out / "rank.csv").read_text().splitlines()[:-1]))
    filing = [float(row["filing_um"]) for row in donors]
    assert filing == sorted(filing)
    assert all("donor" in row["verdict"] for row in donors)
    # A table of one needle, and what cannot be ranked.
    assert main(["rank", str(made), str(made.parent / "pass_van_needle.csv"), "--out", str(out)]) in (0, 3)
    assert "pass_van_needle" in capsys.readouterr().out
    (made.parent / "short.csv").write_text("needle,pitch_mm,station_1_mm,station_2_mm\nstub,3.175,2.4,2.3\n")
    assert main(["rank", str(made), str(made.parent / "short.csv"), "--out", str(out)]) == 2
    assert "measure more stations" in capsys.readouterr().err
    # Far too rich at every jet height.
    thin = "\n".join(f"{k},{k * 3.175 - 3.175},{2.3 - 0.06 * k}" for k in range(1, 14))
    (made.parent / "thin.csv").write_text(f"station,distance_mm,diameter_mm\n{thin}\n")
    assert main(["rank", str(made), str(made.parent / "thin.csv"), "--out", str(out)]) == 3
    assert "more metal than it has" in capsys.readouterr().out


def test_other_altitudes(made, capsys):
    assert main(["altitude", str(made)]) == 2
    assert "altitude needs a height: type it after the job in m" in capsys.readouterr().err
    assert main(["altitude", str(made), "high"]) == 2
    assert "The height is 'high', not a number" in capsys.readouterr().err
    assert main(["altitude", str(made), "1800"]) in (0, 3)
    assert "1800 m: " in capsys.readouterr().out
    assert "1800 m: " in (made.parent / "out" / "altitude_card.txt").read_text()
    assert (made.parent / "out" / "altitude_card.pdf").read_bytes().startswith(b"%PDF")
    (made.parent / "road.csv").write_text("distance_km,height_m\n0,500\n12,2100\n20,600\n")
    assert main(["altitude", str(made), "--route", str(made.parent / "road.csv")]) in (0, 3)
    assert "2100 m: " in capsys.readouterr().out
    assert "Lambda along the road" in (made.parent / "out" / "altitude_card.html").read_text()
    assert main(["altitude", str(made), "--route", str(made.parent / "none.csv")]) == 2
    assert "check its name and folder" in capsys.readouterr().err


def test_progress_goes_to_a_terminal_only(made, capsys, monkeypatch):
    assert main(["check", str(made)]) in (0, 4)
    assert "..." not in capsys.readouterr().err
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    assert main(["check", str(made)]) in (0, 4)
    assert "Gathering bands ..." in capsys.readouterr().err
