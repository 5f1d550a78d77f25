"""Time and memory of reading a long log, against pandas reading the same file.

Run it with ``python -m tests.bench.read_log``.

The log is invented: 1 000 000 rows of 12 columns, of which 7 are chosen. Two readers take turns, and each ratio is
the median over the turns, so that a busy machine slows both; memory is the growth of the process' peak, in a process
of its own.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

import numpy as np
import pandas as pd

from needlecalc.measure.log.file import read_log

ROWS = 1_000_000
TURNS = 15
# The kernel's own mark of the highest memory held (VmHWM), so this part runs on Linux only.
_CHILD = """
import io, re, sys
from pathlib import Path
from needlecalc.measure.log.file import read_log
read_log(io.StringIO("time (s),rpm,lambda\\n0,900,1\\n1,900,1\\n"))
def peak():
    return int(re.search(r"VmHWM:\\s+(\\d+) kB", Path("/proc/self/status").read_text())[1]) * 1024
before = peak()
log = read_log(sys.argv[1])
print(peak() - before)
"""


def write_log(path: Path, rows: int) -> None:
    """Write an invented log of 12 columns."""
    rng = np.random.default_rng(1)
    time_s = np.arange(rows) * 0.05
    wave = np.sin(time_s / 9.0)
    columns = {
        "Time (s)": ("%.2f", time_s),
        "Engine Speed (rpm)": ("%.0f", 2500 + 500 * wave + rng.normal(0, 30, rows)),
        "AFR": ("%.2f", 13.5 + rng.normal(0, 0.4, rows)),
        "AFR Target": ("%.1f", np.full(rows, 13.2)),
        "Throttle (%)": ("%.1f", np.abs(30 + rng.normal(0, 9, rows))),
        "MAP (kPa)": ("%.1f", 60 + rng.normal(0, 9, rows)),
        "Lift (mm)": ("%.2f", np.abs(8 + rng.normal(0, 1, rows))),
        "Coolant (degC)": ("%.0f", 85 + rng.normal(0, 1, rows)),
        "Battery (V)": ("%.2f", 13.8 + rng.normal(0, 0.1, rows)),
        "Fuel Trim (%)": ("%.2f", rng.normal(0, 3, rows)),
        "Advance (deg)": ("%.1f", 25 + 5 * wave),
        "Speed (km/h)": ("%.1f", np.abs(60 + rng.normal(0, 9, rows))),
    }
    cells = [np.char.mod(form, values).tolist() for form, values in columns.values()]
    lines = [",".join(columns), *map(",".join, zip(*cells, strict=True))]
    path.write_text("\n".join(lines) + "\n", encoding="ascii")


def _times(reader: Callable[[Path], object], path: Path) -> tuple[float, float]:
    """Wall and processor seconds of one reading."""
    started = time.perf_counter(), time.process_time()
    reader(path)
    return time.perf_counter() - started[0], time.process_time() - started[1]


def main() -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "long.csv"
        write_log(path, ROWS)
        size = path.stat().st_size
        print(f"{ROWS} rows, 12 columns, {size / 1e6:.1f} MB; pandas {pd.__version__}, {os.cpu_count()} processors")
        turns = [(_times(pd.read_csv, path), _times(read_log, path)) for _ in range(TURNS)]
        for k, what in enumerate(("wall", "all processors")):
            ratios = [ours[k] / theirs[k] for theirs, ours in turns]
            print(
                f"{what}: pandas.read_csv(path) {median(theirs[k] for theirs, _ in turns):.3f} s, "
                f"read_log(path) {median(ours[k] for _, ours in turns):.3f} s, "
                f"ratio {median(ratios):.2f} ({min(ratios):.2f} to {max(ratios):.2f})"
            )
        grown = subprocess.run([sys.executable, "-c", _CHILD, str(path)], capture_output=True, text=True, check=True).stdout
        print(f"peak memory: {int(grown) / size:.2f} times the file's size")


if __name__ == "__main__":
    main()
