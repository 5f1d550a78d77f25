"""A newcomer's first sheet from the wheel alone, in an empty environment outside the checkout: commands are counted.

Run: ``python tests/bench/first_sheet.py``.  Builds wheel and source, installs the wheel, plays the demo, then ``new``, fill
in the blanks, ``design``: by gauge, by slide, and from the demo's log.  Each must end with a usable sheet.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tarfile
import tempfile
import venv
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from test_newcomer import fill  # noqa: E402


class Newcomer:
    """One who has an empty environment, an empty folder, and types commands."""

    def __init__(self, place: Path) -> None:
        self.place, self.typed = place, 0
        self.python = place / "env" / ("Scripts" if os.name == "nt" else "bin") / "python"
        venv.create(place / "env", with_pip=True)

    def run(self, *words: str) -> str:
        run = subprocess.run([self.python, *words], cwd=self.place, capture_output=True, text=True, check=False, env=bare())
        if run.returncode:
            sys.exit(f"{' '.join(words)} ends with {run.returncode}:\n{run.stdout[-2000:]}\n{run.stderr}")
        return run.stdout

    def types(self, *words: str) -> str:
        self.typed += 1
        return self.run("-m", "needlecalc", *words)


def bare() -> dict[str, str]:
    return {key: value for key, value in os.environ.items() if not key.startswith("PYTHON")}


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        newcomer = Newcomer(place)
        newcomer.run("-m", "pip", "install", "-q", "build")
        newcomer.run("-m", "build", "-o", str(place / "dist"), str(ROOT))
        (wheel,), (source,) = (place / "dist").glob("*.whl"), (place / "dist").glob("*.tar.gz")
        with tarfile.open(source) as tar:
            held = {name.split("/", 1)[1] for name in tar.getnames() if "/tests/" in name}
        ours = {file.relative_to(ROOT).as_posix() for file in (ROOT / "tests").rglob("*.py")}
        print(f"source: {len(held)} files of the tests, {len(ours - held)} missing")
        newcomer.run("-m", "pip", "install", "-q", str(wheel))
        newcomer.types("new", "demo", "--demo")
        newcomer.types("design", "demo/pass_van.toml")
        print(f"demo: usable in {newcomer.typed} commands")
        for name, words in {
            "gauge": ["--gauge"],
            "slide": ["--slide"],
            "log": ["--log", "demo/pass_van_drive.csv"],
        }.items():
            newcomer.typed = 0
            newcomer.types("new", name, *words)
            blanks = fill(place / name)
            said = newcomer.types("design", f"{name}/job.toml")
            assert (place / name / "out" / "grind_sheet.pdf").exists()
            verdict = next(line for line in said.splitlines() if "sable" in line)
            print(f"{name}: usable in {newcomer.typed} commands and {blanks} blanks: {verdict.strip()}")


if __name__ == "__main__":
    main()
