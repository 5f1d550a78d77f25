"""How sure a design is: lambda of every band over cars drawn from all that is believed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from needlecalc.design.belief.arrowhead import BandRows, parts
from needlecalc.design.belief.learned import Learned
from needlecalc.design.belief.unknowns import SHARED
from needlecalc.design.wish.target import Target
from needlecalc.units import FloatArray

CARS = 400
LEAST_LAMBDA = 0.1
IDLE_IS_RIGHT = 0.01  # of lambda: planned so near its target, idle is set to it


@dataclass(frozen=True)
class Nut:
    """How each car's idle is trimmed after the cut.

    Parameters
    ----------
    idle : int
        Band it is trimmed by.
    log_target : float
        ln(lambda) the meter is brought to. [-]
    missed_mm : array, shape (s,)
        How far each car's nut stays off, as it turns by steps and is set by a reading that wanders. [mm]
    least_mm, greatest_mm : float
        Change of drop the nut can still give. [mm]
    """

    idle: int
    log_target: float
    missed_mm: FloatArray
    least_mm: float
    greatest_mm: float


@dataclass(frozen=True, eq=False)
class Cars:
    """Cars drawn from what is believed, whatever needle they get.

    Parameters
    ----------
    learned : Learned
        What is believed.
    car : array, shape (s, k)
        Unknowns of each car that are no band's own. [mixed]
    lift_mm : array, shape (s, m)
        Lift of each band. [mm]
    level : array, shape (s, m)
        ln(lambda) on the needle and jet height of the first pass. [-]
    without_fuel : array, shape (s, m)
        ln(lambda) plus gain times ln(fuel), which no needle changes. [-]
    """

    learned: Learned
    car: FloatArray
    lift_mm: FloatArray
    level: FloatArray
    without_fuel: FloatArray

    @classmethod
    def of(cls, learned: Learned, count: int = CARS) -> Cars:
        """Cars of what is believed; the seed is fixed.

        Parameters
        ----------
        learned : Learned
            What is believed.
        count : int
            How many.

        Returns
        -------
        Cars
            The same whenever asked for.
        """
        place, rng = learned.place, np.random.default_rng(0)
        off, believed = learned.belief.draw_car(rng, count), place.own(learned.mean)
        car = learned.mean[place.car()] + off
        level, lift, without_fuel = (np.empty((count, place.bands)) for _ in range(3))
        for part in parts(place.bands):
            own = believed[part] + learned.belief.draw_own(rng, off, part)
            level[:, part], lift[:, part] = own[..., 0], own[..., 1]
            without_fuel[:, part] = learned.without_fuel(car, own, part)
        return cls(learned, car, lift, level, without_fuel)

    def untouched_mm(self) -> FloatArray:
        """True diameters of the needle now fitted.

        Returns
        -------
        array, shape (s, n)
            What was measured less the error of each car. [mm]
        """
        history = self.learned.history
        number = int(history.needle_of_pass()[-1])
        return np.asarray(history.passes[-1].needle.diameters_mm - self.car[:, self.learned.place.needle(number)])

    def driven(self, offset: FloatArray) -> FloatArray:
        """Lambda of each car as it is driven now.

        Parameters
        ----------
        offset : array, shape (s,)
            Zero error of each car's lambda meter. [-]

        Returns
        -------
        array, shape (s, m)
            True lambda, the law asked in full. [-]
        """
        passes = self.learned.history.passes
        log = self.level if len(passes) == 1 else self.log_lambda(self.untouched_mm(), passes[-1].drop_mm)
        return _true_lambda(log, offset)

    def log_lambda(self, diameters_mm: FloatArray, drop_mm: float) -> FloatArray:
        """ln(lambda) of each band on any needle.

        Parameters
        ----------
        diameters_mm : array, shape (s, n)
            True diameters in each car. [mm]
        drop_mm : float
            Jet drop. [mm]

        Returns
        -------
        array, shape (s, m)
            ln(lambda). [-]
        """
        out: FloatArray = np.empty(self.lift_mm.shape)
        for part in parts(out.shape[1]):
            fuel = self.learned.log_fuel_of(self.car, self.lift_mm[:, part], diameters_mm, drop_mm, part)
            out[:, part] = self.without_fuel[:, part] - self.car[:, :1] * fuel
        return out


@dataclass(frozen=True)
class Outlook:
    """Lambda of each band over many cars that agree with what was measured.

    Parameters
    ----------
    lambda_drawn : array, shape (s, m)
        True lambda of each car with the needle as cut, idle trimmed. [-]
    log_untrimmed : array, shape (s, m)
        ln(lambda) as each car's meter reads it before idle is trimmed. [-]
    slopes : array, shape (m, n + 1)
        Slopes of ln(lambda) by the diameters and the jet drop. [1/mm]
    offset : array, shape (s,)
        Zero error of each car's lambda meter. [-]
    nut : Nut or None
        How the nut trims idle; None where it does not.
    """

    lambda_drawn: FloatArray
    log_untrimmed: FloatArray
    slopes: FloatArray
    offset: FloatArray
    nut: Nut | None

    def moved(self, change_mm: FloatArray) -> FloatArray:
        """Lambda of the same cars on a needle a little different.

        Parameters
        ----------
        change_mm : array, shape (n,)
            Change of each diameter. [mm]

        Returns
        -------
        array, shape (s, m)
            Lambda, to first order; idle is trimmed again as far as the nut reaches. [-]
        """
        log = self.log_untrimmed + self.slopes[:, :-1] @ change_mm
        return _with_meter(log, self.slopes, self.offset, self.nut)

    def driven(self, change_mm: FloatArray, turned_mm: float) -> FloatArray:
        """Lambda of the same cars as they are driven now, before any cut and with the nut where it is.

        Parameters
        ----------
        change_mm : array, shape (n,)
            Metal that was taken off each diameter. [mm]
        turned_mm : float
            How far the jet was lowered. [mm]

        Returns
        -------
        array, shape (s, m)
            Lambda, to first order. [-]
        """
        log = self.log_untrimmed + self.slopes[:, :-1] @ change_mm - self.slopes[:, -1] * turned_mm
        return _with_meter(log, self.slopes, self.offset, None)

    def interval(self, share: float = 0.9) -> tuple[FloatArray, FloatArray]:
        """Ends of the interval that holds a share of the cars.

        Parameters
        ----------
        share : float
            Share of the cars. [-]

        Returns
        -------
        array, shape (m,)
            Lower end. [-]
        array, shape (m,)
            Upper end. [-]
        """
        rest = (1.0 - share) / 2.0
        low, high = np.quantile(self.lambda_drawn, [rest, 1.0 - rest], axis=0)
        return low, high


def outlook(
    learned: Learned,
    target: Target,
    diameters_mm: FloatArray,
    cut: NDArray[np.bool_],
    drop_mm: float,
    *,
    new_blank: bool = False,
    error_mm: FloatArray | float | None = None,
    idle_to: float | None = None,
    trims: bool = True,
    cars: Cars | None = None,
) -> Outlook:
    """Lambda of every band after a cut, over cars drawn from what is believed.

    Parameters
    ----------
    learned : Learned
        What is believed of the car.
    target : Target
        Bands; an idle band is trimmed by the jet nut after the cut, where the nut is free.
    diameters_mm : array, shape (n,)
        Diameters asked. [mm]
    cut : array of bool, shape (n,)
        Stations the file touches; the others keep the metal they have.
    drop_mm : float
        Jet drop asked. [mm]
    new_blank : bool
        Whether every diameter is made anew, and may be thicker than the needle fitted.
    error_mm : float or array, shape (n,), or None
        Standard error of the diameters cut: that of the hand when not given. [mm]
    idle_to : float or None
        Lambda the meter is brought to there; its target when not given. [-]
    trims : bool
        False for a car left as it is, nut and all.
    cars : Cars or None
        Cars drawn before; drawn anew when not given.

    Returns
    -------
    Outlook
        Lambda of each car.

    Notes
    -----
    Each car has its own lift, gain, jet length, fuel, needle and sensor error; its hand errs by itself.
    The seed is fixed: the same design gives the same figures.
    """
    doubts, rng = learned.doubts, np.random.default_rng(1)
    cars = cars or Cars.of(learned)
    count, untouched = int(cars.car.shape[0]), cars.untouched_mm()
    error = doubts.hand_mm if error_mm is None else error_mm
    filed = diameters_mm + error * rng.standard_normal((count, diameters_mm.size))
    diameters = filed if new_blank else np.where(cut, np.minimum(filed, untouched), untouched)
    log = cars.log_lambda(diameters, drop_mm)
    _, slopes = learned.slopes(diameters_mm, drop_mm)
    offset = doubts.sensor_offset * rng.standard_normal(count)
    idle = idle_band(learned, target)
    nut = None
    if idle is not None and trims:
        jet = learned.setup.carburettor.jet
        low, high = jet.drop_range_mm()
        steps = jet.farthest_off_mm() * rng.uniform(-1.0, 1.0, count)
        steps = steps + idle_read_u(learned, idle) / slopes[idle, -1] * rng.standard_normal(count)
        aim = float(target.lambda_target[idle]) if idle_to is None else idle_to
        nut = Nut(idle, float(np.log(aim)), steps, low - drop_mm, high - drop_mm)
    return Outlook(_with_meter(log, slopes, offset, nut), log, slopes, offset, nut)


def _with_meter(log: FloatArray, slopes: FloatArray, offset: FloatArray, nut: Nut | None) -> FloatArray:
    """True lambda of each car once the nut is turned until the meter reads idle's target, as far as it reaches."""
    if nut is not None:
        turn = -(log[:, nut.idle] - nut.log_target) / slopes[nut.idle, -1] + nut.missed_mm
        turn = np.clip(turn, nut.least_mm, nut.greatest_mm)
        log = log + slopes[:, -1] * turn[:, None]
    return _true_lambda(log, offset)


