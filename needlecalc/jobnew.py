"""A job begun: a folder with a job file and a needle table to fill in, from a gauge, a slide, or a log; or the demo."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from needlecalc.echo import LONGEST_NAME, plain
from needlecalc.errors import InputError, NeedleCalcError
from needlecalc.files import write_into
from needlecalc.jobassumed import about, value_of
from needlecalc.jobkinds import BLANK
from needlecalc.measure.drive.make import make_bands
from needlecalc.measure.log.columns import ColumnFault
from needlecalc.measure.log.file import Log, read_log
from needlecalc.priors import FILLING, FOR_LIFT, PRIORS, Prior

JOB, NEEDLE = "job.toml", "needle.csv"
STATIONS, PITCH_MM = 13, 3.175  # an eighth of an inch: common practice, no source
LIFT_IS = {True: "opening of the slide", False: "marker rod in the damper cap, above its place at rest"}  # under a slide?
DEMO_FILES = ("*.toml", "*.csv")

HEAD = """\
# A job for needlecalc. Fill in each {blank} and the diameters in {needle}; then: python -m needlecalc design {job}
# A line that begins with # is not read. Such a line with a key may be filled in later: take its # away.
# Until then the value it shows is assumed, and the sheet lists it with what it costs. A number takes a decimal point.
# All keys: python -m needlecalc keys
name = {blank}    # what you call the car or the motorcycle

[needle]
file = "{needle}"

[jet]
bore_mm = {blank}    # drill shank or pin gauge; 0.100 in is 2.54
{jet}
# drop_min_mm = 0.8    # {range}
# drop_max_mm = 3.0
"""
VALVE = """
# Piston, spring and throat; only where a lift must be computed from air flow or manifold pressure.
{bare}[air_valve]
{air_valve}

{bare}[engine]
{engine}
"""
SLIDE = """
[slide_valve]
throat_bore_mm = {blank}    # caliper across the throat, slide out
# usual_depression_pa = 1500    # depression over the jet: read it with a manometer
"""
AIR_AND_FUEL = """
[carburettor]
{carburettor}

[fuel]
{fuel}

[air]
{air}
# altitude_m = 350    # instead of pressure_pa: height above sea level
"""
GAUGE = """
# One entry a hold; hold each speed for 5 s or more. load: idle, light, part or full.
[bands]
rpm = {blank}    # such as [900, 2000, 3000, 4000]
load = {blank}    # such as ["idle", "part", "full", "full"]
lambda_measured = {blank}    # such as [0.97, 1.04, 1.08, 1.10]; a gauge that shows 14.7? write afr_measured instead
{bands}

[lift]
lift_mm = {blank}    # {lift_is}, such as [3.0, 9.5, 16.0, 22.0]
{lift}
"""
LOGGED = """
[log]
file = {file}

# Columns and units as found; a wrong one is mended here.
[log.columns]
{columns}

[log.units]
{units}

# A drive of another day, or the other bank of twins: python -m needlecalc keys log.others
# [[log.others]]
# file = "another_drive.csv"

{seen}
[bands]
# rpm_edges = [500, 1100, 1750, 2250]    # edges of the bands

[lift]
{lift}
"""
TARGET = """
# Lambda to reach; without it the usual: idle 0.93, light 1.00, part 0.95, full 0.88 (common practice).
# [target]
# idle_co_percent = 1.2    # limit of your local test
# full = 0.88

# What was looked at before any metal is cut: python -m needlecalc keys checks
# [checks.mechanical]
# choke_off = true

# Passes, for the cut after this one
# [history]
# file = "passes.json"
"""
TRIMS = """
# The nut turned at idle on the day of the drive: it teaches how idle answers, metal untouched.
# [[calibration.trims]]
# flats = 2    # positive lowers the jet
# lambda_before = 0.98
# lambda_after = 0.91
# turned_back = true    # leave it out where the nut stayed there for the drive
"""
AT_HAND = """
# Parts at hand, tried before the file: python -m needlecalc keys at_hand
# [at_hand]
"""
PARTS = """\
# jet_bores_mm = [2.50, 2.60]
# holder_mm = [-0.5, 0.5]
"""
CLIPS = """\
# groove_mm = 0.9
# groove = 2    # that holds the clip, counted from the top
# grooves = 4
# washers_mm = [0.5]
"""
UNDER_SLIDE = """
[engine]    # for the air flow, from which the depression under the slide follows
{engine}
"""
TABLE = """\
# Diameter at each station, from the shoulder to the tip. Write your own distances, and as many lines as needed.
station,distance_mm,diameter_mm
"""


def new_job(folder: Path, *, log: Path | None = None, slide: bool = False) -> tuple[Path, Log | None]:
    """A job file and a needle table to fill in; the log that was read, if one was named."""
    read = None if log is None else read_log(log)
    flow = read is not None and not (read.manifold_pressure_pa is None and read.air_flow_g_s is None)
    computed = flow and not slide and (read is None or read.lift_mm is None)  # lifts, from parts
    moves, kept = ("clip grooves and washers", "needle") if slide else ("the jet nut", "jet")
    words = {
        "blank": f'"{BLANK}"',
        "needle": NEEDLE,
        "job": plain(str(folder / JOB)),
        "bare": "" if computed else "# ",
        "range": f"range of {moves}; without both ends the {kept} stays where it is",
        "lift_is": LIFT_IS[slide],
    }
    for section in ("jet", "carburettor", "fuel", "air", "bands", "lift"):
        words[section] = _lines(section, slide=slide)
    for section in ("engine", "air_valve"):
        words[section] = _lines(section, blank=computed or slide)
    drive = GAUGE.format(**words)
    if read is not None and log is not None:
        drive = _of_log(read, os.path.relpath(log, folder), words["lift_is"], computed=computed)
    under = UNDER_SLIDE if slide and read is not None and read.manifold_pressure_pa is not None else ""
    before, after = HEAD + (SLIDE if slide else VALVE) + AIR_AND_FUEL, TARGET + ("" if slide else TRIMS) + AT_HAND
    job = before.format(**words) + drive + after + (CLIPS if slide else PARTS) + under.format(**words)
    table = TABLE + "".join(f"{k + 1},{k * PITCH_MM:g},\n" for k in range(STATIONS))
    _write(folder, {JOB: job.encode(), NEEDLE: table.encode()})
    return folder / JOB, read


def copy_demo(folder: Path) -> Path:
    """The demo's files, copied out of the package; the job to begin with."""
    files = {file.name: file.read_bytes() for pattern in DEMO_FILES for file in sorted(demo_folder().glob(pattern))}
    _write(folder, files)
    return folder / "pass_van.toml"


