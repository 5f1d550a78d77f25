"""What the grind sheet says in sentences: jet, first stop, which end, warnings, checks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from needlecalc.design.inverse.limits import LEAST_TURN_FLATS
from needlecalc.design.inverse.nextstep import BEFORE_CUTTING
from needlecalc.design.inverse.proposal import Design
from needlecalc.design.inverse.twins import MATCHED_WITHIN_UM
from needlecalc.design.inverse.uncertainty import idle_band
from needlecalc.design.inverse.verdict import HARDLY, full_load_caution
from needlecalc.design.wish.target import lean_at_full_load
from needlecalc.parts.measured import listed
from needlecalc.report.sheetwords import (
    ALL_OFF,
    ALWAYS,
    COLUMNS_MEAN,
    COLUMNS_MEAN_OF_A_BLANK,
    DECIDE_FIRST,
    DOUBT_WORDS,
    FLAT_ANVILS,
    IDLE_TRIMMED,
    INSTRUMENT,
    INTERVAL,
    MEASURE_TWICE,
    NO_CHECKS,
    NO_WAY,
    NO_WAY_BACK,
    NONE_REACHES,
    NOT_OF_A_BLANK,
    ON_DIAMETER,
    SHOULDER,
    SHOWN,
    STOP_ORDERS,
    SURE,
    TURNING,
)
from needlecalc.units import FloatArray


@dataclass(frozen=True, repr=False, eq=False)
class Orders:
    """A design in sentences.

    Parameters
    ----------
    design : Design
        The design they are of.
    """

    design: Design

    def before_lines(self) -> tuple[str, ...]:
        """What comes before nut and file, the gravest first.

        Returns
        -------
        tuple of str
            Checks that nobody made, passes that contradict each other, a full load too lean as it runs, an idle that
            nobody measured, what to measure before metal is lost; none where nothing is wanting.
        """
        design = self.design
        said = [] if design.checks is not None else [NO_CHECKS]
        if apart := design.learned.contradiction():
            said.append(apart)
        if too_lean := self._too_lean_now():
            said.append(too_lean)
        if design.stages() != "not yet" and (caution := design.idle_caution()):
            said.append(caution)
        return (*said, *(flag for flag in design.flags if flag.startswith(BEFORE_CUTTING)))

    def _too_lean_now(self) -> str:
        bands, limit = self.design.target.bands, self.design.target.leanest_full_load()
        lean = [b for b, load in enumerate(bands.load) if load == "full" and bands.lambda_measured[b] > limit + HARDLY]
        if not lean:
            return ""
        ends = dict.fromkeys(f"{end:.2f}" for end in (min(bands.lambda_measured[lean]), max(bands.lambda_measured[lean])))
        return f"FULL LOAD RUNS TOO LEAN NOW, at lambda {' to '.join(ends)}. {lean_at_full_load(limit)}"

    def jet_line(self) -> str:
        """What to do with the jet nut.

        Returns
        -------
        str
            What, why, and what after; where filing cannot do it, where the nearest by filing alone has the jet.
        """
        design = self.design
        if design.stages() == "not yet":
            by = abs(design.flats())
            way = f"{by:.1f} flats {'lower' if design.flats() > 0.0 else 'higher'}" if by >= LEAST_TURN_FLATS else "left"
            return f"Jet: NOT YET. The nearest by filing alone has it {way}, {design.drop_mm:.2f} mm below the bridge."
        if design.stages() == "in stages" and self._after() and abs(design.flats()) >= LEAST_TURN_FLATS:
            # Turned to its last place now it would only be turned back, as idle is trimmed on a needle that is not the last.
            way = "lower" if design.flats() > 0.0 else "higher"
            return (
                f"Jet: turn it only to trim idle.{self._after()} With ALL OFF it is to stand some {abs(design.flats()):.1f} "
                f"flats {way} than now, {design.drop_mm:.2f} mm below the bridge. {design.jet_reason()}"
            ).rstrip()
        return f"{design.jet_words()}{self._after()}"

    def _after(self) -> str:
        aim = self.design.idle_to()
        if aim is None or self.design.stages() == "nothing":
            return ""
        target = self.design.target
        wish = float(target.lambda_target[idle_band(self.design.learned, target)])
        other = f", not to its target of {wish:.2f}, which would cost the other bands" if aim != wish else ""
        steps = self.design.limits.flats
        near = f", as near as {steps} flats come" if steps else ""
        return f" After the cut trim idle to lambda {aim:.2f}{near}{other}."

    def stop_order(self) -> str:
        """Where to stop first.

        Returns
        -------
        str
            One sentence.
        """
        return STOP_ORDERS[self.design.stages()]

    def stop_reason(self) -> str:
        """Why the first stop is there, and what to do then.

        Returns
        -------
        str
            A few sentences; empty where nothing is to be done.
        """
        design, stages = self.design, self.design.stages()
        whole, first = 100 * design.chance_rich, 100 * design.chance_rich_first
        bands = design.target.bands
        rich = [bands.name(b) for b in np.flatnonzero(bands.lambda_measured < design.target.lambda_rich).tolist()]
        stays = f" However much metal is left on, {100 * design.chance_least:.0f} % stay." if design.chance_least else ""
        so_already = f" Too rich as driven, before any cut: {', '.join(rich)}." if rich else ""
        if stages == "nothing":
            if abs(design.flats()) < LEAST_TURN_FLATS:
                return ""
            return (
                f"The chance that the turn makes a band too rich is {whole:.0f} %. Turn the jet, then drive and measure "
                f"lambda.{so_already}"
            )
        if stages == "not yet":
            return so_already.strip()
        if stages == "at once":
            return (
                f"The chance that the cut makes a band too rich is {whole:.0f} %.{stays} Then measure every diameter, "
                f"drive, and measure lambda.{so_already}"
            )
        return (
            f"The chance that the cut makes a band too rich is {whole:.0f} % with all cut at once and {first:.0f} % there."
            f"{stays} Measure every diameter, drive, and measure lambda before taking more.{so_already}"
        )

    def full_load_line(self) -> str:
        """Caution for the drive that follows, where full load may run too lean on it.

        Returns
        -------
        str
            The band whose lambda, or the upper end of its 90 % interval, is leanest of those leaner than full load
            bears; empty where none is, or where filing cannot do it.
        """
        design, stages = self.design, self.design.stages()
        if stages == "not yet":
            return ""
        held = stages == "in stages"
        expected = design.first_predicted if held else design.lambda_predicted
        highest = design.first_high if held else design.lambda_high
        return full_load_caution(design.target, expected, highest)

    def stop_line(self) -> str:
        """Where to stop first, and why.

        Returns
        -------
        str
            Order and reason.
        """
        return f"{self.stop_order()} {self.stop_reason()}".rstrip()

    def way_lines(self) -> tuple[str, ...]:
        """What must be settled before the file, where filing alone cannot do it.

        Returns
        -------
        tuple of str
            The order to wait, then the ways, each worked out; empty where filing serves.
        """
        if self.design.stages() != "not yet":
            return ()
        ways = tuple(f"Way {number}. {option}" for number, option in enumerate(self.design.options, start=1))
        if not ways:
            return (DECIDE_FIRST, NO_WAY)
        reached = any(option.met for option in self.design.options)
        return (DECIDE_FIRST, *ways, *(() if reached else (NONE_REACHES,)))

    def bench_cautions(self) -> tuple[str, ...]:
        """What to mind with the file, or the micrometer, in hand.

        Returns
        -------
        tuple of str
            One sentence each; none where there is nothing to file or measure.
        """
        stages = self.design.stages()
        if stages == "not yet":
            return ()
        if stages == "nothing":
            return (FLAT_ANVILS,)
        stop = "first stop" if stages == "in stages" else "asked diameters"
        return (TURNING, NO_WAY_BACK.format(stop=stop), FLAT_ANVILS)

    def fill_in(self) -> tuple[str, ...]:
        """Lines to fill in by hand.

        Returns
        -------
        tuple of str
            None where there is nothing to measure.
        """
        stages = self.design.stages()
        return () if stages == "not yet" else (INSTRUMENT,) if stages == "nothing" else (INSTRUMENT, SHOULDER)

    def shows(self, key: str) -> bool:
        """Whether a column of the stations is shown.

        Parameters
        ----------
        key : str
            Its key.

        Returns
        -------
        bool
            True for place and present diameter, and for what the design's stages need.
        """
        if self.design.limits.new_blank and key in NOT_OF_A_BLANK:
            return False
        return key in ALWAYS or key in SHOWN[self.design.stages()]

    def legend(self) -> tuple[str, ...]:
        """What the columns of the stations mean.

        Returns
        -------
        tuple of str
            A sentence or a few for each that is shown.
        """
        stages = self.design.stages()
        mean = (COLUMNS_MEAN_OF_A_BLANK if self.design.limits.new_blank else COLUMNS_MEAN)[stages]
        said = [f"{ON_DIAMETER} {mean}".rstrip()]
        said += [f"{self.hold_line()} {SURE}"] if self.shows("hold") else []
        said += [MEASURE_TWICE] if self.shows("measured") else []
        return tuple(said)

    def band_note(self) -> str:
        """What the figures of the bands mean.

        Returns
        -------
        str
            A few sentences.
        """
        design, stages = self.design, self.design.stages()
        said = [INTERVAL] + ([ALL_OFF] if stages == "in stages" else [])
        if design.idle_to() is not None and (stages != "nothing" or abs(design.flats()) >= LEAST_TURN_FLATS):
            said.append(IDLE_TRIMMED)
        return " ".join(said)

    def orientation_line(self) -> str:
        """Which end is which.

        Returns
        -------
        str
            Station 1 at the shank, the last towards the tip, with what they measure.
        """
        needle = self.design.present()
        thick, thin, last = needle.diameters_mm[0], needle.diameters_mm[-1], needle.diameters_mm.size
        return (
            f"Which end: station 1 by the shank, thick ({thick:.4f} mm); station {last} by the tip, thin ({thin:.4f} mm). "
            "Confirm both first."
        )

    def warnings(self) -> tuple[str, ...]:
        """What to know before the first stroke.

        Returns
        -------
        tuple of str
            Stations of the present needle that nobody measured, the other needles of the engine, the design's flags but
            for those that stand above: the ways out and what comes before the file.
        """
        above = (*map(str, self.design.options), *self.before_lines())
        flags = [flag for flag in self.design.flags if flag not in above]
        guessed = self.design.present().interpolated
        said = [f"Present diameter not measured but interpolated: {listed(guessed)}. Measure it first."] if guessed else []
        if (count := self.design.setup.engine.carburettors) > 1 and self.design.stages() in ("at once", "in stages"):
            said.append(
                f"{count} carburettors: a job and a sheet for each, all nuts turned alike; file every needle, "
                f"and refit none before all agree within {MATCHED_WITHIN_UM:g} um at every station."
            )
        return (*said, *flags)

    def hold_um(self) -> FloatArray:
        """How near each diameter is to be held.

        Returns
        -------
        array, shape (n,)
            Error that turns the touchiest band by 1 % lambda; of a station between bands or beyond them the finer of its
            next neighbours' that have one; NaN where no metal comes off, of a blank nowhere. [um]
        """
        design, own = self.design, self.design.tolerance_um
        known = np.flatnonzero(np.isfinite(own))
        if not known.size:
            return own
        at = np.arange(own.size)
        before = own[known[np.maximum(np.searchsorted(known, at, side="right") - 1, 0)]]
        after = own[known[np.minimum(np.searchsorted(known, at), known.size - 1)]]
        worked = (design.remove_um() != 0.0) | design.limits.new_blank
        return np.where(worked, np.minimum(before, after), np.nan)

    def hold(self, tolerance_um: float) -> str:
        """How near a diameter is to be held, as it prints.

        Parameters
        ----------
        tolerance_um : float
            Error that turns the touchiest band by 1 % lambda; NaN where no band is. [um]

        Returns
        -------
        str
            The figure; where no hand holds as fine, what the hand holds, marked.
        """
        hand = self.hand_um()
        if np.isnan(tolerance_um):
            return "-"
        return f"{hand:.1f}*" if tolerance_um < hand else f"{tolerance_um:.1f}"

    def hand_um(self) -> float:
        """What the hand holds.

        Returns
        -------
        float
            Standard error of a filed diameter. [um]
        """
        return 1e3 * self.design.learned.doubts.hand_mm

    def hold_line(self) -> str:
        """How the tolerance is meant.

        Returns
        -------
        str
            One sentence, and another where a tolerance is finer than the hand.
        """
        hand = self.hand_um()
        words = "Hold +-: an error of this size at every station turns the touchiest band by 1 % lambda."
        if not (self.hold_um() < hand).any():
            return words
        return f"{words} {hand:.1f}*: that would take less than a hand holds, so there the hand alone may turn it by more."

    def doubt_line(self) -> str:
        """What the doubt of the asked diameters mostly comes from.

        Returns
        -------
        str
            One sentence; empty where nothing is cut.
        """
        if not self.shows("asked_mm"):
            return ""
        by_source: dict[str, list[str]] = {}
        for number, source in enumerate(self.design.largest_doubt, start=1):
            if source:
                by_source.setdefault(DOUBT_WORDS.get(source, source), []).append(str(number))
        if not by_source:
            return ""
        said = "; ".join(f"{source} at {', '.join(numbers)}" for source, numbers in by_source.items())
        return f"The doubt of the asked diameters mostly comes from (stations): {said}."

    def check_lines(self) -> tuple[str, ...]:
        """Every check before the cut, in short.

        Returns
        -------
        tuple of str
            What is green and what was not measured, by name; red and amber stand among the warnings.
        """
        checks = self.design.checks
        if checks is None:
            return (NO_CHECKS,)
        lines = [checks.notes()[0]]
        for verdict, words in (
            ("red", "Red"),
            ("amber", "Amber"),
            ("green", "Green"),
            ("not measured", "Not measured, so not proven"),
        ):
            if names := ", ".join(check.name for check in checks.of(verdict)):
                lines.append(f"{words}: {names}.")
        return tuple(lines)
