"""Keys listed are keys read: their names, ranges and kinds, and a schema that holds a job to them."""

from __future__ import annotations

import json
import re
import tomllib

import jsonschema
import pytest
from conftest import DATA

import needlecalc as nc
from needlecalc.__main__ import main
from needlecalc.jobdrive import bands_of, lean_limits_of
from needlecalc.jobkeys import keys_of, schema, sections
from needlecalc.jobkinds import MOST_KEYS, NUMBER, TAKEN_BY, built, kind_faults


@pytest.fixture(scope="module")
def van():
    return tomllib.loads((DATA / "pass_van.toml").read_text(encoding="utf-8"))


def test_every_key_says_what_it_is():
    for section in sections():
        for key in keys_of(section):
            assert len(key.about) >= 5, (section, key.name)
            assert len(key.kinds) >= 1
        said = [key.about for key in keys_of(section)]
        assert len(set(said)) == len(said) or section == "checks.limits", section  # advance at idle has two limits there


RANGED = [
    name
    for name, made in TAKEN_BY.items()
    if len(made) == 1 and isinstance(made[0], type) and any(key.range and NUMBER in key.kinds for key in keys_of(name))
]


LEAST = {
    "slide_valve": {"throat_bore_mm": 32.0},
    "calibration.trims": {"flats": 2.0, "lambda_before": 0.98, "lambda_after": 0.9},
}


@pytest.mark.parametrize("section", RANGED)
def test_a_range_that_is_listed_is_the_one_that_holds(section, van):
    """Outside of it the record itself refuses, and says which key."""
    whole = van
    for part in section.split("."):
        whole = whole.get(part, {}) if isinstance(whole, dict) else {}
    given = {"needle": nc.read_needle(DATA / "pass_van_needle.csv")} if section == "checks.needle" else {}
    if section == "carburettor":
        fitted = nc.read_job(DATA / "pass_van.toml").setup.carburettor
        given = {"needle": fitted.needle, "jet": fitted.jet, "air_valve": fitted.air_valve}
    base = van["air_valve"] if section == "lift.air_valve" else whole[0] if isinstance(whole, list) else whole
    base = base or LEAST.get(section, {})
    ranged = [key for key in keys_of(section) if key.range is not None and NUMBER in key.kinds]
    for key in ranged:
        for beyond in (key.range[0] - 1e-3 * (1.0 + abs(key.range[0])), key.range[1] * 1.001 + 1e-3):
            with pytest.raises(nc.InputError, match=key.name):
                built(TAKEN_BY[section][0], {**base, key.name: beyond}, section, **given)
    built(TAKEN_BY[section][0], base, section, **given)


def test_ranges_of_what_counts_as_steady_are_listed_and_hold():
    job = nc.read_job(DATA / "pass_van.toml")
    log, listed = job.read_log(), {key.name: key.range for key in keys_of("bands")}
    for name in ("steady_s", "settle_s", "rpm_within", "pressure_within_pa", "lambda_within", "opening_rise"):
        low, high = listed[name]
        for beyond in (low - 1e-3 * (1.0 + abs(low)), high * 1.001):
            with pytest.raises(nc.InputError, match=name):
                nc.make_bands(log, lag_s=0.4, **{name: beyond})


def known(section, van):
    """Keys that the reader itself names where one is unknown."""
    job = nc.read_job(DATA / "pass_van.toml")
    other = {"no_such_key": 1}
    readers = {
        "bands": [lambda: bands_of(other, None), lambda: bands_of(other, job.read_log())],
        "lean_limits.*": [
            lambda: lean_limits_of({"own": other}, DATA),
            lambda: lean_limits_of({"own": {**other, "file": "pass_van_drive.csv"}}, DATA),
        ],
    }
    names = set()
    for reader in readers[section]:
        with pytest.raises(nc.InputError) as said:
            reader()
        names |= set(re.search(r"it knows (.*?)\.", str(said.value))[1].split(", "))
    return names


@pytest.mark.parametrize("section", ["bands", "lean_limits.*"])
def test_keys_listed_are_those_the_reader_knows(section, van):
    assert {key.name for key in keys_of(section)} == known(section, van)


@pytest.mark.parametrize(
    "section", [name for name in sections() if "*" not in name and any(k.name != "*" for k in keys_of(name))]
)
def test_a_key_misspelt_is_refused_in_every_section_as_the_job_is_read(section):
    """All at once, before the log is read, with the nearest key there is; but where any name is a load."""
    names = [key.name for key in keys_of(section) if key.name != "*"]
    found = list(kind_faults({f"{name}z": 1 for name in names}, section, section))
    if section == "target":
        assert not found
        return
    assert [one.key for one in found] == [f"{name}z" for name in names]
    listed = f"it knows {', '.join(sorted(names))}"
    if len(names) > MOST_KEYS:
        listed = f"python -m needlecalc keys {section} lists those it knows"
    assert all("Perhaps" in one.words and listed in one.words and len(one.words) < 400 for one in found)


def test_the_schema_admits_the_demo_and_refuses_what_the_reader_refuses(van):
    """Judged by jsonschema, an implementation of JSON Schema 2020-12 that knows nothing of this project."""
    judge = jsonschema.Draft202012Validator(schema())
    jsonschema.Draft202012Validator.check_schema(schema())
    assert not list(judge.iter_errors(van))
    for section, key, value in (
        ("jet", "bor_mm", 2.54),
        ("jet", "bore_mm", "2.54"),
        ("jet", "bore_mm", 254.0),
        ("jets", "bore_mm", 2.54),
        ("limits", "flats", "quarter"),
        ("checks", "ignition", {"coil": "blue"}),
    ):
        spoilt = {**van, section: {**van.get(section, {}), key: value}}
        assert list(judge.iter_errors(spoilt)), (section, key)


def test_keys_on_the_command_line(capsys):
    assert main(["keys", "jet"]) == 0
    printed = capsys.readouterr().out
    assert re.search(r"bore_mm +a number +mm +needed +1 to 6 +Bore\.", printed)
    assert "[air_valve]" not in printed
    assert main(["keys", "checks"]) == 0
    assert "[checks.ignition]" in capsys.readouterr().out
    assert main(["keys", "jets"]) == 2
    assert "Perhaps jet is meant." in capsys.readouterr().err
    assert main(["keys", "--schema"]) == 0
    assert json.loads(capsys.readouterr().out) == json.loads(json.dumps(schema()))
    assert main(["keys"]) == 0
    assert len(sections()) == len(re.findall(r"(?m)^\[[\w.*]+\]$", capsys.readouterr().out))
