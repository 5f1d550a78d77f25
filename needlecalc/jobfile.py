"""The job file read: TOML, all its faults at once."""

from __future__ import annotations

from pathlib import Path

from needlecalc.design.belief.doubts import Doubts
from needlecalc.design.inverse.limits import Limits
from needlecalc.echo import LONGEST_NAME, LONGEST_VALUE, plain, shown
from needlecalc.errors import LogFormatError
from needlecalc.job import Job
from needlecalc.jobassumed import completed
from needlecalc.jobfaults import Faults, JobFaults
from needlecalc.jobkinds import BLANK, kind_faults
from needlecalc.jobparts import built, close_word, nearest, setup_of
from needlecalc.jobunits import converted, said

SECTIONS = (
    "engine",
    "needle",
    "jet",
    "air_valve",
    "slide_valve",
    "carburettor",
    "fuel",
    "air",
    "log",
    "bands",
    "lift",
    "checks",
    "lean_limits",
    "target",
    "limits",
    "doubts",
    "micrometer",
    "paper",
    "calibration",
    "history",
    "altitude",
)


def read_job(path: str | Path) -> Job:
    """Job from a TOML file.

    Parameters
    ----------
    path : str or Path
        The job file; units are in its key names, paths in it are relative to its folder.

    Returns
    -------
    Job
        Parts built and checked; the log is read by the job's own methods.

    Raises
    ------
    InputError
        If a key is unknown or missing, or a part is impossible; the message names section and cure.
    """
    path = Path(path)
    file = plain(path.name, LONGEST_NAME)
    try:
        text = path.read_bytes()
    except (OSError, ValueError) as error:
        msg = f"{file}: the job file cannot be opened ({getattr(error, 'strerror', error)}); check its name and folder."
        raise LogFormatError(msg, path=str(path)) from error
    faults = Faults(file)
    try:
        content = faults.parsed(text.decode("utf-8-sig"))
    except JobFaults:
        raise
    except UnicodeDecodeError as error:
        msg = f"{file} is not valid TOML: {error}; mend that place."
        raise LogFormatError(msg, path=str(path)) from error
    except (ValueError, RecursionError) as error:
        msg = f"{file} holds a number of thousands of digits, or brackets nested hundreds deep; mend that place."
        raise LogFormatError(msg, path=str(path)) from error
    name = content.pop("name", path.stem)
    if not isinstance(name, str) or name == BLANK:
        cure = "the ? stands where it is to be filled in" if name == BLANK else "write it in quotes, above the first section"
        faults.add("", "name", f"name is {shown(name)}, but must be text; {cure}.")
        name = path.stem
    for unknown in sorted(set(content) - set(SECTIONS)):
        called, near = plain(unknown, LONGEST_VALUE), nearest(unknown, SECTIONS)
        faults.add(unknown, "", f"[{called}] is no section of a job; they are {', '.join(SECTIONS)}.{near}")
        faults.pass_over(close_word(unknown, SECTIONS))
    part = {section: content.get(section, {}) for section in SECTIONS}
    for section, keys in part.items():
        if not isinstance(keys, dict):
            faults.add(section, "", f"{section} must be a section, written [{section}], with its keys below.")
            part[section] = {}
    part, written = converted(part)
    faults.read_as(written)
    for wrong in kind_faults(part):
        faults.add(*wrong)
    for section, record in (("doubts", Doubts), ("limits", Limits)):
        if not faults.hit(section):
            with faults.catching(section):
                built(record, part[section], section)
    # Of a section with a fault nothing more is said, so what it leaves out need not be filled in.
    whole = {section: {} if faults.hit(section) else keys for section, keys in part.items()}
    part, left_out = completed(whole)
    setup = setup_of(part, path.parent, name, faults)
    return Job(setup.name, path.parent, setup, part, left_out, said(part, written))
