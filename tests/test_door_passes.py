"""The command line's passes: kept, judged, forgotten, and refused where a drive goes with another needle."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest
from door_cases import change, refit, typed_job

import needlecalc as nc
from needlecalc.__main__ import main


def passes_in(path):
    """All that a history holds but the time it was written."""
    return json.loads(path.read_text())["passes"]


def test_learn_keeps_passes_and_design_uses_them(case, capsys):
    typed_job(case)
    first = nc.read_job(case).design()
    assert main(["learn", str(case)]) == 0
    printed = capsys.readouterr().out
    assert "The first pass: there is nothing to compare it with yet." in printed
    assert "Written: passes.json, 1 pass." in printed
    # The same drive again changes nothing.
    kept = passes_in(case.parent / "passes.json")
    assert main(["learn", str(case)]) == 0
    assert passes_in(case.parent / "passes.json") == kept
    np.testing.assert_array_equal(nc.read_job(case).design().needle.diameters_mm, first.needle.diameters_mm)
    # The needle is filed to the first stop, the next drive finds six tenths of the effect predicted.
    refit(case, first.stop.needle)
    found = 0.4 * np.array([0.98, 1.03, 1.05, 1.06]) + 0.6 * first.stop.expected
    typed_job(case, ", ".join(f"{value:.4f}" for value in found))
    capsys.readouterr()
    assert main(["learn", str(case)]) == 0
    printed = capsys.readouterr().out
    assert "What the pass did" in printed
    assert "Written: passes.json, 2 passes." in printed
    assert nc.read_history(case.parent / "passes.json").passes[1].needle.diameters_mm[8] < first.present().diameters_mm[8]
    second = nc.read_job(case).design()
    assert len(second.learned.history.passes) == 2
    assert second.learned.gain() < 1.0
    # A second drive on the same needle is no cut.
    typed_job(case, "0.98, 1.01, 1.02, 1.03")
    assert main(["learn", str(case)]) == 0
    assert "no cut is judged" in capsys.readouterr().out


def test_a_pass_kept_by_mistake_is_forgotten(case, capsys):
    typed_job(case)
    assert main(["learn", str(case), "--undo"]) == 2
    assert "passes.json: no pass is kept yet, so there is none to forget." in capsys.readouterr().err
    main(["learn", str(case)])
    kept = passes_in(case.parent / "passes.json")
    # Filed, and then the old log named again by mistake: the needle taught is one that did nothing.
    refit(case, nc.read_job(case).design().stop.needle)
    typed_job(case, "0.9801, 1.0301, 1.0501, 1.0601")
    assert main(["learn", str(case)]) == 0
    assert "THE PASSES CONTRADICT EACH OTHER" in " ".join(capsys.readouterr().out.split())
    assert main(["design", str(case), "--out", str(case.parent / "out")]) == 2
    told = capsys.readouterr().err
    assert "No car explains these passes" in told
    assert told.count("\n") == 1
    assert main(["learn", str(case), "--undo"]) == 0
    assert "Forgotten: 1 pass, printed above; in passes.json 1 pass kept." in capsys.readouterr().out
    assert passes_in(case.parent / "passes.json") == kept
    assert main(["learn", str(case), "--undo"]) == 0
    assert "in passes.json none is kept, and the file is no more." in capsys.readouterr().out
    assert not (case.parent / "passes.json").exists()


def test_a_drive_goes_with_its_own_needle(case, capsys):
    typed_job(case)
    job = nc.read_job(case)
    main(["learn", str(case)])
    refit(case, job.design().stop.needle)
    assert main(["learn", str(case)]) == 2
    assert "is that of pass 1, but its needle is another; drive again" in capsys.readouterr().err
    refit(case, job.setup.carburettor.needle)
    change(case, "drop_mm = 1.60", "drop_mm = 1.70")
    assert main(["design", str(case), "--out", str(case.parent / "out")]) == 2
    assert "its jet height is another" in capsys.readouterr().err
    change(case, "drop_mm = 1.70", "drop_mm = 1.60")
    typed_job(case, "0.98, 1.02, 1.04, 1.05")
    main(["learn", str(case)])
    typed_job(case)
    capsys.readouterr()
    assert main(["learn", str(case)]) == 2
    assert "is pass 1 of 2 kept" in capsys.readouterr().err


def test_one_log_is_one_pass_however_it_is_read(case, capsys):
    change(case, "[log]", '[history]\nfile = "passes.json"\n\n[log]')
    assert main(["learn", str(case)]) == 0
    change(case, "warm_above_degc = 82", "warm_above_degc = 83")
    assert main(["learn", str(case)]) == 0
    assert capsys.readouterr().out.count("Written: passes.json, 1 pass.") == 2
    needle = nc.read_job(case).setup.carburettor.needle
    refit(case, nc.Needle("filed", needle.stations_mm, needle.diameters_mm - 0.01))
    assert main(["learn", str(case)]) == 2
    assert "its needle is another" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("old", "new", "match"),
    [
        ('[history]\nfile = "passes.json"\n', "", "The job keeps no passes"),
        ('file = "passes.json"', 'path = "passes.json"', "has no key 'path'"),
        ('file = "passes.json"', "file = 7", r"\[history\] file is 7, but must be the name of a file"),
        ('file = "passes.json"', 'file = "pass_van_drive.csv"', "is no history"),
        ('file = "passes.json"', 'file = "none/passes.json"', "the history cannot be written"),
    ],
)
def test_histories_that_cannot_be_kept(case, capsys, old, new, match):
    typed_job(case)
    change(case, old, new)
    assert main(["learn", str(case)]) == 2
    caught = capsys.readouterr()
    assert re.search(match, caught.err)
    assert caught.err.count("\n") == 1
    assert "Written" not in caught.out