def demo_folder() -> Path:
    """Where the demo lies: inside the package, or beside it where the project itself is at hand."""
    package = Path(__file__).parent
    for folder in (package / "demo", package.parent / "data"):
        if (folder / "pass_van.toml").is_file():
            return folder
    msg = "The demo is not part of this installation; install needlecalc again."
    raise InputError(msg)


def _write(folder: Path, files: dict[str, bytes]) -> None:
    """New files only: nothing that is there is written over."""
    shown = plain(str(folder), LONGEST_NAME)
    if there := [name for name in files if (folder / name).exists()]:
        msg = f"{shown} holds {', '.join(there)} already, and that stays; name a new folder."
        raise InputError(msg)
    write_into(folder, files, f"{shown}: the job")


def _lines(section: str, *, blank: bool = False, slide: bool = False) -> str:
    """Keys of a section as lines: commented with what is assumed, or to be filled in."""
    lines = []
    for prior in (prior for prior in (*PRIORS, *FOR_LIFT, FILLING) if prior.section == section):
        what, how = about(prior, slide=slide)
        if blank and prior is not FILLING:
            lines.append(f'{prior.key} = "{BLANK}"    # {how}')
        else:
            lines.append(f"# {prior.key} = {_usual(prior)}    # {what.partition(',')[0]}: {how}")
    return "\n".join(lines)


def _usual(prior: Prior) -> str:
    value = value_of(prior)
    return f'"{value}"' if isinstance(value, str) else f"{value:g}"


def _of_log(log: Log, file: str, lift_is: str, *, computed: bool) -> str:
    """Sections of a job with a log, its lifts computed from parts, or to be typed in where it holds none."""
    units = [f"{choice.meaning} = {_quoted(choice.unit)}" for choice in log.columns if choice.unit]
    for fact in log.remarks:
        if fact.kind is ColumnFault.NO_UNIT:
            unit, column = (str(fact.numbers[key]) for key in ("example", "column"))
            told = f"{plain(column, LONGEST_NAME)} states no unit; if it has this one, take the # away"
            units.append(f"# {fact.numbers['key']} = {_quoted(unit)}    # {told}")
    bands, seen = _bands_seen(log)
    lift = f"# lift_mm = [{', '.join('nan' for _ in bands)}]    # where you read one: in the order of the bands above"
    if log.lift_mm is None and not computed:
        lift = f'lift_mm = "{BLANK}"    # {lift_is}, one entry a band in the order above, such as [3.0, 9.5]'
    return LOGGED.format(
        file=_quoted(file),
        columns="\n".join(f"{choice.meaning} = {_quoted(choice.column)}" for choice in log.columns),
        units="\n".join(units),
        seen="\n".join(f"# {line}" for line in seen),
        lift=lift if bands or not lift.startswith("#") else "",
    )


def _bands_seen(log: Log) -> tuple[Sequence[str], list[str]]:
    """Names of the bands that the log gives, and the lines that say so."""
    try:
        bands = make_bands(log)
    except NeedleCalcError as error:
        return (), [f"No band yet: {plain(str(error))}"]
    names = [bands.name(band) for band in range(bands.rpm.size)]
    each = [
        f"{name}: lambda {value:.3f}, {count:.0f} samples"
        for name, value, count in zip(names, bands.lambda_measured, bands.count, strict=True)
    ]
    return names, ["Bands seen, in this order:", *(f"  {line}" for line in each)]


def _quoted(text: str) -> str:
    """Text as TOML writes it."""
    kept = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(sign if sign.isprintable() else f"\\u{ord(sign):04X}" for sign in kept) + '"'