def _true_lambda(log: FloatArray, offset: FloatArray) -> FloatArray:
    # The widest doubts permitted draw meters that err by more than there is.
    return np.maximum(np.exp(log) - offset[:, None], LEAST_LAMBDA)


def idle_aim(target: Target, idle: int, planned: float) -> float:
    """Lambda the nut sets idle to after the cut.

    Parameters
    ----------
    target : Target
        What is asked.
    idle : int
        Band that is trimmed.
    planned : float
        Lambda the design gives it. [-]

    Returns
    -------
    float
        Its target; what is planned where idle gives way to other bands, or the nut would undo the design. [-]
    """
    wish = float(target.lambda_target[idle])
    return wish if abs(planned / wish - 1.0) <= IDLE_IS_RIGHT else planned


def idle_read_u(learned: Learned, idle: int) -> float:
    """How far the reading that idle is set by wanders.

    Parameters
    ----------
    learned : Learned
        The car, with its bands.
    idle : int
        Band that is trimmed.

    Returns
    -------
    float
        Standard uncertainty of ln(lambda). [-]
    """
    bands = learned.bands
    return float(np.hypot(learned.doubts.repeatability, bands.lambda_se[idle] / bands.lambda_measured[idle]))


def nut_u_mm(learned: Learned, by_drop: FloatArray, idle: int | None) -> float:
    """How far from the right place the nut ends, as it turns by steps and is set by a reading that wanders.

    Parameters
    ----------
    learned : Learned
        The car, with its jet.
    by_drop : array, shape (m,)
        Slopes of ln(lambda) by the jet drop. [1/mm]
    idle : int or None
        Band that is trimmed.

    Returns
    -------
    float
        Standard uncertainty of the drop; 0 where nothing is trimmed. [mm]
    """
    if idle is None:
        return 0.0
    steps = learned.setup.carburettor.jet.farthest_off_mm() / np.sqrt(3.0)
    return float(np.hypot(steps, idle_read_u(learned, idle) / by_drop[idle]))


