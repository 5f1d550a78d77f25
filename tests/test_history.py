"""Passes on file: every figure back to the last bit, and a damaged file named with its cure."""

from __future__ import annotations

import itertools
import json
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from conftest import DIAMETERS_MM, STATIONS_MM, make_setup
from hypothesis import given, settings
from hypothesis import strategies as st

import needlecalc as nc
from needlecalc.design.belief.learned import LearnedRemark
from needlecalc.measure.drive.bands import LiftSource

NOON = datetime(2025, 6, 1, 12, 0, 0)


def same_bits(one: nc.Bands, other: nc.Bands) -> None:
    for name, a in one.columns.items():
        b = other.columns[name]
        # NaN is no number: the bits of all others must be the same.
        np.testing.assert_array_equal(np.isnan(a), np.isnan(b), name)
        assert a[~np.isnan(a)].tobytes() == b[~np.isnan(b)].tobytes(), name
    assert (one.load, one.bank, one.lift_source) == (other.load, other.bank, other.lift_source)


def one_pass(lambdas=(0.97, 1.12), **changes) -> nc.Pass:
    typed = nc.typed_bands(np.linspace(900, 3000, len(lambdas)), lambdas, lift_mm=np.linspace(2, 9, len(lambdas)))
    return nc.Pass(nc.Needle("stock", STATIONS_MM, DIAMETERS_MM, source="table"), 1.6, replace(typed, **changes))


@pytest.fixture
def saved(tmp_path):
    path = tmp_path / "job.json"
    nc.History((one_pass(),)).save(path)
    return path


finite = st.floats(0.0, 1e6, allow_subnormal=True)
maybe = st.one_of(st.just(float("nan")), finite)
words = st.text(max_size=12)


@settings(max_examples=40, deadline=None)
@given(data=st.data(), count=st.integers(1, 4), passes=st.integers(1, 3))
def test_round_trip_keeps_every_bit(tmp_path_factory, data, count, passes):
    def row(values):
        return np.array(data.draw(st.lists(values, min_size=count, max_size=count)))

    def said():
        return tuple(data.draw(st.lists(words, min_size=count, max_size=count)))

    def sources():
        return tuple(LiftSource(k) for k in data.draw(st.lists(st.integers(0, 63), min_size=count, max_size=count)))

    made = []
    for _ in range(passes):
        bands = nc.Bands(
            load=said(), bank=said(), lift_source=sources(), rpm=row(st.floats(0.1, 2e4)), rpm_low=row(finite),
            rpm_high=row(finite),
            count=row(st.integers(0, 10**12)), visits=row(st.integers(0, 99)), lambda_measured=row(st.floats(0.5, 2.0)),
            lambda_spread=row(finite), lambda_se=row(finite), manifold_pressure_pa=row(maybe), air_flow_g_s=row(maybe),
            lift_mm=row(st.floats(-1.0, 40.0)), lift_u_mm=row(finite), depression_pa=row(maybe),
            lift_common_u_mm=row(maybe), throttle_percent=row(maybe),
        )  # fmt: skip
        off = data.draw(st.floats(0.0, 0.5))
        needle = nc.Needle(data.draw(words), STATIONS_MM, DIAMETERS_MM - off, source=data.draw(words))
        made.append(nc.Pass(needle, data.draw(st.floats(-2.0, 12.0)), bands))
    history = nc.History(tuple(made))
    path = tmp_path_factory.mktemp("history") / "job.json"
    history.save(path, job="van", made_at=NOON)
    back = nc.read_history(path)
    assert repr(back) == repr(history)
    for one, other in zip(history.passes, back.passes, strict=True):
        same_bits(one.bands, other.bands)
        assert one.drop_mm == other.drop_mm
        assert (one.needle.name, one.needle.source) == (other.needle.name, other.needle.source)
        assert one.needle.diameters_mm.tobytes() == other.needle.diameters_mm.tobytes()
        assert one.needle.stations_mm.tobytes() == other.needle.stations_mm.tobytes()
    # Written again, it is the same file; and it is JSON as the standard has it, which knows no NaN (RFC 8259, sec. 6).
    again = path.with_name("again.json")
    back.save(again, job="van", made_at=NOON)
    assert again.read_bytes() == path.read_bytes()
    json.loads(path.read_text(encoding="utf-8"), parse_constant=lambda word: pytest.fail(f"{word} is no JSON"))


