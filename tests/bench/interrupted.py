"""Nothing lost, nothing half-written: runs killed, runs at once, runs without room; after each the files are looked at.

Run: python tests/bench/interrupted.py [rounds] [--seed N] [--no-mount]

Every run is the command line itself in a fork; only the design and its pages are made once, before the rounds: they take
seconds, and nothing is written until they are done.  Kills come at any time of the run, and every other one while files are
being written; SIGTERM and SIGKILL in turn.  Room ends on a small tmpfs where one can be mounted, else at a limit of the size
of files (RLIMIT_FSIZE).
"""

from __future__ import annotations

import argparse
import json
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # a fork has none of the threads
sys.path.insert(0, str(Path(__file__).parent.parent))

from door_cases import change, typed_job

import needlecalc as nc
from needlecalc import files
from needlecalc.__main__ import main
from needlecalc.report import pages

DATA = Path(__file__).parent.parent.parent / "data"
DRIVES = ("0.98, 1.03, 1.05, 1.06", "0.981, 1.031, 1.051, 1.061", "0.979, 1.029, 1.049, 1.059")
OUTPUTS = ("design.json", "grind_sheet.csv", "grind_sheet.html", "grind_sheet.pdf", "grind_sheet.txt", "profile.png")
START = datetime(2025, 6, 1, tzinfo=UTC)
ROOM_BYTES = 1 << 20
WROTE, REFUSED = 0, 2


def said(made_at: datetime) -> str:
    return f"{made_at:%H:%M}"


class FaultError(Exception):
    """Something was lost or half-written."""


class LostError(FaultError):
    pass


class HalfWrittenError(FaultError):
    pass


def hold(true: bool, kind: type[FaultError], told: object) -> None:
    if not true:
        raise kind(told)


@dataclass
class Bench:
    """Where the runs write, and a design made before."""

    jobs: tuple[Path, ...]  # a drive each, all with one history
    room: Path  # history, sheets and saved needle are written in here
    made: nc.Design
    pages: bytes
    dice: random.Random
    minute: int = 0

    @property
    def history(self) -> Path:
        return self.room / "passes.json"

    @property
    def out(self) -> Path:
        return self.room / "out"

    def next_sheet(self) -> str:
        """Every sheet says another minute, by which its files are known; this is how they say it."""
        self.minute += 1
        sheet = nc.grind_sheet(self.made, made_at=START + timedelta(minutes=self.minute))
        nc.Job.sheet = lambda _job, _design: sheet
        pages.pdf_of = lambda _sheet: self.pages.replace(said(START).encode(), said(sheet.made_at).encode())
        return said(sheet.made_at)

    def start(self, words: list[str], *, limit: int | None = None) -> Run:
        """The command line in a fork; its pipe says when it begins to write, and is closed when it ends."""
        reading, writing = os.pipe()
        told = Path(tempfile.mkstemp(dir=self.jobs[0].parent)[1])
        pid = os.fork()
        if pid:
            os.close(writing)
            return Run(pid, reading, told)
        code = 70
        try:
            with told.open("w") as sink:
                os.dup2(sink.fileno(), 1)
                os.dup2(sink.fileno(), 2)
            begin = files._replace

            def tell(*facts: object) -> None:
                os.write(writing, b"w")
                if limit is not None:
                    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
                begin(*facts)

            files._replace = tell
            code = main(words)
            sys.stdout.flush()
        finally:
            os._exit(code)

    def learn(self, drive: int) -> list[str]:
        return ["learn", str(self.jobs[drive])]

    def design(self) -> list[str]:
        return ["design", str(self.jobs[0]), "--out", str(self.out)]

    def save(self) -> list[str]:
        readings = [f"{mm:.4f}" for mm in self.made.present().diameters_mm]
        return ["measured", str(self.jobs[0]), *readings, "--save", str(self.room / "needle.csv")]

    def do(self, words: list[str]) -> None:
        code, told = self.start(words).end()
        hold(code == WROTE, LostError, f"{words[0]} cannot be run again: {told}")


@dataclass
class Run:
    pid: int
    reading: int
    told: Path

    def wait_for_writing(self) -> None:
        os.read(self.reading, 1)

    def kill(self, number: int) -> None:
        os.kill(self.pid, number)  # not waited for yet, so the number is still its own

    def end(self) -> tuple[int, str]:
        """Exit code, negative for the signal that ended it, and what it printed."""
        code = os.waitstatus_to_exitcode(os.waitpid(self.pid, 0)[1])
        os.close(self.reading)
        told = self.told.read_text()
        self.told.unlink()
        return code, told


def passes_of(bench: Bench) -> list[list[float]]:
    """Lambdas of each pass kept."""
    if not bench.history.exists():
        return []
    try:
        return [one.bands.lambda_measured.tolist() for one in nc.read_history(bench.history).passes]
    except nc.InputError as error:
        raise HalfWrittenError(error) from error


def lambdas(drive: int) -> list[float]:
    return [float(word) for word in DRIVES[drive].split(",")]


