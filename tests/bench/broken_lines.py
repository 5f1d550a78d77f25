"""Figures broken by hand, one by one, in a copy of the project: which of them do the tests notice?

    python tests/bench/broken_lines.py [WORD]     all, or those whose file or line holds the word

A line that is no longer there is said and counts as a failure, so that the list follows the code.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parents[2]


class Broken(NamedTuple):
    """A line as it is, as it is broken, its file under the package, and the tests that should notice."""

    file: str
    line: str
    broken: str
    tests: str


BROKEN = (
    Broken("design/inverse/solve.py", "1e3 * 0.01 / np.where", "1e3 * 0.011 / np.where", "figures orders solve"),
    Broken("design/inverse/uncertainty.py", "[0.05, 0.95]", "[0.06, 0.94]", "figures uncertainty solve stages"),
    Broken("design/inverse/fit.py", "NOISE_LEFT = 0.5", "NOISE_LEFT = 0.8", "figures fit solve"),
    Broken("design/inverse/stages.py", "HARDLY_MORE = 0.2", "HARDLY_MORE = 0.6", "figures stages"),
    Broken("design/belief/learned.py", "NO_CAR, A_FEW = 4.0", "NO_CAR, A_FEW = 6.0", "figures learn"),
    Broken("design/inverse/target.py", "EITHER_SIDE = 0.05", "EITHER_SIDE = 0.055", "figures target solve"),
    Broken("design/inverse/target.py", "FULL_LOAD = 0.92", "FULL_LOAD = 0.93", "figures target orders altitude"),
    Broken("design/inverse/maketarget.py", "CO_MARGIN_PERCENT = 0.3", "CO_MARGIN_PERCENT = 0.33", "figures target"),
    Broken("design/inverse/problem.py", "NINETY * read_u", "1.06 * NINETY * read_u", "figures solve target stages"),
    Broken("design/inverse/solution.py", "SUPPORT_SHARE = 0.15", "SUPPORT_SHARE = 0.16", "figures solve"),
    Broken("design/inverse/stages.py", "RISK = 0.05", "RISK = 0.055", "figures stages progress"),
    Broken("design/inverse/stages.py", "AS_RICH_BEFORE = 0.005", "AS_RICH_BEFORE = 0.006", "figures stages progress"),
    Broken("design/inverse/uncertainty.py", "np.sqrt(3.0)", "np.sqrt(2.7)", "figures uncertainty nextstep"),
    Broken("design/inverse/solve.py", "1e3 * mm, np.nan", "1.05e3 * mm, np.nan", "figures uncertainty solve"),
    Broken("design/inverse/uncertainty.py", "TELLS_APART = 2.0", "TELLS_APART = 2.1", "figures progress orders"),
    Broken("design/inverse/verdict.py", "TOLD_BY_READING = 2.0", "TOLD_BY_READING = 2.2", "figures verdict"),
    Broken("design/after/outcome.py", "expected - NINETY * total", "expected - 1.06 * NINETY * total", "figures outcome"),
    Broken("design/after/outcome.py", "STRAYS = 0.2", "STRAYS = 0.22", "figures outcome"),
    Broken("design/after/rank.py", "[0.05, 0.95], axis=0", "[0.06, 0.94], axis=0", "figures rank"),
    Broken("design/after/rank.py", "TOO_RICH = 0.01 ", "TOO_RICH = 0.011 ", "rank"),
    Broken("design/after/progress.py", "GOOD = 0.02", "GOOD = 0.022", "figures rescue"),
    Broken("design/after/altitude.py", "MISFIRE = 1.15", "MISFIRE = 1.2", "figures altitude"),
    Broken("measure/drive/samples.py", "freedom, 1.0), 0.95)", "freedom, 1.0), 0.94)", "figures bands merge"),
    Broken("measure/drive/lag.py", "{NINETY * spread:.2f}", "{1.75 * spread:.2f}", "figures lag"),
    Broken("measure/checks/gas.py", "METER_SCATTER = 0.005", "METER_SCATTER = 0.0055", "figures sensorzero"),
    Broken("measure/drive/sweep.py", "MARGIN = 0.03", "MARGIN = 0.032", "figures sweep target"),
    Broken("measure/checks/patterns.py", "2.33, NINETY", "2.33, 1.06 * NINETY", "figures checks_drive checks"),
    Broken("report/orders.py", "off / 2.0", "off / 1.9", "figures orders report"),
    Broken("report/orders.py", "1e3 * self.design.learned.doubts", "1.05e3 * self.design.learned.doubts", "orders report"),
    Broken("report/say.py", '"final": 100.0 *', '"final": 105.0 *', "figures orders words"),
)  # fmt: skip


def noticed(one: Broken, root: Path) -> bool | None:
    """Whether the tests of a line notice it; None where the line is not there."""
    path = root / "needlecalc" / one.file
    whole = path.read_text(encoding="utf-8")
    if whole.count(one.line) < 1:
        return None
    path.write_text(whole.replace(one.line, one.broken, 1), encoding="utf-8")
    tests = [f"tests/test_{name}.py" for name in one.tests.split()]
    command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", *tests]
    try:
        done = subprocess.run(
            command, cwd=root, env={**os.environ, "PYTHONPATH": str(root)}, capture_output=True, check=False
        )
    finally:
        path.write_text(whole, encoding="utf-8")
    if done.returncode not in (0, 1):
        raise RuntimeError(done.stdout.decode() + done.stderr.decode())
    return done.returncode == 1


def main(word: str = "") -> int:
    """Break each line in turn; 1 where one goes unnoticed or is gone."""
    missed = 0
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder) / "project"
        shutil.copytree(ROOT, root, ignore=shutil.ignore_patterns(".*", "__pycache__", "out"))
        for one in BROKEN:
            if word not in f"{one.file} {one.line}":
                continue
            found = noticed(one, root)
            missed += not found
            said = {True: "noticed", False: "NOT NOTICED", None: "NO SUCH LINE"}[found]
            print(f"{said:12s} {one.file}: {one.line} -> {one.broken}", flush=True)
    return int(missed > 0)


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:2]))