def idle_band(learned: Learned, target: Target) -> int | None:
    """Band the jet nut trims, if it can be turned.

    Parameters
    ----------
    learned : Learned
        Car with its jet.
    target : Target
        Bands.

    Returns
    -------
    int or None
        The idle band of least speed; None where there is none or the jet stays.
    """
    low, high = learned.setup.carburettor.jet.drop_range_mm()
    return target.bands.idle() if high > low else None


def trimmed(slopes: FloatArray, idle: int | None) -> FloatArray:
    """Slopes with the jet turned so that idle stays.

    Parameters
    ----------
    slopes : array, shape (m, n + 1)
        By the diameters, then by the jet drop. [1/mm]
    idle : int or None
        Band that is trimmed.

    Returns
    -------
    array, shape (m, n + 1)
        Slopes after the nut has put idle back. [1/mm]
    """
    if idle is None:
        return slopes
    return np.asarray(slopes - np.outer(slopes[:, -1] / slopes[idle, -1], slopes[idle]))


def sources(learned: Learned, rows: BandRows, weights: FloatArray) -> dict[str, FloatArray]:
    """Share of doubt that each source brings to weighted sums over the bands.

    Parameters
    ----------
    learned : Learned
        What is believed.
    rows : BandRows
        Slopes of ln(lambda) of each band by the unknowns.
    weights : array, shape (r, m)
        Weight of each band in each sum. [any]

    Returns
    -------
    dict of str to array, shape (r,)
        Standard uncertainty from each source taken alone. [as the weights]
    """
    place = learned.place
    by_car, by_own = weights @ rows.by_car, weights[:, :, None] * rows.by_own
    groups = {name: [place.shared(name)] for name in SHARED}
    pattern = range(*place.pattern().indices(place.size()))
    lift = [*groups.pop("lift zero"), *groups.pop("lift scale"), *pattern]
    groups |= {"lambda": [], "lift": lift, "micrometer": list(range(place.needle(0).start, place.car().stop))}
    own_of = {"lambda": np.array([1.0, 0.0]), "lift": np.array([0.0, 1.0])}
    out = {}
    for name, members in groups.items():
        part = np.zeros(by_car.shape)
        part[:, members] = by_car[:, members]
        if name in own_of:
            out[name] = learned.belief.u_of_sums(part, by_own * own_of[name])
        else:
            out[name] = np.asarray(np.linalg.norm(part @ learned.belief.root, axis=1))
    return out
