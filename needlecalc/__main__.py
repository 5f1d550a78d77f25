"""From lambda of a drive to the sheet by which the needle is filed: each command takes a job file."""

from __future__ import annotations

import argparse
import gc
import io
import os
import sys
from collections.abc import Sequence

from needlecalc.echo import LONGEST_NAME, plain, shown, step
from needlecalc.errors import InputError, NeedleCalcError
from needlecalc.version import __version__

RARELY = 100_000  # new objects between two searches for garbage, which take a tenth of the time otherwise
USABLE, CUT_SHORT, BAD_INPUT, NOT_BY_FILING, LOCKED = 0, 1, 2, 3, 4
EXITS = {
    USABLE: "done, and usable",
    CUT_SHORT: "output cut short by its reader",
    BAD_INPUT: "bad input: what, where and the cure stand on stderr, and nothing is half-written",
    NOT_BY_FILING: "cannot be met by filing, the needle measured is overcut, or too lean elsewhere",
    LOCKED: "a red check locks it",
}
# Command, done by the function do_ of that name: what it is for, an example, exit codes beside 0, 1 and 2.
COMMANDS = {
    "new": ("begin a job: a job file and a needle table to fill in", "new van --log drive.csv", ()),
    "keys": ("every key of a job: kind, unit, default, range, what it is", "keys jet", ()),
    "check": ("log, bands and checks: is the engine fit to be measured", "check van/job.toml", (LOCKED,)),
    "design": ("the sheet to file by", "design van/job.toml", (NOT_BY_FILING, LOCKED)),
    "measured": (
        "where the file stands: micrometer readings against the first stop",
        "measured van/job.toml 2.450 2.412 - -",
        (NOT_BY_FILING,),
    ),
    "learn": ("keep the job's drive as a pass and say what it taught", "learn van/job.toml", ()),
    "compare": ("two needle tables in the setup of a job", "compare old.csv new.csv --job van/job.toml", ()),
    "rank": (
        "needles at hand, by how near each comes unfiled",
        "rank demo/pass_van.toml demo/needles.csv --donors",
        (NOT_BY_FILING,),
    ),
    "altitude": (
        "altitude card: how far to turn the jet for each height, with the second check at home",
        "altitude van/job.toml 1800 2400",
        (NOT_BY_FILING,),
    ),
}


def main(arguments: Sequence[str] | None = None) -> int:
    """Exit code of one command, by its words; by those of the process when not given."""
    parser = _parser()
    asked, left = parser.parse_known_args(arguments)
    if asked.command == "measured":
        # Options may stand among the readings: what follows one comes back as left over.
        asked.readings += [word for word in left if not word.startswith("--")]
        left = [word for word in left if word.startswith("--")]
    if left:
        parser.error(f"unrecognized arguments: {plain(' '.join(left), LONGEST_NAME)}")
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")  # a name may hold letters the terminal cannot show
    if asked.command is None:
        parser.print_help()
        return USABLE
    often = gc.get_threshold()
    gc.set_threshold(RARELY)
    try:
        for name, word in vars(asked).items():
            if isinstance(word, str) and "\0" in word:
                msg = f"{name} is {shown(word)}, but no file can have that name; check it."
                raise InputError(msg)
        step(f"{asked.command}: {getattr(asked, 'job', None) or 'reading'}")
        from needlecalc import commands  # late: the libraries behind it take their time

        code: int = getattr(commands, f"do_{asked.command}")(asked)
        return code
    except BrokenPipeError:
        # The reader of our output (a pager, head) has seen enough; keep Python from complaining at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return CUT_SHORT
    except NeedleCalcError as error:
        for fault in getattr(error, "faults", (str(error),)):
            print(f"needlecalc: {fault}", file=sys.stderr)
        return BAD_INPUT
    finally:
        gc.set_threshold(*often)


def _parser() -> argparse.ArgumentParser:
    """Commands, each with an example and its exit codes."""
    as_written = argparse.RawDescriptionHelpFormatter
    first = "Begin with: needlecalc new van, or try the demo: needlecalc new demo --demo"
    parser = argparse.ArgumentParser(prog="needlecalc", description=__doc__, epilog=first, formatter_class=as_written)
    parser.add_argument("--version", action="version", version=f"needlecalc {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="command", title="commands")
    made = {}
    for name, (words, example, exits) in COMMANDS.items():
        codes = "\n".join(f"  {code}  {EXITS[code]}" for code in (USABLE, CUT_SHORT, BAD_INPUT, *exits))
        end = f"example:\n  needlecalc {example}\n\nexit codes:\n{codes}"
        said = f"{words[0].upper()}{words[1:]}."
        made[name] = commands.add_parser(name, help=words, description=said, epilog=end, formatter_class=as_written)
    for name in ("check", "design", "measured", "learn", "rank", "altitude"):
        made[name].add_argument("job", help="job file, TOML")
    out = "folder of the files; 'out' beside the job when not given"
    made["compare"].add_argument("--out", help="folder for the page as compare.html, .pdf and .txt; none when not given")
    for name in ("design", "measured", "rank", "altitude"):
        made[name].add_argument("--out", help=out)
    made["design"].add_argument("--handover", action="store_true", help="pages for customer and tester too")
    add = made["new"].add_argument
    add("folder", help="folder to write into, made where missing")
    add("--slide", action="store_true", help="for a slide that the throttle pulls, not a piston")
    how = made["new"].add_mutually_exclusive_group()
    how.add_argument("--gauge", action="store_true", help="lambda read off a gauge, no logger (the usual)")
    how.add_argument("--log", help="log of a drive: its columns, units and bands go into the job")
    how.add_argument("--demo", action="store_true", help="the demo instead, ready to run")
    add = made["keys"].add_argument
    add("section", nargs="?", help="one section, with those inside it; all when not given")
    add("--schema", action="store_true", help="a JSON Schema of the job instead, for editors")
    add = made["measured"].add_argument
    add("readings", nargs="*", help="diameter at each station in mm, - where not measured")
    add("--file", help="the readings as a table instead: station, measured_mm, measured_2_mm")
    add("--file-down", action="store_true", help="take stations beyond a waist as filed down to it")
    add("--save", help="file to write the needle as measured into, CSV, for the job after the next drive")
    made["learn"].add_argument("--undo", action="store_true", help="forget the last pass kept, where it was a mistake")
    add = made["compare"].add_argument
    add("first", help="needle table, CSV")
    add("second", help="needle table, CSV")
    add("--job", required=True, help="job file, TOML")
    add = made["rank"].add_argument
    add("needles", help="table of needles, CSV, or a folder of tables")
    add("--donors", action="store_true", help="those to file instead, least metal first")
    add("--unit", choices=("mm", "in"), help="unit of diameters whose column names none")
    add("--pitch-mm", type=float, help="mm from station to station, where the table gives none")
    made["altitude"].add_argument("heights", nargs="*", help="heights above sea level in m, besides those of the job")
    made["altitude"].add_argument("--route", help="road to draw lambda along, CSV: distance_km, height_m")
    return parser


if __name__ == "__main__":
    sys.exit(main())
