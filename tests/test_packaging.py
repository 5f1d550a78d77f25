"""What the wheel is told to hold: every room, and the demo once, from where it lies; licence and its holder."""

from __future__ import annotations

import tomllib
from pathlib import Path

from needlecalc.jobnew import DEMO_FILES

HERE = Path(__file__).parent.parent
PROJECT = tomllib.loads((HERE / "pyproject.toml").read_text(encoding="utf-8"))


def test_every_package_is_in_the_wheel_and_no_other():
    found = {".".join(file.parent.relative_to(HERE).parts) for file in (HERE / "needlecalc").rglob("__init__.py")}
    assert set(PROJECT["tool"]["setuptools"]["packages"]) == found | {"needlecalc.demo"}


def test_the_demo_is_taken_from_data_and_copied_whole():
    told = PROJECT["tool"]["setuptools"]
    folder = HERE / told["package-dir"]["needlecalc.demo"]
    patterns = told["package-data"]["needlecalc.demo"]
    assert tuple(patterns) == DEMO_FILES
    held = {file.name for pattern in patterns for file in folder.glob(pattern)}
    for job in folder.glob("*.toml"):
        content = tomllib.loads(job.read_text(encoding="utf-8"))
        assert {job.name, content["needle"]["file"], content["log"]["file"]} <= held
    assert not (HERE / "needlecalc" / "demo").exists()  # it would be a second copy


def test_the_licence_names_its_holder():
    (file,) = PROJECT["project"]["license-files"]
    text = (HERE / file).read_text(encoding="utf-8")
    assert PROJECT["project"]["license"] == "MIT"
    assert text.startswith("MIT License")
    assert PROJECT["project"]["authors"][0]["name"] in text