def test_what_was_read_back_teaches_the_same(tmp_path):
    setup = make_setup()
    lift = np.linspace(2, 20, 5)
    first = nc.typed_bands(np.linspace(900, 5000, 5), np.full(5, 1.05), lift_mm=lift)
    second = nc.typed_bands(np.linspace(900, 5000, 5), np.full(5, 0.99), lift_mm=lift)
    history = nc.History((nc.Pass(setup.carburettor.needle, 1.6, first),))
    history = history.then(nc.Needle("cut", STATIONS_MM, DIAMETERS_MM - 0.02), 1.6, second)
    history.save(tmp_path / "job.json")
    here, there = nc.learn(history, setup), nc.learn(nc.read_history(tmp_path / "job.json"), setup)
    np.testing.assert_array_equal(here.mean, there.mean)
    np.testing.assert_array_equal(here.u(), there.u())
    np.testing.assert_array_equal(here.estimate.root, there.estimate.root)


def test_columns_that_files_of_older_drives_lack_come_back_as_not_known(saved):
    content = json.loads(saved.read_text())
    for key in ("depression_pa", "lift_common_u_mm", "throttle_percent"):
        del content["passes"][0]["bands"][key]
    saved.write_text(json.dumps(content))
    bands = nc.read_history(saved).passes[0].bands
    assert np.isnan(bands.depression_pa).all()
    assert np.isnan(bands.throttle_percent).all()


@pytest.mark.parametrize(
    ("sentence", "source"),
    [
        ("", LiftSource.NONE),
        ("typed in", LiftSource.TYPED),
        ("logged", LiftSource.LOGGED),
        ("computed from logged air flow", LiftSource.AIR_METER),
        ("computed from manifold pressure, speed and a volumetric efficiency of 0.85", LiftSource.PRESSURE),
        (
            "computed from manifold pressure, speed and the table of volumetric efficiency, scaled to 3 lifts read",
            LiftSource.PRESSURE | LiftSource.SCALED,
        ),
        ("computed from throttle and speed, set by 6 lifts read (+- 4 % of air flow)", LiftSource.THROTTLE),
        ("typed in, weighed against manifold pressure", LiftSource.TYPED | LiftSource.PRESSURE),
        ("logged, weighed against air meter", LiftSource.LOGGED | LiftSource.AIR_METER),
        ("computed from logged air flow + logged + typed in", LiftSource.READ | LiftSource.AIR_METER),
    ],
)
def test_files_that_say_in_a_sentence_where_a_lift_comes_from_are_still_read(saved, sentence, source):
    edit(saved, put([sentence, "typed in"], *BANDS, "lift_source"))
    history = nc.read_history(saved)
    assert history.passes[0].bands.lift_source == (source, LiftSource.TYPED)
    history.save(saved)
    assert json.loads(saved.read_text())["passes"][0]["bands"]["lift_source"] == [source.code(), "typed"]


@pytest.mark.parametrize("file", sorted((Path(__file__).parent / "histories").glob("*.json")), ids=lambda file: file.stem)
def test_histories_of_every_version_before_stay_readable(file, tmp_path):
    # Each was written by the code of its time, from the same invented drives; what a later version added is not known there.
    drives = [one for one in nc.read_history(file).passes if not one.jet_drive]
    stock, filed = (one.needle for one in drives)
    assert (stock.name, stock.source, filed.name) == ("stock", "invented table", "filed")
    np.testing.assert_array_equal(stock.diameters_mm, DIAMETERS_MM)
    np.testing.assert_allclose(DIAMETERS_MM[1:] - filed.diameters_mm[1:], 0.02, rtol=1e-12)
    for one, lambdas in zip(drives, ([0.98, 1.03, 1.05, 1.06], [0.96, 0.99, 1.0, 1.01]), strict=True):
        assert one.drop_mm == 1.6
        assert one.bands.load == ("idle", "full", "full", "full")
        assert one.bands.lambda_measured.tolist() == lambdas
        assert one.bands.lift_mm.tolist() == [4.0, 10.0, 16.0, 22.0]
        assert (one.bands.lambda_se == 0.004).all()
    content = json.loads(file.read_text())["passes"]
    assert [one.log_sha256 for one in drives] == [facts.get("log_sha256", "") for facts in content[-2:]]
    assert [one.air is None for one in drives] == ["air" not in facts for facts in content[-2:]]
    # Written anew it holds the same, and says by what.
    again = tmp_path / "again.json"
    nc.read_history(file).save(again, job="van", made_at=NOON)
    made = {"needlecalc": nc.__version__, "made_at": "2025-06-01T12:00:00", "job": "van"}
    assert json.loads(again.read_text())["made_by"] == made
    for one, other in zip(nc.read_history(file).passes, nc.read_history(again).passes, strict=True):
        same_bits(one.bands, other.bands)
        for name in ("log_sha256", "air", "fuel", "jet_drive"):
            assert getattr(one, name) == getattr(other, name)


