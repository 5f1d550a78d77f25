"""Random setups: every one gives a design whose figures are numbers and whose limits are kept, or one sentence of our own.

Prints how many were refused and by what, and counts by kind what must be nothing: foreign exceptions, figures that are no
numbers, limits not kept.

Run: python tests/bench/random_setups.py [setups] [seed]; 500 take some two minutes.
"""

from __future__ import annotations

import re
import sys
import traceback
import warnings
from collections import Counter
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from any_setup import any_case, broken, not_finite

import needlecalc as nc


def main(count: int, first: int) -> int:
    refused, wrong, designs = Counter(), Counter(), 0
    for seed in range(first, first + count):
        try:
            target, setup, asked = any_case(np.random.default_rng(seed))
            design = nc.solve(target, setup, **asked)
            steps = nc.measure_next(design)
        except nc.NeedleCalcError as error:
            words = re.sub(r"[-+.\d]+", "#", str(error))
            refused[f"{type(error).__name__}: {words[:90]}"] += 1
            continue
        except Exception:  # every other one is a fault of ours
            wrong["foreign exception"] += 1
            print(f"seed {seed}: {traceback.format_exc(limit=-3)}")
            continue
        designs += 1
        shares = not_finite([step.then.lambda_u_percent for step in steps.steps])
        for kind, found in (("no number", not_finite(design) + shares), ("limit not kept", broken(design))):
            if found:
                wrong[kind] += 1
                print(f"seed {seed}: {kind}: {'; '.join(found)[:300]}")
    print(f"{count} setups: {designs} designs, {sum(refused.values())} refused")
    for words, times in refused.most_common(12):
        print(f"{times:5d}  {words}")
    for kind in ("foreign exception", "no number", "limit not kept"):
        print(f"{kind}: {wrong[kind]}")
    return 1 if wrong else 0


if __name__ == "__main__":
    warnings.simplefilter("error")
    given = [int(word) for word in sys.argv[1:]]
    sys.exit(main(*(given + [500, 0][len(given) :])))