def sheet_at(bench: Bench, before: dict[str, bytes], when: str) -> str:
    """Whether the outputs are those of before, the new ones, or some of each; all whole."""
    found = {name: (bench.out / name).read_bytes() if (bench.out / name).exists() else b"" for name in OUTPUTS}
    if found == before:
        return "old"
    new = [name for name in OUTPUTS if found[name] != before[name]]
    ends = {"grind_sheet.pdf": b"%%EOF\n", "grind_sheet.csv": b".\n", "grind_sheet.txt": b"\n"}
    broken = [name for name, end in ends.items() if name in new and not found[name].endswith(end)]
    # JSON says its time in another form; a picture ends with a chunk IEND (PNG, ISO/IEC 15948).
    broken += [name for name in new if name != "design.json" and when.encode() not in found[name]]
    try:
        json.loads(found["design.json"])
    except ValueError as error:
        raise HalfWrittenError(error) from error
    hold(not broken and found["profile.png"][-8:-4] == b"IEND", HalfWrittenError, broken)
    return "new" if len(new) == len(OUTPUTS) else "some of each"


def left_aside(bench: Bench) -> list[Path]:
    return [one for one in bench.room.rglob("*") if one.name.endswith(files.ASIDE) or (one.is_dir() and one != bench.out)]


def follow_the_cure(bench: Bench, words: list[str], number: int) -> str:
    """After SIGTERM nothing lies about; what SIGKILL left is named by the next run, and deleting it is the cure."""
    left = left_aside(bench)
    if not left:
        return ""
    if number == signal.SIGTERM:
        raise LostError(left)
    code, told = bench.start(words).end()
    named = code == REFUSED and all(one.name in told for one in left)
    hold(named, LostError, f"what was left aside is not named: {told}")
    for one in left:
        one.unlink()
    return "left aside by SIGKILL"


