"""What the wheel is told to hold: every room, and the demo once, from where it lies; licence and its holder."""

from __future__ import annotations

import tomllib
from pathlib import Path

from needlecalc.jobnew import DEMO_FILES

HERE = Path(__file__).parent.parent
PROJECT = tomllib.loads((HERE / "pyproject.toml").read_text(encoding="utf-8"))


BUILD = PROJECT["tool"]["hatch"]["build"]["targets"]


def test_the_package_is_in_the_wheel_and_all_tests_are_in_the_source():
    assert BUILD["wheel"]["packages"] == ["needlecalc"]
    assert {"/needlecalc", "/tests", "/data", "/notebooks"} <= set(BUILD["sdist"]["include"])
    assert all((HERE / place.lstrip("/")).exists() for place in BUILD["sdist"]["include"])


def test_the_demo_is_taken_from_data_and_copied_whole():
    told = BUILD["wheel"]["force-include"]
    held = {file for pattern in DEMO_FILES for file in (HERE / "data").glob(pattern)}
    assert told == {f"data/{file.name}": f"needlecalc/demo/{file.name}" for file in held}
    for job in (HERE / "data").glob("*.toml"):
        content = tomllib.loads(job.read_text(encoding="utf-8"))
        assert {job, *(HERE / "data" / content[section]["file"] for section in ("needle", "log"))} <= held
    assert not (HERE / "needlecalc" / "demo").exists()  # it would be a second copy


def test_the_licence_names_its_holder():
    (file,) = PROJECT["project"]["license-files"]
    text = (HERE / file).read_text(encoding="utf-8")
    assert PROJECT["project"]["license"] == "MIT"
    assert text.startswith("MIT License")
    assert PROJECT["project"]["authors"][0]["name"] in text