def test_every_kind_of_history_file_there_was_is_among_them():
    kinds = []
    for name in ("bands_only", "log_known", "bank", "air_and_fuel", "jet_drive", "made_by"):
        content = json.loads((Path(__file__).parent / "histories" / f"{name}.json").read_text())
        first = content["passes"][0]
        kinds.append({*content, *first, *first["bands"]})
    new = [after - before for before, after in itertools.pairwise(kinds)]
    assert new == [
        {"log_sha256", "throttle_percent", "effective_count", "spread_within", "spread_between"},
        {"bank"},
        {"air", "fuel"},
        {"jet_drive"},
        {"made_by"},
    ]


def test_a_history_of_another_format_says_who_wrote_it_and_what_to_do(saved):
    edit(saved, put("needlecalc history 2", "format"))
    edit(saved, put("9.1.0", "made_by", "needlecalc"))
    said = rf"job\.json is a history of format 2, written by needlecalc 9\.1\.0; this is needlecalc {nc.__version__}, which "
    with pytest.raises(
        nc.LogFormatError, match=said + r"knows format 1\. Use the needlecalc that wrote it, or a newer one\."
    ):
        nc.read_history(saved)
    for made_by in (None, 5, {}, {"needlecalc": [1]}, {"needlecalc": "\x1b[2J"}):
        edit(saved, put(made_by, "made_by"))
        with pytest.raises(nc.LogFormatError, match="of format 2, written by another needlecalc; this is"):
            nc.read_history(saved)
    # The cure: what reads its format reads it.
    edit(saved, put("needlecalc history 1", "format"))
    assert len(nc.read_history(saved).passes) == 1


def edit(path, change):
    content = json.loads(path.read_text())
    change(content)
    path.write_text(json.dumps(content))


def within(content, keys):
    for key in keys:
        content = content[key]
    return content


def drop_key(*keys):
    return lambda content: within(content, keys[:-1]).pop(keys[-1])


def put(value, *keys):
    return lambda content: within(content, keys[:-1]).__setitem__(keys[-1], value)


