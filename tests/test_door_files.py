"""What the command line writes: each output says what made it, and none takes the place of something else."""

from __future__ import annotations

import csv
import html
import io
import json
import re
import subprocess
import sys
import tomllib
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from door_cases import refit, typed_job
from PIL import Image
from sheet_cases import paper_of, sheet_design

import needlecalc as nc
from needlecalc.__main__ import main
from needlecalc.commands import _write
from needlecalc.version import made_line

NOON = datetime(2025, 6, 1, 12, 0, tzinfo=UTC)
ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def sheet():
    return nc.grind_sheet(sheet_design(), made_at=NOON)


@pytest.fixture
def logged(sheet, case):
    """The sheet as it is where a log was read."""
    log = nc.read_job(case).read_log()
    target = sheet.design.target
    return replace(sheet, design=replace(sheet.design, target=replace(target, bands=replace(target.bands, log=log))))


def test_the_version_stands_in_one_place(capsys):
    with pytest.raises(SystemExit) as ended:
        main(["--version"])
    assert (ended.value.code, capsys.readouterr().out) == (0, f"needlecalc {nc.__version__}\n")
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    assert "version" not in project["project"]
    assert project["tool"]["hatch"]["version"] == {"path": "needlecalc/version.py"}
    holders = [file for file in (ROOT / "needlecalc").rglob("*.py") if f'"{nc.__version__}"' in file.read_text()]
    assert [file.name for file in holders] == ["version.py"]


def test_every_output_says_what_made_it(logged, tmp_path):
    log = logged.design.target.bands.log
    made = f"Made by needlecalc {nc.__version__} on 2025-06-01 at 12:00 for job job from the log with fingerprint "
    made += f"{log.sha256[:16]}."
    foot = f"needlecalc {nc.__version__}, 2025-06-01 12:00, job, log {log.sha256[:16]}"
    _write(logged, tmp_path / "out", {})
    text, table, facts = (
        (tmp_path / "out" / name).read_text() for name in ("grind_sheet.txt", "grind_sheet.csv", "design.json")
    )
    assert " ".join(text.split()).endswith(foot)
    assert table.splitlines()[-1] == f"# {made}"
    facts = json.loads(facts)
    assert facts["made_by"] == {"needlecalc": nc.__version__, "made_at": "2025-06-01T12:00:00+00:00"}
    assert (facts["job"], facts["log"]["sha256"]) == ("job", log.sha256)
    with Image.open(tmp_path / "out" / "profile.png") as picture:
        assert picture.text == {"Software": f"needlecalc {nc.__version__}", "Description": made}
    with pypdfium2.PdfDocument(tmp_path / "out" / "grind_sheet.pdf") as pdf:
        assert pdf.get_metadata_value("Subject") == foot
        assert pdf.get_metadata_value("Creator") == f"needlecalc {nc.__version__}"
        assert pdf.get_metadata_value("CreationDate") == "D:20250601120000Z"
    assert all(foot in page for page in paper_of(logged))
    assert html.escape(foot) in (tmp_path / "out" / "grind_sheet.html").read_text()


def test_a_sheet_of_the_same_time_is_the_same_to_the_letter(sheet):
    again = nc.grind_sheet(sheet.design, made_at=NOON)
    assert (again.text(), again.csv()) == (sheet.text(), sheet.csv())
    assert "for job job from bands typed in." in sheet.csv().splitlines()[-1]
    before = datetime.now().astimezone()
    assert before <= nc.grind_sheet(sheet.design).made_at <= datetime.now().astimezone()


@pytest.mark.parametrize(
    ("divider", "name"), [(",", "van"), (";", "van"), (",", "van, old"), (";", "van; old"), ("\t", "v\tw")]
)
def test_readings_typed_into_the_sheets_table_are_read(sheet, tmp_path, divider, name):
    head, *rows, _ = sheet.csv().splitlines()
    made = f"# {made_line(NOON, name)}"
    assert head.endswith(",measured_mm,measured_2_mm")
    lines = [head.split(",")]
    lines += [[*row.split(",")[:-2], f"{2.401 - 0.05 * k:.3f}", f"{2.399 - 0.05 * k:.3f}"] for k, row in enumerate(rows)]
    lines.append([made, *[""] * len(lines[0][1:])])  # as a spreadsheet saves it
    out = io.StringIO()
    csv.writer(out, delimiter=divider).writerows(lines)
    path = tmp_path / "sheet.csv"
    path.write_text(out.getvalue())
    both = nc.parts.read_readings(path, sheet.design.present())
    np.testing.assert_allclose(both, 2.4 - 0.05 * np.arange(13) + [[0.001], [-0.001]], atol=1e-12)


