"""Every exception the package raises, each message saying what, where, the rule and the cure."""

from __future__ import annotations

from needlecalc.echo import plain


class NeedleCalcError(Exception):
    """Whatever goes wrong in this package.

    Parameters
    ----------
    message : str
        One sentence; control characters in it are written out, so that it stays on one line.

    Examples
    --------
    >>> issubclass(InputError, NeedleCalcError), issubclass(SolveError, NeedleCalcError)
    (True, True)
    """

    def __init__(self, message: str = "") -> None:
        super().__init__(plain(message))


class InputError(NeedleCalcError, ValueError):
    """A value handed in breaks a rule; the message names value, rule and cure.

    Parameters
    ----------
    message : str
        One sentence.
    argument : str
        Name of the argument or key at fault, where it is one.

    Examples
    --------
    >>> from needlecalc import Fuel
    >>> Fuel(ethanol_percent=200.0)
    Traceback (most recent call last):
        ...
    needlecalc.errors.InputError: ethanol_percent is 200, but must lie between 0 and 100. State it in per cent by volume.
    """

    def __init__(self, message: str = "", *, argument: str = "") -> None:
        super().__init__(message)
        self.argument = argument


class LogFormatError(InputError):
    """A log or table file cannot be read as it stands.

    Parameters
    ----------
    message : str
        One sentence: what, where, the rule, the cure.
    path : str
        Name of the file as the user gave it.
    line : int or None
        Line in the file, counted from 1, where the trouble starts.
    column : str or None
        Name of the column at fault.

    Examples
    --------
    >>> from io import StringIO
    >>> from needlecalc import read_log
    >>> read_log(StringIO("Time;RPM;wheel"))  # doctest: +ELLIPSIS
    Traceback (most recent call last):
        ...
    needlecalc.errors.LogFormatError: open file, line 1: ...
    """

    def __init__(self, message: str, *, path: str = "", line: int | None = None, column: str | None = None) -> None:
        super().__init__(message)
        self.path = path
        self.line = line
        self.column = column


class SolveError(NeedleCalcError, RuntimeError):
    """No design could be made; the message says what would make one possible.

    Parameters
    ----------
    message : str
        One sentence with the cure.

    Examples
    --------
    >>> from needlecalc import check_engine
    >>> from needlecalc.example import road
    >>> from needlecalc.measure.checks import Mechanical
    >>> check_engine(road.bands, mechanical=Mechanical(choke_off=False)).gate()  # doctest: +ELLIPSIS
    Traceback (most recent call last):
        ...
    needlecalc.errors.SolveError: No needle is proposed: 1 check is red. c...
    """
