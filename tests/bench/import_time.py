"""Time to import the library, beside that of the two libraries under every sum: ``python tests/bench/import_time.py``.

Each import runs in a process of its own, the kinds by turns; the least of the rounds counts, less an empty process.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

ROUNDS = 7
ROOT = Path(__file__).parents[2]
KINDS = {
    "nothing": "pass",
    "numpy and scipy.optimize": "import numpy, scipy.optimize",
    "needlecalc": "import needlecalc",
    "needlecalc, every public name": "import needlecalc as nc; [getattr(nc, name) for name in nc.__all__]",
}


def seconds(code: str) -> float:
    start = time.perf_counter()
    subprocess.run([sys.executable, "-c", code], check=True, cwd=ROOT)
    return time.perf_counter() - start


def main() -> None:
    least = dict.fromkeys(KINDS, float("inf"))
    for _ in range(ROUNDS):
        for kind, code in KINDS.items():
            least[kind] = min(least[kind], seconds(code))
    base = least.pop("nothing")
    unit = least["numpy and scipy.optimize"] - base
    for kind, time_s in least.items():
        print(f"{kind:30} {time_s - base:6.3f} s  {(time_s - base) / unit:5.2f} times numpy and scipy.optimize")


if __name__ == "__main__":
    main()
