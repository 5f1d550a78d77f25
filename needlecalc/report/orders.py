"""What the grind sheet says in sentences: jet, first stop, which end, warnings, checks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from needlecalc.design.inverse.proposal import Design
from needlecalc.design.inverse.sure import idle_band
from needlecalc.design.inverse.twins import MATCHED_WITHIN_UM
from needlecalc.parts.measured import listed
from needlecalc.report.sheetwords import DECIDE_FIRST, DOUBT_WORDS, NO_CHECKS


@dataclass(frozen=True, repr=False, eq=False)
class Orders:
    """A design in sentences.

    Parameters
    ----------
    design : Design
        The design they are of.
    """

    design: Design

    def jet_line(self) -> str:
        """What to do with the jet nut.

        Returns
        -------
        str
            What, why, and what after.
        """
        return f"{self.design.jet_words()}{self._after()}"

    def _after(self) -> str:
        aim = self.design.idle_to()
        if aim is None or not (self.design.remove_um() > 0.0).any():
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
        if not (self.design.remove_um() > 0.0).any():
            return "First stop: nothing is to be filed."
        if not self.design.met:
            return "First stop: NONE YET. The table shows only how near filing alone would come."
        if self.design.held_back == 0.0:
            return "First stop: the asked diameters, all in one stage."
        return "First stop: file to the FIRST STOP diameters and no further."

    def stop_reason(self) -> str:
        """Why the first stop is there, and what to do then.

        Returns
        -------
        str
            A few sentences; empty where nothing is to be filed.
        """
        design = self.design
        whole, first = 100 * design.chance_rich, 100 * design.chance_rich_first
        if not (design.remove_um() > 0.0).any():
            return ""
        bands = design.target.bands
        rich = [bands.name(b) for b in np.flatnonzero(bands.lambda_measured < design.target.lambda_rich).tolist()]
        so_already = f" Too rich as driven, before any cut: {', '.join(rich)}." if rich else ""
        if not design.met:
            return so_already.strip()
        if design.held_back == 0.0:
            return (
                f"The chance that the cut makes a band too rich is {whole:.0f} %.{so_already} Then measure every diameter, "
                "drive, and measure lambda."
            )
        return (
            f"The chance that the cut makes a band too rich is {whole:.0f} % with all cut at once and {first:.0f} % there."
            f"{so_already} Measure every diameter, drive, and measure lambda before taking more."
        )

    def stop_line(self) -> str:
        """Where to stop first, and why.

        Returns
        -------
        str
            Order and reason.
        """
        return f"{self.stop_order()} {self.stop_reason()}".rstrip()

    def way_line(self) -> str:
        """What must be settled before the file, where filing alone cannot do it.

        Returns
        -------
        str
            One or two sentences; empty where filing serves.
        """
        return "" if self.design.met else DECIDE_FIRST

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
            Stations of the present needle that nobody measured, the other needles of the engine, the design's flags,
            and a word where no checks were made.
        """
        guessed = self.design.present().interpolated
        said = [f"Present diameter not measured but interpolated: {listed(guessed)}. Measure it first."] if guessed else []
        if (count := self.design.setup.engine.carburettors) > 1 and (self.design.remove_um() > 0.0).any():
            said.append(
                f"{count} carburettors: file every needle, a sheet each, and refit none before all agree within "
                f"{MATCHED_WITHIN_UM:g} um at every station."
            )
        return (*said, *self.design.flags, *(() if self.design.checks is not None else (NO_CHECKS,)))

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
        hand, cut = self.hand_um(), self.design.remove_um() != 0.0
        words = "Hold +-: an error of this size at every station turns the touchiest band by 1 % lambda."
        if not (self.design.tolerance_um[cut] < hand).any():
            return words
        return f"{words} {hand:.1f}*: that would take less than a hand holds, so there the hand alone may turn it by more."

    def doubt_line(self) -> str:
        """What the doubt of the asked diameters mostly comes from.

        Returns
        -------
        str
            One sentence; empty where nothing is cut.
        """
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
