"""Ten thousand odd inputs: tables, jobs, histories, readings, logs, arguments of wrong kinds, commands and whole designs.

Run: ``python tests/bench/many_odd_inputs.py [--seed N] [--share S] [--only KIND [--at NUMBER]]`` from the repository with it
and ``tests`` on PYTHONPATH.  Each input has its own seed, so that one can be run again by its kind and number, then with its
traceback.  Prints how many ended in a result, in one of our own errors, and in what must not be: a foreign exception or
warning, a figure that is not finite, no end within the time limit, a message that is long or cannot be printed.  Ends with 1
where there was any such.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Any

import matplotlib
import matplotlib.pyplot as plt
import numpy as np
import odd_inputs as odd
from right_calls import NOT_CALLED, SLOW, right_calls

import needlecalc as nc
from needlecalc.echo import plain

LIMIT_S = 30.0
LONGEST_MESSAGE = 600
RESULT, OWN, FOREIGN, NOT_FINITE, HANG, MESSAGE = "result", "own error", "foreign", "non-finite", "hang", "message"
ENDS = (RESULT, OWN, FOREIGN, NOT_FINITE, HANG, MESSAGE)


class TooLongError(BaseException):
    """The time of one input is up; nothing on the way may catch it."""


def _up(*_: object) -> None:
    raise TooLongError


def kinds(folder: Path) -> dict[str, tuple[int, Callable[[Random], list[Any]]]]:
    """How many inputs of each kind, and the road of one."""
    calls = right_calls(folder)
    quick = tuple(sorted(set(calls) - set(SLOW) - set(NOT_CALLED)))
    known = odd.methods(calls)
    return {
        "needle table": (2400, lambda draw: odd.read_a_needle(draw, folder)),
        "readings": (1600, lambda draw: odd.read_some_readings(draw, folder)),
        "history": (1500, lambda draw: odd.read_a_history(draw, folder)),
        "job": (1900, lambda draw: odd.read_a_job(draw, folder)),
        "log": (1200, lambda draw: odd.read_a_log(draw, folder)),
        "argument": (600, lambda draw: odd.call_with_a_wrong_kind(draw, calls, quick)),
        "slow argument": (100, lambda draw: odd.call_with_a_wrong_kind(draw, calls, SLOW)),
        "method": (200, lambda draw: odd.call_a_method_with_a_wrong_kind(draw, known)),
        "command line": (200, lambda draw: odd.run_a_command(draw, folder)),
        "whole design": (300, lambda draw: odd.design_by_a_job(draw, folder)),
    }


def end_of(road: Callable[[Random], list[Any]], draw: Random) -> tuple[str, str]:
    """How one input ends, and what was said."""
    signal.setitimer(signal.ITIMER_REAL, LIMIT_S)
    try:
        figures = road(draw)
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        bad = [one for one in figures if not np.isfinite(one).all()]
        return (NOT_FINITE, repr(bad[0])) if bad else (RESULT, "")
    except nc.NeedleCalcError as error:
        said = str(error)
        longest = max(map(len, getattr(error, "faults", [said])))  # a job file tells all its faults at once
        clear = plain(said) == said and longest <= LONGEST_MESSAGE
        return (OWN, said) if clear else (MESSAGE, f"{len(said)} signs: {said[:200]!r}")
    except TooLongError:
        return HANG, f"more than {LIMIT_S:g} s"
    except Exception as error:
        return FOREIGN, "".join(traceback.format_exception_only(error)).strip()[:300] + _where(error)
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        plt.close("all")


def _where(error: BaseException) -> str:
    place = [one for one in traceback.extract_tb(error.__traceback__) if "needlecalc" in one.filename][-1:]
    return "".join(f" [{Path(one.filename).name}:{one.lineno}]" for one in place)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--share", type=float, default=1.0, help="of the ten thousand")
    parser.add_argument("--only", default="", help="one kind")
    parser.add_argument("--at", type=int, default=None, help="one input of it, with its traceback")
    asked = parser.parse_args()
    matplotlib.use("Agg")
    signal.signal(signal.SIGALRM, _up)
    warnings.simplefilter("error")
    begin, total, bad = time.monotonic(), Counter[str](), []
    print(f"{'kind':14s} inputs" + "".join(f" {end:>11s}" for end in ENDS) + "    s")
    with tempfile.TemporaryDirectory() as place:
        os.chdir(place)  # a text where a path is taken is the name of a file here
        for kind, (count, road) in kinds(Path(place)).items():
            if asked.only not in ("", kind):
                continue
            if asked.at is not None:
                print(road(Random(f"{asked.seed} {kind} {asked.at}")))
                return 0
            start, ends = time.monotonic(), Counter[str]()
            for number in range(round(asked.share * count)):
                end, said = end_of(road, Random(f"{asked.seed} {kind} {number}"))
                ends[end] += 1
                if end not in (RESULT, OWN):
                    bad.append(f"{kind} {number}: {end}: {said}")
            total += ends
            print(
                f"{kind:14s} {ends.total():6d}" + "".join(f" {ends[end]:11d}" for end in ENDS),
                f"{time.monotonic() - start:4.0f}",
            )
    print(
        f"{'all':14s} {total.total():6d}" + "".join(f" {total[end]:11d}" for end in ENDS), f"{time.monotonic() - begin:4.0f}"
    )
    print(*bad, sep="\n")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