def run_and_kill(bench: Bench, words: list[str], turn: int, whole_s: float, writing_s: float) -> tuple[int, int]:
    """The signal sent and the exit code."""
    number = (signal.SIGTERM, signal.SIGKILL)[turn // 2 % 2]
    run = bench.start(words)
    if turn % 2:
        run.wait_for_writing()
    time.sleep(bench.dice.uniform(0.0, 1.3) * (writing_s if turn % 2 else whole_s))
    run.kill(number)
    return number, run.end()[0]


def rehearse(bench: Bench, words: list[str]) -> tuple[float, float]:
    """Seconds of a whole run, and of its writing."""
    began = time.perf_counter()
    run = bench.start(words)
    run.wait_for_writing()
    wrote = time.perf_counter()
    run.end()
    return time.perf_counter() - began, time.perf_counter() - wrote


def killed_learn(bench: Bench, turn: int) -> Iterator[str]:
    for path in (bench.history, *left_aside(bench)):
        path.unlink(missing_ok=True)
    spent = rehearse(bench, bench.learn(0))
    before = bench.history.read_bytes()
    number, code = run_and_kill(bench, bench.learn(1), turn, *spent)
    kept = passes_of(bench)
    hold(kept == [lambdas(0), lambdas(1)] or bench.history.read_bytes() == before, LostError, kept)
    hold(code != WROTE or len(kept) == 2, LostError, "a pass that was said to be kept")
    yield f"ended by {signal.Signals(-code).name}" if code < 0 else "ended before the kill"
    yield "old" if len(kept) == 1 else "new"
    yield follow_the_cure(bench, bench.learn(1), number)
    bench.do(bench.learn(1))
    hold(passes_of(bench) == [lambdas(0), lambdas(1)], LostError, "the run after the kill")


def killed_design(bench: Bench, turn: int) -> Iterator[str]:
    bench.next_sheet()
    spent = rehearse(bench, bench.design())
    before = {name: (bench.out / name).read_bytes() for name in OUTPUTS}
    when = bench.next_sheet()
    number, code = run_and_kill(bench, bench.design(), turn, *spent)
    now = sheet_at(bench, before, when)
    hold(code != WROTE or now == "new", LostError, f"outputs that were said to be written: {now}")
    hold(now != "some of each" or number == signal.SIGKILL, LostError, "a set of outputs, at SIGTERM")
    yield f"ended by {signal.Signals(-code).name}" if code < 0 else "ended before the kill"
    yield now
    yield follow_the_cure(bench, bench.design(), number)


def learn_at_once(bench: Bench, _turn: int) -> Iterator[str]:
    bench.history.unlink(missing_ok=True)
    drives = list(range(len(DRIVES)))
    ends = [run.end() for run in [bench.start(bench.learn(drive)) for drive in drives]]
    kept = passes_of(bench)
    for drive, (code, told) in zip(drives, ends, strict=True):
        wrote, refused = code == WROTE and lambdas(drive) in kept, code == REFUSED and "run again." in told
        hold(wrote or refused, LostError, f"drive {drive}, exit code {code}: {told}")
        yield "kept" if code == WROTE else "told to run again"
    for drive, (code, _) in zip(drives, ends, strict=True):
        if code != WROTE:
            bench.do(bench.learn(drive))
    kept = passes_of(bench)
    hold(sorted(kept) == sorted(map(lambdas, drives)) and not left_aside(bench), LostError, kept)


def no_room(bench: Bench, turn: int, mounted: bool) -> Iterator[str]:
    words, most = ((bench.learn(1), 16_000), (bench.save(), 8_000), (bench.design(), 300_000))[turn % 3]
    bench.history.unlink(missing_ok=True)
    bench.do(bench.learn(0))
    needle = bench.room / "needle.csv"
    needle.unlink(missing_ok=True)
    bench.do(bench.save())
    needle.write_text(f"# of another day\n{needle.read_text()}")
    bench.next_sheet()
    bench.do(bench.design())
    when = bench.next_sheet()
    before = {path: path.read_bytes() for path in sorted(bench.room.rglob("*")) if path.is_file()}
    sheet = {name: before[bench.out / name] for name in OUTPUTS}
    left, filler = bench.dice.randrange(most), bench.room / "filler"
    if mounted:
        filler.write_bytes(bytes(max(0, shutil.disk_usage(bench.room).free - left)))
    code, told = bench.start(words, limit=None if mounted else left).end()
    filler.unlink(missing_ok=True)
    after = {path: path.read_bytes() for path in sorted(bench.room.rglob("*")) if path.is_file()}
    hold(not left_aside(bench), LostError, left_aside(bench))
    hold(code == WROTE or (code == REFUSED and "make room there, then run again." in told), LostError, told)
    hold(code == WROTE or after == before, HalfWrittenError, [path for path in after if after[path] != before.get(path)])
    new = (len(passes_of(bench)) == 2, after != before, sheet_at(bench, sheet, when) == "new")[turn % 3]
    hold(new == (code == WROTE), LostError, f"{words[0]}, exit code {code}")
    yield f"{words[0]} {'old' if code else 'new'}"
    bench.do(words)


@contextmanager
def small_room(folder: Path, may_mount: bool) -> Iterator[bool]:
    """Whether the folder is a tmpfs of its own now."""
    mount = ["mount", "-t", "tmpfs", "-o", f"size={ROOM_BYTES}", "tmpfs", str(folder)]
    may_mount = may_mount and shutil.which("mount") is not None
    mounted = may_mount and subprocess.run(mount, capture_output=True, check=False).returncode == 0
    try:
        yield mounted
    finally:
        if mounted:
            subprocess.run(["umount", str(folder)], check=True)


def rounds(what: str, count: int, one: Callable[[int], Iterator[str]]) -> bool:
    """Print what became of the rounds; whether all were well."""
    seen, faults = Counter[str](), Counter[type[FaultError]]()
    began = time.perf_counter()
    for turn in range(count):
        try:
            seen.update(word for word in one(turn) if word)
        except FaultError as fault:
            faults[type(fault)] += 1
            print(f"  round {turn}: {fault!r}")
    told = ", ".join(f"{word} {seen[word]}" for word in sorted(seen))
    print(
        f"{what}: {count} rounds in {time.perf_counter() - began:.0f} s; {told}; lost {faults[LostError]}, "
        f"half-written {faults[HalfWrittenError]}",
        flush=True,
    )
    return not faults


def bench_all(count: int, seed: int, may_mount: bool) -> bool:
    with tempfile.TemporaryDirectory() as folder:
        case, room = Path(folder) / "case", Path(folder) / "room"
        shutil.copytree(DATA, case)
        room.mkdir()
        job = typed_job(case / "pass_van.toml")
        change(job, 'file = "passes.json"', f'file = "{room / "passes.json"}"')
        jobs = tuple(case / f"drive_{number}.toml" for number in range(len(DRIVES)))
        for path, drive in zip(jobs, DRIVES, strict=True):
            path.write_text(job.read_text().replace(DRIVES[0], drive))
        made = nc.read_job(jobs[0]).design()
        made = replace(made, verdict=replace(made.verdict, missed=()))  # its exit code is 0, whatever the fit
        nc.Job.design = lambda _job, *_asked: made
        drawn = pages.pdf_of(nc.grind_sheet(made, made_at=START).document())
        bench = Bench(jobs, room, made, drawn, random.Random(seed))
        well = [
            rounds("Killed during learn", count, lambda turn: killed_learn(bench, turn)),
            rounds("Killed during design", count, lambda turn: killed_design(bench, turn)),
            rounds("Three learn at once", count, lambda turn: learn_at_once(bench, turn)),
        ]
        for path in (*room.glob("*.*"), bench.out):
            shutil.rmtree(path) if path.is_dir() else path.unlink()
        with small_room(room, may_mount) as mounted:
            what = "Full disk (tmpfs)" if mounted else "Full disk (limit of file size)"
            well.append(rounds(what, count, lambda turn: no_room(bench, turn, mounted)))
        return all(well)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("rounds", type=int, nargs="?", default=50)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--no-mount", action="store_true")
    asked = parser.parse_args()
    sys.exit(not bench_all(asked.rounds, asked.seed, not asked.no_mount))
