"""What is known of a car: lift, flow gain, jet length, fuel and needle, and how far each may be off."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, chdtri

from needlecalc.arrays import check_each
from needlecalc.design.belief.history import History
from needlecalc.design.belief.law import Law
from needlecalc.design.belief.readings import readings_of
from needlecalc.design.belief.unknowns import LOGARITHMS, SHARED, TOMORROW, Unknowns
from needlecalc.errors import InputError, SolveError
from needlecalc.gaussian import Gaussian, log_u, offset_of, offset_squared_u
from needlecalc.measure.drive.bands import Bands
from needlecalc.parts.setup import Setup
from needlecalc.priors import OWN_GAIN, Doubts
from needlecalc.remark import Remark, Severity
from needlecalc.show import Shown, counted, in_words
from needlecalc.units import FloatArray

WIDE_OPEN_LOG, WIDE_OPEN_MM = 1.0, 30.0  # level and lift of a band are known from readings alone
LEAST_U = 1e-9  # what is certain still needs a width to be scaled by
LEAST_SAID_MM = 0.005  # of lift, as it prints
BY_CHANCE = 0.95  # of histories: none of them is widened
STRANGE = 0.001  # chance that is worth a word, where it makes also a difference:
DIFFERENCE = 1.5  # times what chance brings
# Past so many times what chance brings, a few readings more, no car explains the passes; virtual engines of another flow law
# stayed below 1.6 times (120 designs of 24 cars), the log of the drive before the cut came to 4.7 and more.
NO_CAR, A_FEW = 4.0, 3
GUESSED_SHARE = 0.3  # a length known no better was guessed


class LearnedRemark(StrEnum):
    """How badly passes agree, and what else was found."""

    CONTRADICT = "the passes contradict each other"
    NO_CAR = "no car explains these passes"
    LIFT_MOVED = "estimated lift differs most from that read"
    LIFT_AS_READ = "lift as read at every band"
    AT_LEAST_SO_LEAN = "reading counts as at least so lean"


@dataclass(frozen=True, repr=False, eq=False)
class Learned(Shown):
    """What is known of a car after its passes: a joint normal distribution of all that matters.

    Parameters
    ----------
    setup : Setup
        The setup as it stands now.
    history : History
        The passes.
    bands : Bands
        Bands of the last pass.
    place : Unknowns
        Order of the unknowns.
    doubts : Doubts
        What it started from.
    estimate : Gaussian
        Best value of each unknown, and how far each may be off, together.
    prior_u : array, shape (k,)
        Standard uncertainty of each before any pass. [mixed]
    at_least : array of bool, shape (m,)
        Bands so lean that their reading counts as "at least so lean".
    misfit : float
        Squares of all readings and of what was held before, over their uncertainties, that the best car leaves. [-]
    degrees_of_freedom : int
        Readings more than are needed to know every band's level and lift: what ``misfit`` comes to by chance.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> road.job.learned(road.bands)
    Learned from 1 pass: flow gain 1 +- 0.05, jet length 4 +- 1
    """

    setup: Setup
    history: History
    bands: Bands
    place: Unknowns
    doubts: Doubts
    estimate: Gaussian
    prior_u: FloatArray
    at_least: NDArray[np.bool_]
    misfit: float = 0.0
    degrees_of_freedom: int = 0

    def __repr__(self) -> str:
        said = [f"{name} {value:.3g} +- {u:.2g}" for name, value, u in zip(SHARED, *self.shared()[1], strict=True)][:2]
        return f"Learned from {counted(len(self.history.passes), 'pass', 'passes')}: {', '.join(said)}"

    @property
    def mean(self) -> FloatArray:
        """Best value of every unknown, in the order of ``place``."""
        return self.estimate.mean

    def u(self) -> FloatArray:
        """Standard uncertainty of every unknown, in the order of ``place``."""
        return self.estimate.u()

    def gain(self) -> float:
        """Flow gain: change of fuel seen over change computed."""
        return float(np.exp(self.mean[self.place.shared("flow gain")]) * self.law.meter_gain[0])

    def law_of(self, unknowns: FloatArray) -> Law:
        """The law of cars with these unknowns, shape (..., k)."""
        unknowns, count = check_each(unknowns, "unknowns", -np.inf), self.place.size()
        if unknowns.shape[-1:] != (count,):
            msg = f"unknowns have shape {unknowns.shape}, but must end in the {count} of this car."
            raise InputError(msg)
        return Law.of(self.setup, self.history, self.bands, self.place, unknowns)

    @cached_property
    def law(self) -> Law:
        """The law at the best values."""
        return self.law_of(self.mean)

    def log_lambda(self, unknowns: FloatArray, diameters_mm: FloatArray, drop_mm: float) -> FloatArray:
        """ln(lambda) of each band of cars with these unknowns on a needle of true diameters."""
        return self.law_of(unknowns).log_lambda(diameters_mm, drop_mm)

    def lift_mm(self) -> FloatArray:
        """Lift of each band as now estimated."""
        return np.asarray(self.mean[self.place.lift()])

    def lambda_now(self) -> FloatArray:
        """Lambda of each band on the needle now fitted on a usual day, all passes taken together."""
        last = self.history.passes[-1]
        return np.asarray(np.exp(self.law.log_lambda(self.present_mm(), last.drop_mm)))

    def present_errors(self) -> slice:
        """Where the errors of the needle now fitted stand among the unknowns."""
        return self.place.needle(self.fitted())

    def fitted(self) -> int:
        """Number in the history of the needle now fitted."""
        return int(self.history.needle_of_pass()[-1])

    def present_mm(self) -> FloatArray:
        """Diameters of the needle now fitted: measured less the error estimated of each."""
        return np.asarray(self.history.passes[-1].needle.diameters_mm - self.mean[self.present_errors()])

    def widening(self) -> float:
        r"""Factor on the uncertainties of all readings, for passes that agree worse than chance allows.

        Returns
        -------
        float
            1 for nineteen histories of twenty; beyond, what brings the misfit back to that. [-]

        Notes
        -----
        The ratio of Birge, :math:`\sqrt{\chi^2/\nu}`, with the 95 % point of chi-squared in place of :math:`\nu`, so
        that chance alone seldom widens anything and there is no jump.

        References
        ----------
        .. [1] R. T. Birge, "The calculation of errors by the method of least squares", Phys. Rev. 40 (1932) 207 (from
           memory).
        """
        usual = self.degrees_of_freedom
        return max(1.0, float(np.sqrt(self.misfit / chdtri(usual, 1.0 - BY_CHANCE)))) if usual else 1.0

    def confirmed(self) -> bool:
        """Whether a pass on another needle, or a drive with the jet moved, has shown this car to be as computed."""
        # The nut turned at idle tells of idle alone.
        moved = any(one.jet_drive and set(one.bands.load) != {"idle"} for one in self.history.passes)
        told = self.history.needle_of_pass().max() > 0 or moved
        return bool(told) and not self._strange()

    def little_known(self) -> bool:
        """Whether an experiment comes before metal: a bore nobody measured, or lifts that were only computed."""
        jet = self.setup.carburettor.jet
        guessed = jet.parallel_length_u_mm > GUESSED_SHARE * jet.parallel_length_mm
        return not self.confirmed() and (guessed or bool(self.bands.lift_computed_alone().all()))

    def contradiction(self) -> Remark | None:
        """How badly the passes agree; None where chance explains it."""
        return self._contradiction(LearnedRemark.CONTRADICT, Severity.CAUTION) if self._strange() else None

    def check_one_car(self) -> None:
        """Raise SolveError where no car explains the passes."""
        if self._strange() and self.misfit > NO_CAR * (self.degrees_of_freedom + A_FEW):
            raise SolveError(in_words(self._contradiction(LearnedRemark.NO_CAR, Severity.STOP)))

    def _strange(self) -> bool:
        usual = self.degrees_of_freedom
        return self.misfit > DIFFERENCE * usual > 0.0 and bool(chdtrc(usual, self.misfit) < STRANGE)

    def _contradiction(self, kind: LearnedRemark, severity: Severity) -> Remark:
        """With the reading of lambda or lift that is furthest from what the best car gives, in its uncertainties."""
        numbers, days, far = self.history.needle_of_pass().tolist(), self.history.day_of_pass().tolist(), -1.0
        furthest: dict[str, float | int | str] = {}
        zero, tilt = (self.mean[self.place.shared(name)] for name in ("lift zero", "lift scale"))
        for p, read in enumerate(readings_of(self.history, self.doubts)):
            if not read.one.driven:
                continue
            diameters = read.one.needle.diameters_mm - self.mean[self.place.needle(numbers[p])]
            due = np.exp(self.law.log_lambda(diameters, read.one.drop_mm, days[p]))
            lift = self.lift_mm() + zero + tilt * np.nan_to_num(read.lift_common)
            for what, shown, u, best in (
                ("lambda", np.exp(read.log_lambda), due * read.log_lambda_u, due),
                ("lift_mm", read.lift, read.lift_u, lift),
            ):
                off = np.nan_to_num(np.abs(shown - best) / u, nan=-1.0)
                band = int(np.argmax(off))
                if off[band] > far:
                    far, bands = float(off[band]), self.bands.called(band)
                    read_and_due = {f"{what}_read": float(shown[band]), f"{what}_due": float(best[band])}
                    furthest = {"in_pass": p + 1, **read_and_due}
        agree = {"times": self.misfit / self.degrees_of_freedom, "widening": self.widening()}
        return Remark(kind, severity, bands=bands, numbers={**agree, **furthest})

    def slopes(self, diameters_mm: FloatArray, drop_mm: float) -> tuple[FloatArray, FloatArray]:
        """Slopes of ln(lambda) at the best values: by the unknowns, (m, k); by the diameters, then the drop, (m, n + 1)."""
        return self.law.slopes(diameters_mm, drop_mm)[1:]

    def lambda_now_u(self, *, same_day: bool = False) -> FloatArray:
        """Standard uncertainty of lambda as it is driven now, as a share: on another day, or that of the last drive."""
        day = int(self.history.day_of_pass()[-1]) if same_day else TOMORROW
        _, rows, _ = self.law.slopes(self.present_mm(), self.history.passes[-1].drop_mm, number=self.fitted(), day=day)
        return self.estimate.u_of(rows)

    def shared(self) -> tuple[tuple[list[float], list[float]], ...]:
        """Values and standard uncertainties of what all bands share, before any pass and now, in the order of ``SHARED``."""
        mean, _ = prior_of(self.setup, self.place, self.doubts)
        car = self.place.car()
        return _as_said(mean[car], self.prior_u[car]), _as_said(self.mean[car], self.u()[car])

    def remarks(self) -> tuple[Remark, ...]:
        """Where the estimated lift is other than read, what counts as at least so lean, and how the passes agree."""
        moved = self.lift_mm() - self.bands.lift_mm
        worst = int(np.argmax(np.abs(moved)))
        lift = Remark(LearnedRemark.LIFT_AS_READ)
        if abs(moved[worst]) >= LEAST_SAID_MM:
            numbers = {"moved_mm": float(moved[worst])}
            lift = Remark(LearnedRemark.LIFT_MOVED, bands=self.bands.called(worst), numbers=numbers)
        lean = np.flatnonzero(self.at_least)
        lean = lean[np.argsort(-self.bands.lambda_measured[lean], kind="stable")].tolist()
        past = (Remark(LearnedRemark.AT_LEAST_SO_LEAN, bands=self.bands.called(*lean)),) if lean else ()
        apart = self.contradiction()
        return (lift, *past, *((apart,) if apart else ()))


def prior_of(setup: Setup, place: Unknowns, doubts: Doubts) -> tuple[FloatArray, FloatArray]:
    """Best value and standard uncertainty of every unknown before any pass, those of a band wide open."""
    jet = setup.carburettor.jet
    mean, u = np.zeros(place.size()), np.full(place.size(), doubts.micrometer_mm)
    mean[place.shared("jet length")] = np.log(jet.parallel_length_mm)
    mean[place.shared("eccentricity")] = jet.eccentricity() ** 2
    u[place.level()], u[place.lift()], u[place.own_gain()] = WIDE_OPEN_LOG, WIDE_OPEN_MM, log_u(OWN_GAIN * doubts.flow_gain)
    u[place.car()] = [
        log_u(doubts.flow_gain),
        log_u(jet.parallel_length_u_mm / jet.parallel_length_mm),
        log_u(doubts.viscosity),
        log_u(doubts.sensor_gain),
        offset_squared_u(jet.eccentricity(), doubts.eccentricity_u(jet.mounting)),
        doubts.lift_zero_mm,
        1.0,
    ]
    u[place.alike()] = 1.0
    u[place.day(0) : place.day() + 1] = doubts.fuel_temperature_k * setup.fuel.viscosity_per_k()
    u[place.needle(0)] = np.hypot(doubts.table_mm, doubts.table_offset_mm)
    return mean, np.maximum(u, LEAST_U)


def _as_said(mean: FloatArray, u: FloatArray) -> tuple[list[float], list[float]]:
    """Values and standard uncertainties of ``SHARED`` as a reader takes them: factors, mm and shares of the gap."""
    values, doubts = mean.copy(), u.copy()
    logs, off_centre = slice(LOGARITHMS), SHARED.index("eccentricity")
    values[logs] = np.exp(mean[logs])
    doubts[logs] = values[logs] * np.sqrt(np.expm1(u[logs] ** 2))
    values[off_centre], doubts[off_centre] = offset_of(mean[off_centre], u[off_centre])
    return values.tolist(), doubts.tolist()
