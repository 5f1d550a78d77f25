"""The design: needle and jet height asked, the first stop, and how sure each figure is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from needlecalc.design.belief.learned import Learned
from needlecalc.design.inverse.binding import Binding
from needlecalc.design.inverse.limits import LEAST_TURN_FLATS, Limits
from needlecalc.design.inverse.options import Option, options_table
from needlecalc.design.inverse.uncertainty import idle_aim, idle_band
from needlecalc.design.wish.target import Target
from needlecalc.measure.checks.check import Checks
from needlecalc.parts.needle import Needle
from needlecalc.parts.setup import Setup
from needlecalc.show import Column, Row, Shown, Table
from needlecalc.units import FloatArray, inch_from_mm

TELLS_APART = 2.0  # standard errors of hand and micrometer together
LEAST_TOLD_MM = 5e-4
WORTH_A_WORD = 0.003  # of lambda
Stages = Literal["not yet", "nothing", "at once", "in stages"]


@dataclass(frozen=True, repr=False, eq=False)
class Design(Shown):
    """A proposed needle and jet height, with what it does to each band and how sure that is.

    Parameters
    ----------
    learned : Learned
        The car as believed, with the setup and the passes behind it.
    target : Target
        Bands and what was asked of each.
    needle : Needle
        The needle as asked.
    drop_mm : float
        Jet drop as asked. [mm]
    first_stop : Needle
        The needle at the first stop; the same as asked where all may go at once.
    chance_rich, chance_rich_first : float
        Chance that the cut brings any band richer than permitted if all is cut at once, and at the first stop; a band
        that would be so with no cut at all, and gets no richer by it, is not counted here. [-]
    chance_least : float
        What stays of both however much metal is left on, where it is more than the risk; else 0. [-]
    held_back : float
        Standard uncertainties by which the first stop stays on the lean side. [-]
    lambda_predicted, lambda_low, lambda_high : array, shape (m,)
        Lambda expected of each band and its 90 % interval. [-]
    first_predicted, first_low, first_high : array, shape (m,)
        The same at the first stop. [-]
    diameter_u_um : array, shape (n,)
        Standard uncertainty of each diameter asked; NaN where nothing is cut, or a limit ends the cut. [um]
    largest_doubt : tuple of str
        What that uncertainty mostly comes from, a station each.
    tolerance_um : array, shape (n,)
        Error of a diameter that keeps every band it serves within 1 % lambda; NaN where no band is. [um]
    supported : array of bool, shape (n,)
        Stations that the data speak for.
    status : str
        One sentence.
    met : bool
        Whether filing (or the blank) can do what was asked.
    flags : tuple of str
        What to know station by station and band by band.
    smoothness : float
        Weight of the smoothness chosen by the data.
    limits : Limits
        The limits kept.
    idle_percent_per_um : array, shape (n,)
        Change of idle's lambda for each um off a diameter, the jet left alone; NaN where no idle was
        measured. [%/um]
    binding : tuple of Binding
        Limits that hold the design back, and what easing each would bring.
    options : tuple of Option
        Where the target is not met: what could be done, each solved anew.
    chance_fails, chance_fails_first : float
        Chance that a band with a test fails it if all is cut at once, and at the first stop; 0 where no band
        has a test. [-]
    checks : Checks or None
        Checks made before it; None where none were.
    """

    learned: Learned
    target: Target
    needle: Needle
    drop_mm: float
    first_stop: Needle
    chance_rich: float
    chance_rich_first: float
    chance_least: float
    held_back: float
    lambda_predicted: FloatArray
    lambda_low: FloatArray
    lambda_high: FloatArray
    first_predicted: FloatArray
    first_low: FloatArray
    first_high: FloatArray
    diameter_u_um: FloatArray
    largest_doubt: tuple[str, ...]
    tolerance_um: FloatArray
    supported: NDArray[np.bool_]
    status: str
    met: bool
    flags: tuple[str, ...]
    smoothness: float
    limits: Limits
    idle_percent_per_um: FloatArray
    binding: tuple[Binding, ...]
    options: tuple[Option, ...]
    chance_fails: float
    chance_fails_first: float
    checks: Checks | None = None

    def __repr__(self) -> str:
        return f"Design: {self.status}"

    @property
    def setup(self) -> Setup:
        """Setup of the last drive.

        Returns
        -------
        Setup
            With the needle and jet height now on the car.
        """
        return self.learned.setup

    def present(self) -> Needle:
        """Needle now fitted.

        Returns
        -------
        Needle
            As the setup has it.
        """
        return self.setup.carburettor.needle

    def remove_um(self) -> FloatArray:
        """Metal to take off each diameter, all stages together.

        Returns
        -------
        array, shape (n,)
            Removal on diameter. [um]
        """
        return np.asarray(1e3 * (self.present().diameters_mm - self.needle.diameters_mm))

    def told_mm(self) -> float:
        """Difference between two diameters that hand and micrometer can tell.

        Returns
        -------
        float
            On diameter. [mm]
        """
        doubts = self.learned.doubts
        return max(TELLS_APART * float(np.hypot(doubts.hand_mm, doubts.micrometer_mm)), LEAST_TOLD_MM)

    def stop_mm(self) -> FloatArray:
        """Diameters to file to first, as they can be filed.

        Returns
        -------
        array, shape (n,)
            Those of the first stop; but where that is nearer than hand and micrometer can tell, and another cut
            follows, the present ones, unless nothing at all were filed then. [mm]
        """
        present, stop = self.present().diameters_mm, self.first_stop.diameters_mm
        if self.limits.new_blank:
            return stop
        near = (present - stop < self.told_mm()) & (stop > self.needle.diameters_mm)
        # What is left must not stand out over a station before it that is filed.
        before = np.concatenate([[np.inf], np.minimum.accumulate(stop)[:-1]])
        told = np.where(near & (present <= before), present, stop)
        return told if (told < present).any() else stop

    def stages(self) -> Stages:
        """How the metal comes off.

        Returns
        -------
        str
            "not yet" where filing cannot do what was asked, "nothing" where no diameter changes, "at once" or
            "in stages".
        """
        if not self.met:
            return "not yet"
        if not self.remove_um().any():
            return "nothing"
        return "at once" if self.held_back == 0.0 else "in stages"

    def headline(self) -> str:
        """The verdict, and how near the first stop comes where that is another needle.

        Returns
        -------
        str
            One sentence or two.
        """
        if self.stages() != "in stages":
            return self.status
        missed = 100.0 * (self.first_predicted / self.target.lambda_target - 1.0)
        worst = int(np.argmax(np.abs(missed)))
        side = "leaner" if missed[worst] > 0.0 else "richer"
        return (
            f"{self.status} That is with all off; the first stop leaves {self.target.bands.name(worst)} "
            f"{abs(missed[worst]):.1f} % {side} than its target."
        )

    def flats(self) -> float:
        """Flats of the jet nut to turn; positive lowers the jet.

        Returns
        -------
        float
            Flats. [-]
        """
        jet = self.setup.carburettor.jet
        return (self.drop_mm - jet.drop_mm) / jet.flat_mm

    def jet_words(self) -> str:
        """What to do with the jet nut.

        Returns
        -------
        str
            How far, from where to where, and what for.
        """
        drop, flats = self.setup.carburettor.jet.drop_mm, self.flats()
        if abs(flats) < LEAST_TURN_FLATS:
            return f"Jet: leave its face {drop:.2f} mm below the bridge."
        way = "LOWER (richer)" if flats > 0 else "RAISE (leaner)"
        turn = f"Jet: {way} by {abs(flats):.1f} flats, from {drop:.2f} to {self.drop_mm:.2f} mm below the bridge."
        return f"{turn} {self.jet_reason()}".rstrip()

    def idle_to(self) -> float | None:
        """Lambda the meter is to show when the nut trims idle after the cut.

        Returns
        -------
        float or None
            Its target, but where idle gives way to other bands; None where the nut trims nothing. [-]
        """
        idle = idle_band(self.learned, self.target)
        return None if idle is None else idle_aim(self.target, idle, float(self.lambda_predicted[idle]))

    def jet_reason(self) -> str:
        """What the jet is turned for.

        Returns
        -------
        str
            One sentence; empty where it stays.
        """
        flats = self.flats()
        if abs(flats) < LEAST_TURN_FLATS:
            return ""
        wish = np.log(self.target.lambda_target / self.learned.lambda_now())
        asks = wish > WORTH_A_WORD if flats < 0.0 else wish < -WORTH_A_WORD
        if (asks & (np.array(self.target.bands.load) == "idle")).any():
            return "The nut, not the file, brings the idle to its target."
        if flats < 0.0 and asks.any():
            return f"No file makes {self.target.bands.names(np.flatnonzero(asks).tolist(), wish)} leaner; the nut does."
        return "At that height one needle serves all bands best."

    def idle_caution(self) -> str:
        """What turning the jet does to an idle nobody measured.

        Returns
        -------
        str
            Two sentences; empty where the jet stays or idle was measured.
        """
        flats = self.flats()
        if abs(flats) < LEAST_TURN_FLATS or "idle" in self.target.bands.load:
            return ""
        return (
            f"IDLE WAS NOT MEASURED: the nut makes it {'leaner' if flats < 0.0 else 'richer'} too, most of all, by how much "
            "is not known. Measure it before you turn or cut, and add it to the bands; or keep the jet where it is "
            "(drop_min_mm and drop_max_mm in [limits])."
        )

    def station_rows(self) -> list[Row]:
        """What to do at each station.

        Returns
        -------
        list of dict
            One a station, full precision.
        """
        rows, stop = [], self.stop_mm()
        for k, remove in enumerate(self.remove_um()):
            present, asked = float(self.present().diameters_mm[k]), float(self.needle.diameters_mm[k])
            rows.append(
                {
                    "station": k + 1,
                    "distance_mm": float(self.needle.stations_mm[k]),
                    "present_mm": present,
                    "asked_mm": asked,
                    "remove_um": float(remove),
                    "per_side_um": float(remove) / 2.0,
                    "first_stop_mm": float(stop[k]),
                    "asked_u_um": float(self.diameter_u_um[k]),
                    "largest_doubt": self.largest_doubt[k],
                    "tolerance_um": float(self.tolerance_um[k]),
                    "idle_percent_per_um": float(self.idle_percent_per_um[k]),
                    "present_in": inch_from_mm(present),
                    "asked_in": inch_from_mm(asked),
                    "data": bool(self.supported[k]),
                }
            )
        return rows

    def band_rows(self) -> list[Row]:
        """What becomes of each band.

        Returns
        -------
        list of dict
            One a band, full precision; the interval is 90 %.
        """
        bands = self.target.bands
        return [
            {
                "rpm": float(bands.rpm[b]),
                "load": bands.load[b],
                "lift_mm": float(bands.lift_mm[b]),
                "lambda_measured": float(bands.lambda_measured[b]),
                "lambda_target": float(self.target.lambda_target[b]),
                "lambda_first": float(self.first_predicted[b]),
                "lambda_first_low": float(self.first_low[b]),
                "lambda_first_high": float(self.first_high[b]),
                "lambda_predicted": float(self.lambda_predicted[b]),
                "lambda_low": float(self.lambda_low[b]),
                "lambda_high": float(self.lambda_high[b]),
            }
            for b in range(bands.rpm.size)
        ]

    def table(self) -> Table:
        """Stations, to be shown.

        Returns
        -------
        Table
            One row a station; status and jet above, flags below.
        """
        intro = tuple(words for words in (self.headline(), self.idle_caution(), self.jet_words()) if words)
        columns = (
            Column("station", "station", "d"),
            Column("distance_mm", "from shoulder mm", ".3f"),
            Column("present_mm", "present mm", ".4f"),
            Column("first_stop_mm", "first stop mm", ".4f"),
            Column("asked_mm", "asked mm", ".4f"),
            Column("remove_um", "take off um", ".1f"),
            Column("asked_u_um", "+- um", ".1f"),
            Column("largest_doubt", "mostly from"),
            Column("tolerance_um", "1 % tolerance um", ".1f"),
            *(
                (Column("idle_percent_per_um", "idle % per um", ".2f"),)
                if np.isfinite(self.idle_percent_per_um).any()
                else ()
            ),
            Column("data", "data"),
        )
        return Table(f"Design for {self.present().name}", columns, self.station_rows(), intro, self.flags)

    def band_table(self) -> Table:
        """Bands before and after, to be shown.

        Returns
        -------
        Table
            One row a band.
        """
        columns = (
            Column("rpm", "rpm", ".0f"),
            Column("load", "load"),
            Column("lift_mm", "lift mm", ".1f"),
            Column("lambda_measured", "lambda now", ".3f"),
            Column("lambda_target", "target", ".3f"),
            Column("lambda_first", "at first stop", ".3f"),
            Column("lambda_predicted", "predicted", ".3f"),
            Column("lambda_low", "from", ".3f"),
            Column("lambda_high", "to (90 %)", ".3f"),
        )
        return Table("Lambda by band", columns, self.band_rows())

    def options_table(self) -> Table:
        """What could be done where the target is not met, to be shown.

        Returns
        -------
        Table
            One row an option, each solved anew; none where the target is met.
        """
        return options_table(self.options)
