"""Which readings are fit for use: engine off, saturated, frozen, or no mixture that burns."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from needlecalc.units import FloatArray

FLAGS = (
    "fit for use",
    "engine off or cranking: rpm below 200",
    "rpm above 20000: no engine speed",
    "mixture reading saturated at its lean end: overrun, free air or the display's ceiling",
    "mixture reading saturated at its rich end: the display's floor",
    "leaner than lambda 1.8: no mixture that burns, so overrun, free air or misfire",
    "richer than lambda 0.5: no mixture that burns, or no reading yet",
    "mixture reading frozen while rpm changes",
)
FIT, ENGINE_OFF, RPM_TOO_HIGH, CEILING, FLOOR, TOO_LEAN, TOO_RICH, FROZEN = range(len(FLAGS))

# Common practice, no source: a warm petrol engine neither idles below 200 1/min nor burns outside these
# limits.
RPM_ENGINE_ON = 200.0
RPM_HIGHEST = 20000.0
LAMBDA_RICHEST = 0.5
LAMBDA_LEANEST = 1.8

# A reading this long at the log's extreme value, while rpm changes, is the display's end and no mixture.
_HELD_S = 1.0
_HELD_ROWS = 5
_PILE_UP = 3
# Values no more display steps apart than this, the inner one held for this share of the outer ones' rows, are one end.
_ADJOINING = 1.5
_AS_LONG = 0.1
# Share of the rows beyond a ceiling that may be glitches and do not hide it.
_GLITCHES = 0.001
# Steps of a display wider than this stand still of themselves: patience is longer.
_COARSE_LAMBDA = 0.02
_FAR_END = (0.7, 1.3)
_FROZEN_S = 5.0
_FROZEN_COARSE_S = 60.0
_FROZEN_ROWS = 20
_FROZEN_RUNS = 20.0


def flag_rows(time_s: FloatArray, rpm: FloatArray, lambda_measured: FloatArray) -> NDArray[np.int8]:
    """Flag of each row: 0 where it is fit for use, else its place in ``FLAGS``.

    A display's ceiling is found, not known: it is the highest value, beyond lambda 1, on which the reading stays for a
    second or more, if at least three times as many rows lie on it as within five display steps below, and no more than
    0.1 % of the rows, glitches, above it; between lambda 0.7 and 1.3 rpm must change meanwhile. Adjoining values that are
    held like that are one ceiling. Where the display's steps are wider than 0.02 lambda a steady mixture can do the same,
    so there only ends beyond lambda 0.7 and 1.3 count.

    A sensor is frozen where the reading stays the same to the last digit while rpm changes by 200 1/min and 15 %, for
    five seconds (a minute where the display's steps are coarse or not known) and for twenty times the run that is usual
    in this log. All these limits are common practice, without a source.
    """
    flag = np.zeros(len(time_s), dtype=np.int8)
    if not len(time_s):
        return flag
    runs = _Runs(time_s, rpm, lambda_measured)
    # What stands further down overrules.
    for which, rows in (
        (FROZEN, runs.frozen()),
        (TOO_LEAN, lambda_measured > LAMBDA_LEANEST),
        (TOO_RICH, lambda_measured < LAMBDA_RICHEST),
        (CEILING, runs.at_end(lean=True)),
        (FLOOR, runs.at_end(lean=False)),
        (RPM_TOO_HIGH, rpm > RPM_HIGHEST),
        (ENGINE_OFF, rpm < RPM_ENGINE_ON),
    ):
        if rows.any():
            flag[rows] = which
    return flag


class _Runs:
    """Stretches of rows over which the reading stays the same to the last digit."""

    def __init__(self, time_s: FloatArray, rpm: FloatArray, reading: FloatArray) -> None:
        self.rpm, self.reading = rpm, reading
        bounds = np.concatenate([[0], np.flatnonzero(reading[1:] != reading[:-1]) + 1, [len(reading)]])
        self.start, self.stop = bounds[:-1], bounds[1:]
        self.duration_s = time_s[self.stop - 1] - time_s[self.start]
        # The display's step, from readings that can be a mixture; some ten thousand rows show them all.
        some = reading[:: len(reading) // 50_000 + 1]
        steps = np.diff(np.unique(some[(some > LAMBDA_RICHEST) & (some < LAMBDA_LEANEST)]))
        self.step = float(np.quantile(steps, 0.1)) if len(steps) else np.inf

    def _held(self, seconds: float, rows: int) -> NDArray[np.int64]:
        return np.flatnonzero((self.duration_s >= seconds) & (self.stop - self.start >= rows))

    def _rpm_moves(self, run: int, least: float, share: float) -> bool:
        rpm = self.rpm[self.start[run] : self.stop[run]]
        return bool(np.ptp(rpm) >= max(least, share * float(np.mean(np.abs(rpm)))))

    def frozen(self) -> NDArray[np.bool_]:
        marked = np.zeros(len(self.reading), dtype=np.bool_)
        usual = float(np.median(self.duration_s)) if len(self.duration_s) >= 10 else 0.0
        patience = _FROZEN_S if self.step <= _COARSE_LAMBDA else _FROZEN_COARSE_S
        for run in self._held(max(patience, _FROZEN_RUNS * usual), _FROZEN_ROWS).tolist():
            if self._rpm_moves(run, 200.0, 0.15):
                marked[self.start[run] : self.stop[run]] = True
        return marked

    def at_end(self, lean: bool) -> NDArray[np.bool_]:
        """Rows on the display's ceiling or floor, and those beyond it."""
        none = np.zeros(len(self.reading), dtype=np.bool_)
        outward = self.reading if lean else -self.reading
        held = self._held(_HELD_S, _HELD_ROWS)
        lowest, highest = _FAR_END
        far = (self.reading[self.start[held]] >= highest) | (self.reading[self.start[held]] <= lowest)
        # Far out no mixture stays the same to the last digit; near lambda one it can, while rpm does.
        telling = [run for run, out in zip(held.tolist(), far, strict=True) if out or self._rpm_moves(run, 20.0, 0.02)]
        levels = np.unique(outward[self.start[telling]])[::-1]
        end = float(levels[0] if lean else -levels[0]) if len(levels) else np.nan
        coarse = self.step > _COARSE_LAMBDA and lowest < end < highest
        if not len(levels) or (end > 1.0) != lean or coarse:
            return none
        step = self.step if np.isfinite(self.step) else _COARSE_LAMBDA
        rows = np.array([np.count_nonzero(outward == level) for level in levels])
        apart = np.flatnonzero((np.diff(levels) < -_ADJOINING * step) | (rows[1:] < _AS_LONG * np.cumsum(rows)[:-1]))
        for edge in levels[: apart[0] + 1 if len(apart) else None][::-1]:
            beyond: NDArray[np.bool_] = outward >= edge
            inside = np.count_nonzero(~beyond & (edge - outward <= 5 * step))
            piled = np.count_nonzero(outward == edge) >= _PILE_UP * inside
            if piled and np.count_nonzero(outward > levels[0]) <= _GLITCHES * len(outward):
                return beyond
        return none
