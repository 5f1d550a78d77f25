"""Public names called with values of other kinds: one sentence or a result, never the words of the language beneath."""

from __future__ import annotations

import pytest
from right_calls import NAMES, NOT_CALLED, SLOW, WRONG, arguments, right_calls

import needlecalc as nc
from needlecalc.echo import plain

ERRORS = {name for name in NAMES if name.endswith("Error")}
QUICK = sorted(set(NAMES) - ERRORS - set(NOT_CALLED) - set(SLOW))


@pytest.fixture(scope="module")
def calls(tmp_path_factory):
    return right_calls(tmp_path_factory.mktemp("calls"))


def test_every_public_name_is_called_or_only_read(calls):
    assert {*calls, *NOT_CALLED, *ERRORS} == set(NAMES)
    assert set(SLOW) <= set(calls)


@pytest.mark.parametrize("name", QUICK)
def test_every_argument_of_every_other_kind(calls, name, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)  # where a path is taken, a text is the name of a file here
    called = NAMES[name]
    called(**calls[name])
    for key in arguments(name):
        for wrong in WRONG.values():
            try:
                called(**{**calls[name], key: wrong})
            except nc.NeedleCalcError as error:
                said = str(error)
                assert plain(said) == said, key
                assert len(said) < 600, (key, said)


@pytest.mark.parametrize(
    ("name", "wrong", "words"),
    [
        (
            "plot",
            {"record": 3},
            "record is 3, but must be a Design or a Comparison or a Learned",
        ),
        ("plot", {"ax": 3}, "ax is 3, but must be an Axes"),
        ("solve", {"target": 3}, "solve: target is 3, but must be a Target; make one with make_target"),
        ("learn", {"history": [1]}, r"history is \[1\], but must be a History or a Bands; make one with"),
        ("merge_bands", {"second": None}, "second is nothing, but must be a Bands; make one with make_bands or typed_bands"),
        (
            "Carburettor",
            {"needle": "n.csv"},
            "needle is 'n.csv', but must be a Needle; make one with read_needle or parts.measured_needle",
        ),
        ("Setup", {"engine": 3}, "Setup: engine is 3, but must be an Engine; make one with Engine"),
        ("Limits", {"new_blank": 1}, "new_blank is 1, but must be True or False"),
        ("History", {"passes": [1]}, r"passes is \[1\], but must be a list, each entry a Pass"),
        ("Needle", {"interpolated": ("a",)}, r"interpolated is \['a'\], but must be a list, each entry a whole number"),
        ("typed_bands", {"lift_u_mm": "x"}, "lift_u_mm must be a number, got 'x'"),
        ("lean_limit", {"load": 3}, "load must be text, got 3"),
        ("jet_shift", {"flats": 10**400}, "flats is 10{39}.*, but must be a number"),
        ("fuel_flow", {"lift_mm": "high"}, "lift_mm is 'high', but must be plain numbers"),
        ("fuel_flow", {"diameters_mm": [2.4, 2.3]}, r"diameters_mm has shape \(2,\), but the needle has 13 stations"),
        ("fuel_flow", {"drop_mm": [1.0, 2.0, 3.0]}, r"do not go together: lift_mm \(2,\), drop_mm \(3,\)"),
        ("read_needle", {"path": 3}, "path is 3, but must be text or the name of a file"),
    ],
)
def test_what_is_said_of_a_wrong_kind(calls, name, wrong, words):
    with pytest.raises(nc.InputError, match=words):
        NAMES[name](**{**calls[name], **wrong})


def test_a_method_that_a_record_has_from_its_base_is_held_too():
    slide = nc.SlideValve(throat_bore_mm=32.0, usual_depression_pa=1500.0)
    assert slide.air_flow_g_s(10.0, nc.Air()) > 0.0
    with pytest.raises(nc.InputError, match=r"air is 3, but must be an Air; make one with Air"):
        slide.air_flow_g_s(10.0, 3)


def test_the_cures_work(calls):
    design = calls["plot"]["record"]
    assert nc.plot(nc.compare(design.setup, design.present(), design.needle)).get_xlabel()


def test_a_fault_of_our_own_is_not_hidden(monkeypatch):
    def broken(*_):
        msg = "a fault"
        raise TypeError(msg)

    monkeypatch.setattr("needlecalc.parts.needle.read_table_file", broken)
    with pytest.raises(TypeError, match="a fault"):
        nc.read_needle("needle.csv")
