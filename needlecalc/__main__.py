"""The command line: ``design`` makes a grind sheet, ``compare`` sets two needles side by side."""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import matplotlib

from needlecalc.design.compare import compare
from needlecalc.design.proposal import Design
from needlecalc.errors import InputError, NeedleCalcError, SolveError
from needlecalc.job import read_job
from needlecalc.measure.gate import gated
from needlecalc.parts.needle import read_needle
from needlecalc.report.pages import write_pdf, write_profile_png

USABLE, BAD_INPUT, NOT_BY_FILING, LOCKED = 0, 2, 3, 4
CUT_SHORT = 1


def main(arguments: Sequence[str] | None = None) -> int:
    """Exit code of one command.

    Parameters
    ----------
    arguments : sequence of str or None
        The words of the command; those of the process when not given.

    Returns
    -------
    int
        0 usable, 1 output cut short by its reader, 2 bad input, 3 cannot be met by filing, 4 locked by a red check.
    """
    parser = argparse.ArgumentParser(prog="needlecalc", description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    design = commands.add_parser("design", help="grind sheet from a job file")
    design.add_argument("job", help="job file, TOML")
    design.add_argument("--out", required=True, help="folder to write into")
    two = commands.add_parser("compare", help="two needle tables in the setup of a job")
    two.add_argument("first", help="needle table, CSV")
    two.add_argument("second", help="needle table, CSV")
    two.add_argument("--job", required=True, help="job file, TOML")
    asked = parser.parse_args(arguments)
    matplotlib.use("Agg")
    try:
        return _design(asked.job, Path(asked.out)) if asked.command == "design" else _compare(asked)
    except BrokenPipeError:
        # The reader of our output (a pager, head) has seen enough; keep Python from complaining at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return CUT_SHORT
    except NeedleCalcError as error:
        print(f"needlecalc: {error}", file=sys.stderr)
        return BAD_INPUT


def _design(job_path: str, out: Path) -> int:
    job = read_job(job_path)
    log = job.read_log()
    bands = job.bands(log)
    found = job.checks(bands)
    try:
        gated(found)
    except SolveError as error:
        print(found)
        print(f"needlecalc: {error}", file=sys.stderr)
        return LOCKED
    made = job.design(bands)
    sheet = job.sheet(made)
    # All files are made aside first: a failure leaves nothing half-written.
    try:
        out.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=out) as aside:
            folder = Path(aside)
            (folder / "grind_sheet.csv").write_text(sheet.csv(), encoding="utf-8")
            (folder / "grind_sheet.txt").write_text(sheet.text(), encoding="utf-8")
            (folder / "design.json").write_text(json.dumps(_facts(made), indent=1), encoding="utf-8")
            write_profile_png(made, folder / "profile.png")
            write_pdf(sheet, folder / "grind_sheet.pdf")
            for file in sorted(folder.iterdir()):
                file.replace(out / file.name)
    except OSError as error:
        msg = f"--out {out}: cannot be written ({error.strerror}); name a folder you may write to."
        raise InputError(msg) from error
    if log is not None:
        print(log.report(), end="\n\n")
    print(bands, end="\n\n")
    if found is not None:
        print(found, end="\n\n")
    print(sheet.text())
    print(f"Written to {out}: design.json, grind_sheet.csv, grind_sheet.pdf, grind_sheet.txt, profile.png")
    return USABLE if made.met else NOT_BY_FILING


def _facts(design: Design) -> dict[str, Any]:
    """Everything another program may want of a design."""
    log = design.target.bands.log
    return {
        "job": design.setup.name,
        "status": design.status,
        "met": design.met,
        "flags": list(design.flags),
        "checks": None if design.checks is None else design.checks.rows(),
        "stations_mm": design.needle.stations_mm.tolist(),
        "present_mm": design.present().diameters_mm.tolist(),
        "asked_mm": design.needle.diameters_mm.tolist(),
        "jet_drop_mm": {"before": design.setup.carburettor.jet.drop_mm, "asked": design.drop_mm},
        "bands": design.band_rows(),
        "log": None if log is None else {"file": log.name, "sha256": log.sha256},
    }


def _compare(asked: argparse.Namespace) -> int:
    job = read_job(asked.job)
    first, second = read_needle(asked.first), read_needle(asked.second)
    has_data = bool(job.settings["log"]) or "rpm" in job.settings["bands"]
    bands = job.bands(job.read_log()) if has_data else None
    result = compare(job.setup, first, second, bands=bands)
    print(result)
    if bands is not None:
        print()
        print(result.band_table().text())
    return USABLE


if __name__ == "__main__":
    sys.exit(main())