def test_a_needle_is_saved_over_nothing_but_a_needle_table(case, capsys):
    typed_job(case)
    assert main(["learn", str(case)]) == 0
    folder = case.parent
    (folder / "bench.csv").write_text("station,measured_mm\n" + "\n".join(f"{k},2.4" for k in range(1, 14)) + "\n")
    refit(case, nc.read_job(case).setup.carburettor.needle)
    both = (folder / "pass_van_needle.csv").read_text().replace("diameter_mm", "diameter_mm,measured_mm")
    (folder / "both.csv").write_text(both.replace("0\n", "0,2.4\n"))
    (folder / "link.csv").symlink_to("passes.json")
    (folder / "notes.txt").write_text("bought in spring")
    (folder / "folder").mkdir()
    (folder / "empty.csv").write_text("")
    before = {file: file.read_bytes() for file in folder.iterdir() if file.is_file()}
    no_table = "what is there now is no needle table, so it stays; name a new file."
    for name, words in (
        (case.name, "that is the job, its history or the readings themselves; name a new file."),
        ("passes.json", "that is the job, its history"),
        ("link.csv", "that is the job, its history"),
        ("both.csv", "or the readings themselves; name a new file."),
        ("bench.csv", "or the readings themselves; name a new file."),
        ("pass_van_drive.csv", no_table),
        ("notes.txt", no_table),
        ("empty.csv", no_table),
        ("folder", no_table),
    ):
        given = "both.csv" if name == "both.csv" else "bench.csv"
        capsys.readouterr()
        assert main(["measured", str(case), "--file", str(folder / given), "--save", str(folder / name)]) == 2
        err = capsys.readouterr().err
        assert (words in err, err.count("\n")) == (True, 1), err
    assert {file: file.read_bytes() for file in folder.iterdir() if file.is_file()} == before
    # A history that is named but not there yet keeps its place too.
    main(["learn", str(case), "--undo"])
    assert main(["measured", str(case), *["2.4"] * 13, "--save", str(folder / "passes.json")]) == 2
    assert not (folder / "passes.json").exists()


def test_a_history_behind_a_link_stays_there(case, capsys):
    typed_job(case)
    kept = case.parent.parent / "kept.json"
    (case.parent / "passes.json").symlink_to(kept)
    for lambdas in ("0.98, 1.03, 1.05, 1.06", "0.981, 1.031, 1.051, 1.061"):
        assert main(["learn", str(typed_job(case, lambdas))]) == 0
    assert len(nc.read_history(kept).passes) == 2
    for left in (1, 0):
        assert main(["learn", str(case), "--undo"]) == 0
        assert (case.parent / "passes.json").is_symlink()
        assert (len(nc.read_history(kept).passes) if kept.exists() else 0) == left


def test_a_history_that_another_run_wrote_meanwhile_is_not_overwritten(case, capsys, monkeypatch):
    typed_job(case)
    path = case.parent / "passes.json"
    assert main(["learn", str(case)]) == 0
    whole, design_of = path.read_bytes(), nc.Job.passes
    theirs = whole.replace(b"0.98", b"0.97")

    def meanwhile(job, bands):
        passes = design_of(job, bands)
        path.write_bytes(theirs)
        return passes

    monkeypatch.setattr(nc.Job, "passes", meanwhile)
    assert main(["learn", str(typed_job(case, "0.981, 1.031, 1.051, 1.061"))]) == 2
    printed = capsys.readouterr()
    assert re.search(r"passes\.json changed since it was read: .*; run again\.\n$", printed.err)
    assert "Written: passes.json, 2" not in printed.out
    assert path.read_bytes() == theirs
    # The cure works.
    monkeypatch.undo()
    assert main(["learn", str(case)]) == 0
    assert len(nc.read_history(path).passes) == 2


@pytest.mark.skipif(sys.platform == "win32", reason="the bench forks")
def test_nothing_is_lost_by_kills_by_runs_at_once_or_for_want_of_room():
    # A few rounds of each kind; the bench itself runs 50.
    bench = [sys.executable, str(ROOT / "tests" / "bench" / "interrupted.py"), "4", "--no-mount"]
    done = subprocess.run(bench, capture_output=True, text=True, timeout=300, cwd=ROOT, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert len(re.findall(r"\b4 rounds\b.*\blost 0, half-written 0\b", done.stdout)) == 4, done.stdout
