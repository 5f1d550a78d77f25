"""Wrong kinds of values under any key of a job: one clear sentence, never the words of the language beneath."""

from __future__ import annotations

import copy
import re
import shutil
import tomllib

import pytest
from conftest import DATA
from odd_inputs import as_toml

import needlecalc as nc
from needlecalc.echo import shown
from needlecalc.jobkinds import OWN, TAKEN_BY, keys_taken, kind_faults

RIGHT = {
    "a number": 2.5,
    "text": "idle",
    "the name of a file": "drive.csv",
    "true or false": True,
    "a section of its own": {},
    "a list of sections": [{}],
    "a row of numbers": [1.0, float("nan")],
    "a row of whole numbers": [1, 3],
    "a row of texts": ["idle"],
    "a row of true and false": [False, True],
}
WRONG = {
    "text": "abc",
    "empty": "",
    "a truth value": True,
    "a row": [2.0, 1.0],
    "a mixed row": [1, "a", True],
    "a row in a row": [[1.0], [2.0]],
    "a table": {"a": 1},
    "tables": [{"a": 1}],
    "nan": float("nan"),
    "infinity": float("inf"),
    "below nought": -7,
    "huge": 1e300,
    "hundreds of digits": 10**400,
    "no row": [],
}
# What the language itself would say.
UNDERNEATH = re.compile(
    r"\bobject\b|NoneType|\bTrue\b|\bFalse\b|\bNone\b|argument|Error\b|'float'|'int'|'str'|not supported|subscript|iterable|"
    r"could not convert|inhomogeneous|ufunc|dtype|array\(|unhashable|attribute|datetime|\bdict\b|<class"
)


def keys_of(section, at=()):
    """Every key of a job, as the way down to it."""
    for key, value in section.items() if isinstance(section, dict) else enumerate(section):
        yield (*at, key)
        if isinstance(value, dict) or (isinstance(value, list) and isinstance(value[0], dict)):
            yield from keys_of(value, (*at, key))


def kinds_refused(place: str, key: str, value: object) -> str:
    """What is said of one value in a job that holds nothing else; nothing where it may stand."""
    job: object = {key: value}
    for name in reversed(place.replace("*", "own").split(".")):
        job = {name: [job] if name in ("gases", "others", "trims") else job}
    return next((fault.words for fault in kind_faults(job)), "")


@pytest.mark.parametrize("place", sorted({*TAKEN_BY, *OWN}))
def test_every_key_takes_its_kind_and_no_other(place):
    taken = keys_taken(place)
    assert taken
    for key, kinds in taken.items():
        called = key.replace("*", "own")
        for kind in kinds:
            assert not kinds_refused(place, called, RIGHT[kind])
        inside = {"a section of its own": WRONG["a table"], "a list of sections": WRONG["tables"]}
        others = [value for value in WRONG.values() if not any(value is inside.get(kind) for kind in kinds)]
        said = [words for value in others if (words := kinds_refused(place, called, value))]
        assert len(said) >= 5
        for words in said:
            assert words.startswith(f"[{place.replace('*', 'own')}] {called} is ")
            assert not UNDERNEATH.search(words)
            assert re.search(r", but must (be|lie) .*; .*\.$", words)


@pytest.fixture(scope="module")
def van():
    """The demo's job, its log and its bands."""
    job = nc.read_job(DATA / "pass_van.toml")
    log = job.read_log()
    return log, job.bands(log)


def walk(file, key, log, bands):
    """As much of the road as one key can spoil."""
    job = nc.read_job(file)
    if key[0] == "log":
        job.read_log()
    if key[0] in ("bands", "lift"):
        job.bands(log)
    job.checks(bands)
    job.target(bands)


@pytest.mark.parametrize(
    "label", ["text", "a truth value", "a row", "a mixed row", "a table", "nan", "below nought", "huge"]
)
def test_any_key_of_the_demo_with_a_wrong_value_gives_one_sentence(tmp_path, van, label):
    shutil.copy(DATA / "pass_van_needle.csv", tmp_path)
    shutil.copy(DATA / "pass_van_drive.csv", tmp_path)
    whole = tomllib.loads((DATA / "pass_van.toml").read_text(encoding="utf-8"))
    said = []
    for key in list(keys_of(whole)):
        spoilt = copy.deepcopy(whole)
        here = spoilt
        for step in key[:-1]:
            here = here[step]
        here[key[-1]] = WRONG[label]
        (tmp_path / "job.toml").write_text(as_toml(spoilt), encoding="utf-8")
        try:
            walk(tmp_path / "job.toml", key, *van)
        except nc.NeedleCalcError as error:
            said.append(([step for step in key if isinstance(step, str)], str(error)))
    assert len(said) > 40
    for key, words in said:
        assert any(re.search(rf"\b{name}\b", words) for name in key[-2:]), (key, words)
        assert not UNDERNEATH.search(words), words
        assert "\n" not in words


def test_values_are_shown_as_a_job_writes_them():
    made = tomllib.loads("a = [true, 'x', {b = 2020-01-02}, 1979-05-27T07:32:00]")["a"]
    assert shown(made) == "[true, 'x', {b = 2020-01-02}, 1979-05-27..."
    assert shown(10**400) == "1" + "0" * 39 + "..."


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("name = 7", r"job.toml, line 1: name is 7, but must be text; write it in quotes"),
        ("jet = 7", r"job.toml, line 1: jet is 7, but must be a section of its own; give it a heading \[jet\]"),
        (f"jet = {{bore_mm = {'9' * 5000}}}", "holds a number of thousands of digits, or brackets nested"),
        (f"jet = {{bore_mm = {'[' * 5000}", "holds a number of thousands of digits, or brackets nested"),
        ('needle = {file = "a\\u0000b"}', r"job.toml, line 1: \[needle\] file is 'a\\x00b', but must be the name of a file"),
        (
            'needle = {name = "n", stations_mm = [0, 9], diameters_mm = [2.4, 2]}\njet = {bore_mm = 0.1, drop_mm = 1.6}',
            r"job.toml, line 2: \[jet\] bore_mm is 0.1, but must lie between 1 and 6",
        ),
    ],
)
def test_a_whole_job_that_is_none(tmp_path, text, words):
    (tmp_path / "job.toml").write_text(text + "\n", encoding="utf-8")
    with pytest.raises(nc.InputError, match=words):
        nc.read_job(tmp_path / "job.toml")
