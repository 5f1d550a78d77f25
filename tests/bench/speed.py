"""Times of import, ``check`` and ``design`` of the demo, as multiples of importing numpy and scipy.optimize; its first line.

Run: ``python tests/bench/speed.py [rounds]`` (5 when not given).  Each runs in a process of its own, the kinds by turns; the
least processor time of the rounds counts, less that of an empty process, so that a busy machine does not matter much.
The first line of progress is timed by the clock, as a terminal sees it (not on Windows, which has no such terminal).
"""

from __future__ import annotations

import os
import pty
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
UNIT = "import numpy, scipy.optimize"
DEMO = "from needlecalc.__main__ import main; main(['{}', 'data/pass_van.toml'{}])"
LAG = "import needlecalc as nc; nc.read_log; nc.measure.find_lag; log = nc.read_log('data/pass_van_drive.csv')"
# What is aimed at; the lag fit took 1.8 at commit 33d4b69, and 0.3 of that is the aim.
KINDS = {
    "import needlecalc": ("import needlecalc", 1.4),
    "import, every public name": ("import needlecalc as nc; [getattr(nc, name) for name in nc.__all__]", None),
    "check of the demo": (DEMO.format("check", ""), None),
    "design of the demo": (DEMO.format("design", ", '--out', r'{out}'"), 3.0),
    "lag fit of the demo's log": (f"{LAG}; nc.measure.find_lag(log)", 0.54),
}
FIRST_LINE_S = 0.5
LESS = {"lag fit of the demo's log": LAG}  # counted from here on


def seconds(code: str) -> float:
    """Processor time of a process that runs this."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    one_thread = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
    one_thread.pop("PYTHONDONTWRITEBYTECODE", None)  # compiled once, as what is installed is
    run = [sys.executable, "-c", code]
    subprocess.run(run, check=True, cwd=ROOT, env=one_thread, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def first_line_s(out: str) -> float:
    """Time on the clock until ``design`` of the demo says something on a terminal."""
    ours, theirs = pty.openpty()
    run = [sys.executable, "-m", "needlecalc", "design", "data/pass_van.toml", "--out", out]
    began = time.perf_counter()
    with subprocess.Popen(run, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=theirs) as command:
        said = os.read(ours, 1)
        took = time.perf_counter() - began
        command.kill()
    assert said
    os.close(ours)
    os.close(theirs)
    return took


def main(rounds: int = 5) -> None:
    with tempfile.TemporaryDirectory() as out:
        codes = {"nothing": "pass", UNIT: UNIT}
        codes |= {kind: code.replace("{out}", out) for kind, (code, _) in KINDS.items()}
        codes |= {f"before {kind}": code for kind, code in LESS.items()}
        least = dict.fromkeys(codes, float("inf"))
        for _ in range(rounds):
            for kind, code in codes.items():
                least[kind] = min(least[kind], seconds(code))
        first = min(first_line_s(out) for _ in range(rounds))
    unit = least[UNIT] - least["nothing"]
    print(f"{UNIT}: {unit:.2f} s")
    for kind, (_, aim) in KINDS.items():
        time_s = least[kind] - least.get(f"before {kind}", least["nothing"])
        print(f"{kind:28} {time_s / unit:5.2f} times that, {time_s:5.2f} s{f'; aim {aim:g} times' if aim else ''}")
    print(f"{'first line of the design':28} {first:18.2f} s; aim {FIRST_LINE_S:g} s")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