BANDS = ("passes", 0, "bands")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (drop_key("passes"), r"job\.json: the history has no list of passes; it was cut or edited, so take it from a copy"),
        (put(7, "passes"), r"no list of passes"),
        (put([], "passes"), r"job\.json: A history needs at least one pass"),
        (put("other 1", "format"), r"it does not say 'needlecalc history 1'; give the file History\.save wrote"),
        (drop_key("passes", 0, "needle"), r"job\.json, pass 1: the history lacks 'needle'; it was cut or edited"),
        (drop_key("passes", 0, "drop_mm"), r"pass 1: the history lacks 'drop_mm'"),
        (drop_key(*BANDS, "lift_mm"), r"pass 1: the history lacks 'lift_mm'"),
        (drop_key(*BANDS, "count"), r"pass 1: the history lacks 'count'"),
        (put(None, "passes", 0), r"pass 1: it is null, but must be a table in braces; the history was edited"),
        (put(5, *BANDS), r"pass 1: bands is 5, but must be a table in braces"),
        (
            put("ab", *BANDS, "count"),
            r'pass 1: bands\.count is "ab", but must be a row of numbers, null where one is not known; the history',
        ),
        (put(["a", "b"], *BANDS, "count"), r'pass 1: bands\.count holds "a" as entry 1, but must hold numbers'),
        (put([1, None], *BANDS, "count"), r"pass 1: count: entry 2 is nan, but every entry must be a finite number"),
        (put([1], *BANDS, "count"), r"pass 1: bands: the columns must be equally long, but rpm has 2, count has 1"),
        (put(["a", 1.0], *BANDS, "rpm"), r'pass 1: bands\.rpm holds "a" as entry 1, but must hold numbers, null where'),
        (put([1.0, True], *BANDS, "lift_mm"), r"pass 1: bands\.lift_mm holds true as entry 2, but must hold numbers"),
        (put([1.0, 10**400], *BANDS, "lift_mm"), r"pass 1: bands\.lift_mm holds 1000000.*\.\.\. as entry 2, but must hold"),
        (
            put(["by hand", "typed"], *BANDS, "lift_source"),
            r'bands\.lift_source holds "by hand", but must say where the lift',
        ),
        (put(["idle", 3], *BANDS, "load"), r"pass 1: bands\.load holds 3 as entry 2, but must hold texts"),
        (put(None, "passes", 0, "needle", "name"), r"pass 1: needle\.name is null, but must be text"),
        (put({"a": 1}, "passes", 0, "log_sha256"), r'pass 1: log_sha256 is \{"a": 1\}, but must be text'),
        (put("1.6", "passes", 0, "drop_mm"), r'pass 1: drop_mm is "1.6", but must be a number; the history was edited'),
        (put(None, "passes", 0, "drop_mm"), r"pass 1: drop_mm is null, but must be a number"),
        (put(99.0, "passes", 0, "drop_mm"), r"pass 1: drop_mm is 99, but must lie between -2 and 12"),
        (put([1.0, None], *BANDS, "lambda_measured"), r"pass 1: lambda_measured: entry 2 is nan"),
        (
            put([14.7, 13.0], *BANDS, "lambda_measured"),
            r"pass 1: lambda_measured is 14\.7 \(entry 1 of 2\).* by 14",
        ),
        (put([1.0], *BANDS, "lift_mm"), r"pass 1: bands: the columns must be equally long"),
        (put([None, 3.0], *BANDS, "lift_mm"), r"pass 1: Band 900 rpm full has no lift"),
        (
            put([-0.1, 0.3], *BANDS, "lift_u_mm"),
            r"pass 1: Band 900 rpm full: lift_u_mm is -0\.1, but an uncertainty must be zero",
        ),
        (
            put([0.1, None], *BANDS, "lift_u_mm"),
            r"pass 1: Band 3000 rpm full: lift_u_mm is nan, but an uncertainty must be zero",
        ),
        (put([1.0, 2.0], "passes", 0, "needle", "diameters_mm"), r"pass 1: needle stock: the columns must be equally long"),
        (put([2.0] * 12 + [2.1], "passes", 0, "needle", "diameters_mm"), r"pass 1: Needle stock: reversed taper 12 to 13"),
        (put("x", "passes", 0, "needle", "shape"), r"pass 1: needle has 'shape', which it does not know"),
    ],
)
def test_damaged_files_are_named_with_their_cure(saved, change, words):
    edit(saved, change)
    with pytest.raises(nc.LogFormatError, match=words) as caught:
        nc.read_history(saved)
    assert caught.value.path == str(saved)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", r"bad\.json is no history: it is not JSON; give the file History\.save wrote"),
        (b'{"format": "needlecalc history 1", "passes": [', r"it is not JSON"),
        (b"\xff\xfe\x00", r"it is not JSON"),
        (b"[" * 100_000, r"it is not JSON"),
        (b"[1, 2]", r"it does not say 'needlecalc history 1'"),
        (b"null", r"it does not say"),
    ],
)
def test_files_that_are_no_history(tmp_path, content, words):
    path = tmp_path / "bad.json"
    path.write_bytes(content)
    with pytest.raises(nc.LogFormatError, match=words):
        nc.read_history(path)


def test_a_file_that_is_not_there(tmp_path):
    for name in ("none.json", "no\0name"):
        with pytest.raises(
            nc.LogFormatError, match=r"^no.+: the history cannot be opened \(.+\); check its name and folder"
        ):
            nc.read_history(tmp_path / name)


@settings(max_examples=60, deadline=None)
@given(cut=st.floats(0.0, 1.0), byte=st.integers(0, 255), mode=st.sampled_from(["cut", "change"]))
def test_no_damage_gets_past_as_anything_but_a_message(tmp_path_factory, cut, byte, mode):
    path = tmp_path_factory.mktemp("history") / "job.json"
    nc.History((one_pass(),)).save(path)
    raw = path.read_bytes()
    at = min(int(cut * len(raw)), len(raw) - 1)
    path.write_bytes(raw[:at] if mode == "cut" else raw[:at] + bytes([byte]) + raw[at + 1 :])
    try:
        back = nc.read_history(path)
    except nc.LogFormatError as error:
        said = str(error)
    else:
        said = f"job.json with {len(back.passes)} pass"
    assert said.startswith("job.json")


