"""The jet moved on one needle, for a second drive or at idle alone: it teaches before any metal is lost."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from needlecalc.arrays import check_fields, within
from needlecalc.design.belief.history import History, Pass
from needlecalc.design.belief.readings import readings_of, same_bands
from needlecalc.design.forward.predict import predict_lambda
from needlecalc.errors import InputError
from needlecalc.measure.drive.bands import AFR_CURE, Bands, LiftSource
from needlecalc.parts.carburettor import SlideValve
from needlecalc.parts.setup import Setup, fuel_flow
from needlecalc.priors import MOVED_JET, Doubts
from needlecalc.show import Shown, counted
from needlecalc.units import FloatArray

LEAST_TURN_FLATS = 0.25
LEAST_SEEN, MOST_SEEN = 0.35, 2.5  # of the change expected: lift and jet length may err by a factor of two, not three
SIGMAS = 2.0
NO_READING_MM = 100.0


@dataclass(frozen=True, repr=False, eq=False)
class JetShift(Shown):
    """What a move of the jet did to lambda, beside what it should have done.

    Parameters
    ----------
    flats : float
        Flats stated; positive lowers the jet. [-]
    names : tuple of str
        Bands that both drives read.
    seen, expected, seen_u : array, shape (r,)
        Change of ln(lambda) seen, expected before anything was learned, and the standard uncertainty of the seen. [-]
    history : History
        Both drives, the moved one first; its errors as wide as the law may err besides.

    Examples
    --------
    >>> from dataclasses import replace
    >>> from needlecalc.example import road
    >>> moved = replace(road.bands, lambda_measured=0.97 * road.bands.lambda_measured)
    >>> jet_shift(road.bands, moved, road.setup, flats=2.0)
    Jet moved +2 flats: 0.52 +- 0.04 of the change expected, 11 bands
    """

    flats: float
    names: tuple[str, ...]
    seen: FloatArray
    expected: FloatArray
    seen_u: FloatArray
    history: History

    def __repr__(self) -> str:
        share, u = self.share()
        bands = counted(len(self.names), "band")
        return f"Jet moved {_flats(self.flats)}: {share:.2f} +- {u:.2f} of the change expected, {bands}"

    def share(self) -> tuple[float, float]:
        """Change seen over change expected, all bands weighed, and its standard uncertainty by the readings."""
        weight = 1.0 / self.seen_u**2
        power = float((weight * self.expected**2).sum())
        return float((weight * self.expected * self.seen).sum()) / power, float(1.0 / np.sqrt(power))

    def explained(self) -> History:
        """Both drives; refused where lambda moved as no lift and jet would explain."""
        share, u = self.share()
        if share + SIGMAS * u < LEAST_SEEN:
            seen = "the wrong way" if share < -SIGMAS * u else "hardly at all"
            msg = (
                f"With the jet moved by {_flats(self.flats)} lambda moved {seen}: {share:.2f} +- {u:.2f} of the change "
                "expected. Positive flats lower the jet, which is richer; check the sign, and whether the nut was turned "
                "at all."
            )
            raise InputError(msg)
        if share - SIGMAS * u > MOST_SEEN:
            msg = (
                f"With the jet moved by {_flats(self.flats)} lambda moved {share:.1f} +- {u:.1f} times as far as expected; "
                "check the flats turned, flat_mm (a sixth of the nut's thread pitch), and the lifts."
            )
            raise InputError(msg)
        return self.history


def jet_shift(bands: Bands, moved: Bands, setup: Setup, *, flats: float, doubts: Doubts | None = None) -> JetShift:
    """Change of lambda by a move of the jet, seen and expected.

    Parameters
    ----------
    bands : Bands
        Bands of the drive in the setup as it is, with lifts.
    moved : Bands
        Bands of the drive with the jet moved, same needle; lifts only where they were read again.
    setup : Setup
        The setup of the first drive; its jet says what a flat is.
    flats : float
        Flats the nut was turned; positive lowers the jet. [-]
    doubts : Doubts or None
        Repeatability and lean limit; the usual when not given.

    Returns
    -------
    JetShift
        By band.

    Raises
    ------
    InputError
        If the nut was not turned, or the drives share no band.

    Examples
    --------
    >>> from dataclasses import replace
    >>> from needlecalc.example import road
    >>> moved = replace(road.bands, lambda_measured=0.97 * road.bands.lambda_measured)
    >>> jet_shift(road.bands, moved, road.setup, flats=2.0)
    Jet moved +2 flats: 0.52 +- 0.04 of the change expected, 11 bands
    """
    drop, doubts, lent = _drop_moved_to(setup, flats), doubts or Doubts(), _lent(bands, moved)
    needle, jet = setup.carburettor.needle, setup.carburettor.jet
    here = Pass(needle, jet.drop_mm, bands)
    after, before = readings_of(History((Pass(needle, drop, lent), here)), doubts)
    usable = np.isfinite(after.log_lambda) & np.isfinite(before.log_lambda) & ~after.at_least & ~before.at_least
    both = np.flatnonzero(usable)
    if not both.size:
        msg = "The drive with the jet moved shares no usable band with the first; hold the same speeds and loads again."
        raise InputError(msg)
    expected = np.log(predict_lambda(setup, bands, drop_mm=drop) / bands.lambda_measured)
    # The change depends on the lift alone.
    order = np.argsort(bands.lift_mm)
    change = np.interp(lent.lift_mm, bands.lift_mm[order], expected[order])
    own = np.hypot(MOVED_JET * doubts.flow_gain * change, _other_point(bands, moved, lent, setup))
    wider = lent.having(lambda_se=np.hypot(lent.lambda_se, own * lent.lambda_measured))
    return JetShift(
        float(flats),
        tuple(bands.name(band) for band in both.tolist()),
        (after.log_lambda - before.log_lambda)[both],
        expected[both],
        np.hypot(after.log_lambda_u, before.log_lambda_u)[both],
        History((Pass(needle, drop, wider, jet_drive=True), here)),
    )


def with_jet_drive(bands: Bands, moved: Bands, setup: Setup, *, flats: float, doubts: Doubts | None = None) -> History:
    r"""History of a drive and of a second one with the jet moved, no metal lost.

    Parameters
    ----------
    bands, moved, setup, flats, doubts
        As :func:`jet_shift` takes them; a design is for ``bands``.

    Returns
    -------
    History
        Two passes of one needle, for :func:`~needlecalc.design.belief.learn.learn`; the drive in the setup as it is
        comes last, so the jet counts as turned back.

    Raises
    ------
    InputError
        If the nut was not turned, the drives share no band, or lambda moved the wrong way, or by much less or
        more than any lift and jet would explain.

    Notes
    -----
    Lowering the jet by :math:`\delta` puts every band :math:`\delta` further along the needle, so
    :math:`\Delta\ln\lambda \approx -g\,\delta\,\partial\ln Q/\partial z`: the taper in the gap there, which tells
    the lift where the taper or gap changes, and the product of gain and sensitivity everywhere.  Lowering is
    the safe way: it makes every band richer, so full load cannot burn, while raising leans idle by some 5 % a
    flat (3 to 10 % over the virtual engines of the tests) and meets misfire first.  Two or three flats teach
    nearly all there is to learn; leave idle out where it would read below lambda 0.75.  Turn the nut back before
    you cut.

    Examples
    --------
    >>> from dataclasses import replace
    >>> from needlecalc.example import road
    >>> moved = replace(road.bands, lambda_measured=0.95 * road.bands.lambda_measured)
    >>> with_jet_drive(road.bands, moved, road.setup, flats=2.0)
    History of 2 passes, 1 needle
    """
    return jet_shift(bands, moved, setup, flats=flats, doubts=doubts).explained()


@dataclass(frozen=True)
class TrimReading:
    """Lambda at idle before and after a turn of the jet nut, throttle stop and needle left alone.

    Parameters
    ----------
    flats : float
        Flats the nut was turned, positive where that lowered the jet. [-]
    lambda_before : float
        Lambda at idle before the turn, on the day of the drive. [-]
    lambda_after : float
        Lambda at idle after it. [-]
    lambda_se : float
        Standard uncertainty of each as the display wanders, the meter's zero apart. [-]
    turned_back : bool
        Whether the nut was turned back, or else stayed there for what followed.

    Raises
    ------
    InputError
        If a reading is no lambda, or the nut was not turned.

    Examples
    --------
    >>> TrimReading(flats=2, lambda_before=0.99, lambda_after=0.92).lambda_se
    0.01
    """

    flats: float = field(metadata=within(-24.0, 24.0, "Positive lowers the jet."))
    lambda_before: float = field(metadata=within(0.5, 2.0, AFR_CURE))
    lambda_after: float = field(metadata=within(0.5, 2.0, AFR_CURE))
    lambda_se: float = field(default=0.01, metadata=within(0.0, 0.2, "It is one sigma, a lambda."))
    turned_back: bool = False

    def __post_init__(self) -> None:
        check_fields(self)

    def known_by(self) -> tuple[str, str]:
        """Hashes by which its two passes are known again, as a drive is by that of its log."""
        after, before = (hashlib.sha256(f"{self!r} {k}".encode()).hexdigest() for k in range(2))
        return after, before


def with_trims(history: History, trims: Sequence[TrimReading], setup: Setup, *, doubts: Doubts | None = None) -> History:
    """The history with turns of the nut at idle before its last pass: they teach how idle answers, metal untouched.

    Parameters
    ----------
    history : History
        Passes so far, the drive of the day last.
    trims : sequence of TrimReading
        Turns of the nut on that needle and day, in their order; after the last the jet stands as in the drive.
    setup : Setup
        The setup of the drive; its jet says what a flat is.
    doubts : Doubts or None
        Repeatability and lean limit; the usual when not given.

    Returns
    -------
    History
        Each trim is two passes of the idle band; the air sets its lift, not the jet, so that is read but once.

    Raises
    ------
    InputError
        If the drive has no idle band, or lambda moved as no lift and jet would explain.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> drive = History((Pass(road.design.present(), road.setup.carburettor.jet.drop_mm, road.bands),))
    >>> with_trims(drive, [TrimReading(2, 0.99, 0.92)], road.setup)
    History of 3 passes, 1 needle
    """
    *earlier, here = history.passes
    found: list[Pass] = []
    for trim, shift in zip(reversed(trims), trim_shifts(here, trims, setup, doubts=doubts), strict=True):
        after, before = shift.explained().passes
        # Lift is that of the drive, read there once.
        for one, key in zip((before, after), reversed(trim.known_by()), strict=True):
            lent = _lent(before.bands, one.bands.having(lift_mm=[np.nan]))
            beside = Pass(one.needle, one.drop_mm, lent, key, jet_drive=True, air=here.air, fuel=here.fuel)
            found.insert(0, beside)
    return History((*earlier, *found, here))


def trim_shifts(here: Pass, trims: Sequence[TrimReading], setup: Setup, *, doubts: Doubts | None = None) -> list[JetShift]:
    """What each turn of the nut did to idle, beside what it should have done; the last turn first."""
    idle, drop, flat = here.bands.idle(), here.drop_mm, setup.carburettor.jet.flat_mm
    if idle is None:
        msg = "A trim is read at idle, but the drive has no idle band; hold a warm idle in the drive too, or leave it out."
        raise InputError(msg)
    band, found = here.bands.only([idle]).having(log=None, samples=()), []
    for trim in reversed(trims):
        drop -= 0.0 if trim.turned_back else trim.flats * flat
        stood = History((replace(here, drop_mm=drop),)).present(setup)
        before, after = (
            band.having(lambda_measured=[read], lambda_se=[trim.lambda_se])
            for read in (trim.lambda_before, trim.lambda_after)
        )
        found.append(jet_shift(before, after, stood, flats=trim.flats, doubts=doubts))
    return found


def _drop_moved_to(setup: Setup, flats: float) -> float:
    """Jet drop after a turn of the nut; refused where it was not turned, or cannot be turned so far."""
    jet = setup.carburettor.jet
    if not np.isfinite(flats) or abs(flats) < LEAST_TURN_FLATS:
        msg = (
            f"flats is {flats:g}, but a jet that was not moved teaches nothing; turn the nut 1 to 4 flats, state them, "
            "positive where the jet was lowered."
        )
        raise InputError(msg)
    drop, low, high = jet.drop_mm + flats * jet.flat_mm, *jet.drop_range_mm()
    if high > low and not low - 1e-9 <= drop <= high + 1e-9:
        msg = (
            f"flats is {flats:g}, which puts the jet at {drop:.2f} mm, but the nut reaches {low:g} to {high:g} mm; check "
            "the flats and their sign, positive lowers the jet."
        )
        raise InputError(msg)
    return float(drop)


def _other_point(bands: Bands, moved: Bands, lent: Bands, setup: Setup) -> FloatArray:
    """Change of ln(lambda) to expect of each moved band as it was not held at quite the same air flow.

    Known only where both lifts were computed in the same way: lambda goes from lift to lift as air over fuel.
    """
    valve, pairs = setup.carburettor.air_valve, zip(same_bands(bands, moved).tolist(), moved.lift_source, strict=True)
    known = moved.lift_computed_alone() & np.array([b >= 0 and bands.lift_source[b] == source for b, source in pairs])
    if isinstance(valve, SlideValve) or not known.any():
        return np.zeros(moved.rpm.size)
    level, level_first = (
        np.log(valve.air_flow_g_s(lift, setup.air) / fuel_flow(setup, lift).fuel_flow_g_s)
        for lift in (np.where(known, moved.lift_mm, lent.lift_mm), lent.lift_mm)
    )
    return np.asarray(level - level_first)


def _lent(bands: Bands, moved: Bands) -> Bands:
    """The moved bands, each that was not read again with the lift of the same band of the first drive.

    The air sets the lift, not the jet; a lift computed in the same way twice is no second reading.
    """
    read = moved.lift_from(LiftSource.READ) & np.isfinite(moved.lift_mm)
    same = same_bands(bands, moved)
    # A band the first drive has not got is never used, but must stand somewhere.
    lent = np.where(same >= 0, bands.lift_mm[same], float(np.median(bands.lift_mm)))
    return moved.having(
        lift_mm=np.where(read, moved.lift_mm, lent),
        lift_u_mm=np.where(read, moved.lift_u_mm, NO_READING_MM),
        lift_common_u_mm=np.where(read, moved.lift_common_u_mm, 0.0),
    )


def _flats(flats: float) -> str:
    return f"{flats:+g} {'flat' if abs(flats) == 1.0 else 'flats'}"
