"""The tests under every matrix kernel and thread count, as other processors would run them.

OpenBLAS picks a kernel by the processor, and its sums differ in the last digits from one to the next; so do numpy's own
loops by the width of its vectors. No verdict may hang on that. Each row is one run of pytest; the kernel shown is the
one that was loaded, as a processor may lack what a kernel needs.

Run: python tests/bench/kernels.py [pytest arguments]
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from pathlib import Path

WIDE = ("AVX512", "X86_V4")
KERNELS = {"Haswell": WIDE, "Zen": WIDE, "Prescott": "", "Nehalem": "", "Sandybridge": ""}  # vectors numpy does without
THREADS = (1, 2)
ROOT = Path(__file__).parent.parent.parent
LOADED = """
import ctypes, pathlib, numpy
core = (numpy._core if hasattr(numpy, "_core") else numpy.core)._multiarray_umath
print(*[name for name in core.__cpu_dispatch__ if core.__cpu_features__[name]])
for path in pathlib.Path(numpy.__file__).parent.with_name("numpy.libs").glob("*openblas*"):
    name = ctypes.CDLL(str(path)).scipy_openblas_get_corename64_
    name.restype = ctypes.c_char_p
    print(name().decode())
"""


def run(kernel: str, threads: int, arguments: list[str]) -> tuple[str, list[str]]:
    """One row of the table, and the tests that failed."""
    env = {**os.environ, "OPENBLAS_CORETYPE": kernel, "OPENBLAS_NUM_THREADS": str(threads)}
    known = {"cwd": ROOT, "env": env, "capture_output": True, "text": True, "check": False}
    vectors, *loaded = subprocess.run([sys.executable, "-c", LOADED], **known).stdout.splitlines()
    env["NPY_DISABLE_CPU_FEATURES"] = " ".join(name for name in vectors.split() if name.startswith(KERNELS[kernel]))
    start = time.monotonic()
    tests = subprocess.run([sys.executable, "-m", "pytest", "--tb=no", "-p", "no:cacheprovider", *arguments], **known)
    spent = time.monotonic() - start
    said = tests.stdout.splitlines() or tests.stderr.splitlines() or [""]
    failed = [line for line in said if re.match("FAILED|ERROR", line)]
    if tests.returncode and not failed:
        failed = said[-3:]
    return f"{kernel:<12} {' '.join(loaded):<12} {threads:>7} {spent:>7.0f}  {said[-1]}", failed


def main() -> None:
    print(f"{'asked for':<12} {'loaded':<12} {'threads':>7} {'s':>7}  result")
    wrong = 0
    for kernel in KERNELS:
        for threads in THREADS:
            row, failed = run(kernel, threads, sys.argv[1:])
            print(row, *failed, sep="\n    ", flush=True)
            wrong += bool(failed)
    sys.exit(wrong > 0)


if __name__ == "__main__":
    main()