def test_history_itself():
    first = one_pass()
    with pytest.raises(nc.InputError, match="at least one pass"):
        nc.History(())
    other = nc.Needle("other", STATIONS_MM + 0.5, DIAMETERS_MM)
    with pytest.raises(nc.InputError, match="Pass 2 has needle other on other stations than pass 1"):
        nc.History((first,)).then(other, 1.6, first.bands)
    cut = nc.Needle("cut", STATIONS_MM, DIAMETERS_MM - 0.01)
    history = nc.History((first,)).then(cut, 1.6, first.bands).then(first.needle, 1.7, first.bands)
    assert history.needle_of_pass().tolist() == [0, 1, 0]
    assert repr(history) == "History of 3 passes, 2 needles"
    assert [row["number"] for row in history.table().rows] == [1, 2, 3]
    with pytest.raises(nc.InputError, match="Band 900 rpm full has no lift"):
        one_pass(lift_mm=np.array([np.nan, 2.0]))


COLD, HOT = nc.Air(pressure_pa=96.5e3, temperature_degc=5.0), nc.Air(pressure_pa=94e3, temperature_degc=30.0)


def two_days(setup, *, hot=HOT):
    """The same needle on two days: the engine leans as the air gets denser, and nothing else has changed."""
    lifts, lean = [3.0, 8.0, 14.0, 20.0], np.array([0.98, 1.04, 1.06, 1.08])
    # Square root of the density, an ideal gas and dry (handbook law of a variable venturi, from memory).
    factor = np.sqrt(hot.pressure_pa / COLD.pressure_pa * (COLD.temperature_degc + 273.15) / (hot.temperature_degc + 273.15))
    days = []
    for air, read in ((COLD, lean), (hot, lean * factor)):
        typed = nc.typed_bands([900, 2000, 3000, 4000], read, lambda_se=0.003)
        days.append(nc.with_lift(typed, replace(setup, air=air), lift_mm=lifts))
    return days


def test_passes_on_two_days_are_brought_to_one_air(tmp_path):
    setup = make_setup()
    needle, (first, second) = setup.carburettor.needle, two_days(setup)
    assert np.abs(second.lambda_measured / first.lambda_measured - 1.0).min() > 0.05
    passes = nc.History((nc.Pass(needle, 1.6, first), nc.Pass(needle, 1.6, second)))
    # Air and fuel are kept with the pass.
    passes.save(tmp_path / "passes.json")
    back = nc.read_history(tmp_path / "passes.json")
    assert [one.air for one in back.passes] == [COLD, HOT]
    assert [one.fuel for one in back.passes] == [setup.fuel] * 2
    for history in (passes, back):
        learned = nc.learn(history, replace(setup, air=HOT))
        assert learned.misfit < 0.01
        np.testing.assert_allclose(learned.lambda_now(), second.lambda_measured, rtol=1e-4)
        assert "Pass 1: lambda x 0.9" in " ".join(str(learned).split())
    # Without the air no car explains them; what is not known is not guessed.
    unknown = {"air": None, "fuel": None}
    silent = nc.History(tuple(replace(one, bands=one.bands.having(lift_setup=None), **unknown) for one in back.passes))
    assert nc.learn(silent, setup).contradiction().kind is LearnedRemark.CONTRADICT
    # A fuel with more ethanol leans too: by its own need of air, and near idle by its viscosity.
    leaner = replace(setup, fuel=nc.Fuel(ethanol_percent=10.0))
    other = nc.History((back.passes[0], replace(back.passes[1], fuel=leaner.fuel)))
    share = other.in_one_air(setup).passes[0].bands.lambda_measured / back.in_one_air(setup).passes[0].bands.lambda_measured
    assert (share > setup.fuel.afr() / leaner.fuel.afr()).all()
    assert (np.diff(share) < 0.0).all()
    assert share[0] < 1.07


def test_a_cut_is_judged_in_the_air_before_it():
    setup = make_setup()
    needle, (first, second) = setup.carburettor.needle, two_days(setup)
    filed = nc.Needle("filed", needle.stations_mm, needle.diameters_mm - np.r_[0, np.full(12, 0.03)])
    before = nc.learn(nc.History((nc.Pass(needle, 1.6, first),)), setup)
    effect = nc.predict_lambda(setup, first, needle=filed) / first.lambda_measured
    driven = replace(second, lambda_measured=second.lambda_measured * effect)
    outcome = nc.compare_pass(before, driven, needle=filed, drop_mm=1.6)
    assert outcome.gain_all == pytest.approx(1.0, abs=1e-3)
    assert any(note.startswith("Measured, but lambda x 1.0") for note in outcome.table().notes)
