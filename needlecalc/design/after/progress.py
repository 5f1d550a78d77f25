"""Where the file stands: measured diameters against the first stop, and lambda with what was really cut."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.design.after.refit import touched
from needlecalc.design.inverse.proposal import LEAST_TOLD_MM, Design, Stages
from needlecalc.design.inverse.stages import RISK, chance_made_rich
from needlecalc.design.inverse.uncertainty import Cars, outlook
from needlecalc.design.inverse.verdict import full_load_caution
from needlecalc.errors import InputError
from needlecalc.parts.measured import OVAL_UM, WITHIN_UM, listed, measured_needle
from needlecalc.parts.needle import Needle
from needlecalc.show import Column, Row, Shown, Table
from needlecalc.units import FloatArray

LIGHT_PASS_UM = 10.0
LEAVE, THERE, MORE, PAST, OVER = "leave", "there", "to go", "past the stop", "overcut"
CARE = "Wash, cool and measure. At a turning needle: safety glasses, and no gloves at a chuck."


@dataclass(frozen=True, repr=False, eq=False)
class Progress(Shown):
    """A needle under the file: what is done at each station, and what lambda is by now.

    Parameters
    ----------
    design : Design
        What was asked.
    measured : Needle
        The needle as it is.
    to_go_um : array, shape (n,)
        Metal still over the first stop; negative is past it. [um]
    verdicts : tuple of str
        "leave", "there", "to go", "past the stop" or "overcut", a station each.
    over_um : array, shape (n,)
        Metal taken beyond the final diameter asked; 0 where none. [um]
    told_um : float
        Difference that hand and micrometer can tell; less is "there". [um]
    lambda_now, lambda_low, lambda_high : array, shape (m,)
        Lambda expected of each band with what was really cut and its 90 % interval. [-]
    lambda_rest : array, shape (m,)
        The same once the rest down to the first stop is taken. [-]
    chance_rich_now, chance_rich_rest : float
        Chance that the cut makes any band too rich, now and with the rest taken; a band too rich with no cut at all
        is not counted. [-]
    goes_on : bool
        Whether the file goes on before the next drive.
    status : str
        What to do, one sentence.
    """

    design: Design
    measured: Needle
    to_go_um: FloatArray
    verdicts: tuple[str, ...]
    over_um: FloatArray
    told_um: float
    lambda_now: FloatArray
    lambda_low: FloatArray
    lambda_high: FloatArray
    lambda_rest: FloatArray
    chance_rich_now: float
    chance_rich_rest: float
    goes_on: bool
    status: str

    def __repr__(self) -> str:
        return f"Progress: {self.status}"

    def overcut(self) -> bool:
        """Whether metal is gone that the design needs.

        Returns
        -------
        bool
            True where any station is beyond its final diameter by more than can be told.
        """
        return OVER in self.verdicts

    def full_load_line(self) -> str:
        """Caution for the drive that follows, where full load may run too lean on it.

        Returns
        -------
        str
            As the sheet has it, for the needle as cut now; empty where the file goes on, or filing cannot do it.
        """
        if self.goes_on or self.design.stages() == "not yet":
            return ""
        return full_load_caution(self.design.target, self.lambda_now, self.lambda_high)

    def station_rows(self) -> list[Row]:
        """How each station stands.

        Returns
        -------
        list of dict
            One a station, full precision.
        """
        stop = self.design.stop_mm()
        return [
            {
                "station": k + 1,
                "distance_mm": float(self.measured.stations_mm[k]),
                "present_mm": float(self.design.present().diameters_mm[k]),
                "first_stop_mm": float(stop[k]),
                "asked_mm": float(self.design.needle.diameters_mm[k]),
                "measured_mm": float(self.measured.diameters_mm[k]),
                "to_go_um": float(self.to_go_um[k]),
                "over_um": float(self.over_um[k]),
                "verdict": verdict,
            }
            for k, verdict in enumerate(self.verdicts)
        ]

    def band_rows(self) -> list[Row]:
        """What lambda each band has by now.

        Returns
        -------
        list of dict
            One a band, full precision; the interval is 90 %.
        """
        bands, target = self.design.learned.bands, self.design.target
        return [
            {
                "rpm": float(bands.rpm[b]),
                "load": bands.load[b],
                "lambda_before": float(bands.lambda_measured[b]),
                "lambda_target": float(target.lambda_target[b]),
                "lambda_rich": float(target.lambda_rich[b]),
                "lambda_now": float(self.lambda_now[b]),
                "lambda_low": float(self.lambda_low[b]),
                "lambda_high": float(self.lambda_high[b]),
                "lambda_rest": float(self.lambda_rest[b]),
            }
            for b in range(bands.rpm.size)
        ]

    def table(self) -> Table:
        """Stations, to be shown.

        Returns
        -------
        Table
            One row a station; what to do above, chances below.
        """
        columns = (
            Column("station", "station", "d"),
            Column("distance_mm", "from shoulder mm", ".3f"),
            Column("present_mm", "before mm", ".4f"),
            Column("first_stop_mm", "first stop mm", ".4f"),
            Column("measured_mm", "measured mm", ".4f"),
            Column("to_go_um", "to go um", "+.1f"),
            Column("verdict", "verdict"),
        )
        more = f", {100 * self.chance_rich_rest:.0f} % with the rest down to the first stop taken"
        rest = more if (self.to_go_um > 1e3 * LEAST_TOLD_MM).any() else ""
        intro = tuple(words for words in (self.status, self.full_load_line()) if words)
        notes = (
            f"Chance that the cut makes a band too rich: {100 * self.chance_rich_now:.0f} % now{rest}.",
            f"'there': within {self.told_um:.1f} um, which hand and micrometer together cannot tell apart.",
            f"Readings: {self.measured.source}.",
            CARE,
        )
        return Table(f"Where {self.design.present().name} is", columns, self.station_rows(), intro, notes)

    def band_table(self) -> Table:
        """Lambda of each band by now, to be shown.

        Returns
        -------
        Table
            One row a band.
        """
        columns = (
            Column("rpm", "rpm", ".0f"),
            Column("load", "load"),
            Column("lambda_before", "before", ".3f"),
            Column("lambda_now", "as cut now", ".3f"),
            Column("lambda_low", "from", ".3f"),
            Column("lambda_high", "to (90 %)", ".3f"),
            Column("lambda_rest", "at first stop", ".3f"),
            Column("lambda_target", "target", ".3f"),
            Column("lambda_rich", "richest allowed", ".3f"),
        )
        note = (
            f"Computed, not measured: with the jet {self.design.drop_mm:.2f} mm below the bridge, and idle set by the nut."
        )
        return Table("Lambda with what was cut", columns, self.band_rows(), notes=(note,))


def judge_cut(
    design: Design,
    readings_mm: ArrayLike,
    *,
    within_um: float = WITHIN_UM,
    oval_um: float = OVAL_UM,
    risk: float = RISK,
    file_down: bool = False,
) -> Progress:
    """How far a needle is on its way to the first stop, and whether to go on.

    Parameters
    ----------
    design : Design
        What was asked.
    readings_mm : array_like, shape (n,) or (2, n)
        Diameter read at each station, at one angle or two; NaN where nothing was asked and none was taken. [mm]
    within_um, oval_um : float
        Limits of :func:`measured_needle`. [um]
    risk : float
        Chance of a band richer than permitted at which filing stops, or that of the design's first stop where
        that is greater. [-]
    file_down : bool
        As in :func:`measured_needle`: stations beyond a waist count as filed down to it.

    Returns
    -------
    Progress
        A verdict a station, lambda of every band, and what to do.

    Raises
    ------
    InputError
        If the readings cannot be those of this needle under the file, or the design is for a new blank.

    Notes
    -----
    A station is "there" within twice the standard error of hand and micrometer together.  It is overcut when
    it is beyond the *final* diameter by more than that; between first stop and final it is only past the stop.
    """
    if design.limits.new_blank:
        msg = (
            "This design is for a new blank, which is not filed from the present needle; measure the blank, fit it as the "
            "present needle, and solve for filing."
        )
        raise InputError(msg)
    doubts = design.learned.doubts
    before, stop, final = design.present().diameters_mm, design.stop_mm(), design.needle.diameters_mm
    cut = stop < before
    measured = measured_needle(
        design.present(), readings_mm, within_um=within_um, oval_um=oval_um, filed=cut, file_down=file_down
    )
    now = measured.diameters_mm
    told = design.told_mm()
    verdicts = tuple(_verdict(*row, told=told) for row in zip(now, before, stop, final, strict=True))
    over = np.where([word == OVER for word in verdicts], 1e3 * (final - now), 0.0)
    new = touched(design.learned, measured)
    still = cut & (now > stop)
    cars = Cars.of(design.learned)
    seen = [
        outlook(
            design.learned,
            design.target,
            diameters,
            changed,
            design.drop_mm,
            error_mm=error,
            idle_to=design.idle_to(),
            cars=cars,
        )
        for diameters, changed, error in (
            (now, new, doubts.micrometer_mm),
            (np.where(still, stop, now), new | still, np.where(still, doubts.hand_mm, doubts.micrometer_mm)),
        )
    ]
    low, high = seen[0].interval()
    none = np.zeros(now.size, dtype=bool)
    # With no cut: a tested idle with the nut set as after one, the other bands as they were driven.
    as_driven, nut_set = (
        outlook(
            design.learned, design.target, before, none, drop, idle_to=design.idle_to(), trims=trims, cars=cars
        ).lambda_drawn
        for drop, trims in ((design.setup.carburettor.jet.drop_mm, False), (design.drop_mm, True))
    )
    uncut = np.where(design.target.tested, nut_set, as_driven)
    chances = [chance_made_rich(design.target, one.lambda_drawn, uncut) for one in seen]
    to_go = 1e3 * (now - stop)
    bearable = max(risk, design.chance_rich_first)
    return Progress(
        design=design,
        measured=measured,
        to_go_um=to_go,
        verdicts=verdicts,
        over_um=over,
        told_um=1e3 * told,
        lambda_now=np.median(seen[0].lambda_drawn, axis=0),
        lambda_low=low,
        lambda_high=high,
        lambda_rest=np.median(seen[1].lambda_drawn, axis=0),
        chance_rich_now=chances[0],
        chance_rich_rest=chances[1],
        goes_on=MORE in verdicts and OVER not in verdicts and design.met and chances[0] <= bearable,
        status=_status(verdicts, to_go, over, design.stages(), chances[0], bearable),
    )


def _verdict(now: float, before: float, stop: float, final: float, *, told: float) -> str:
    if now < final - told:
        return OVER
    if final >= before or (stop >= before and now >= stop - told):
        return LEAVE
    if now > stop + told:
        return MORE
    return THERE if now >= stop - told else PAST


def _status(
    verdicts: tuple[str, ...], to_go_um: FloatArray, over_um: FloatArray, stages: Stages, chance: float, risk: float
) -> str:
    """What to do, the gravest first."""
    if OVER in verdicts:
        worst = np.argsort(-over_um)[: verdicts.count(OVER)].tolist()
        places = ", ".join(f"station {k + 1} by {over_um[k]:.0f} um" for k in worst)
        return f"Overcut at {places}: stop filing; the rescue says what the jet and the other stations can still do."
    if stages == "not yet":
        return (
            "File nothing more: filing alone does not bring this needle to its target; the sheet names the ways that could."
        )
    if stages == "nothing":
        return "Nothing to file: the design leaves every station as it is."
    if chance > risk:
        return (
            f"Stop, measure lambda: the chance that the cut has made a band too rich is {100 * chance:.0f} %, more "
            f"than the {100 * risk:.0f} % agreed."
        )
    left = np.flatnonzero([word == MORE for word in verdicts])
    past = np.flatnonzero([word == PAST for word in verdicts]) + 1
    words = f" {_stations(past).capitalize()} past the stop already: no more there." if past.size else ""
    if not left.size:
        return f"Stop, measure lambda: no station is over its first stop by more than can be told.{words}"
    most = float(to_go_um[left].max())
    if most <= LIGHT_PASS_UM:
        return f"One light pass at {_stations(left + 1)}: at most {most:.0f} um to go.{words}"
    where = int(left[np.argmax(to_go_um[left])]) + 1
    return (
        f"Carry on at {_stations(left + 1)}: up to {most:.0f} um to go, most at station {where}; "
        f"measure again before the last {LIGHT_PASS_UM:.0f} um.{words}"
    )


def _stations(numbers: np.typing.NDArray[np.intp]) -> str:
    return f"station{'s' if numbers.size > 1 else ''} {listed(numbers)}"
