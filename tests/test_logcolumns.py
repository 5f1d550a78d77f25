"""Columns found by meaning, decoys, ambiguity and units. All column names here are invented."""

from __future__ import annotations

import re

import numpy as np
import pytest
from log_cases import read

from needlecalc.errors import InputError, LogFormatError
from needlecalc.measure.log.cell import find_unit, split_name, unit_from_text
from needlecalc.measure.log.columns import ColumnFault, Why
from needlecalc.measure.log.file import Log

N = 60
BASE = {
    "Time (s)": np.arange(N) * 0.1,
    "RPM": 900.0 + 10 * np.arange(N),
    "Lambda": 0.9 + 0.001 * np.arange(N),
}


def made(table: dict[str, object], **options: object) -> Log:
    lines = [";".join(table)]
    cells = [np.broadcast_to(np.asarray(values, dtype=float), N) for values in table.values()]
    lines += [";".join(f"{cell:.6g}" for cell in row) for row in zip(*cells, strict=True)]
    return read(("\n".join(lines) + "\n").encode(), "made.csv", **{"decimal": ".", **options})


def chosen(log: Log) -> dict[str, str]:
    return {choice.meaning: choice.column for choice in log.columns}


@pytest.mark.parametrize(
    "names",
    [
        "Time;RPM;AFR;TPS;MAP (kPa);Coolant temp (degC)",
        "Log Time [s];Engine Speed [rpm];Air/Fuel Ratio;Throttle [%];Manifold Pressure [kPa];Water Temp [°C]",
        "time_s;engine_rpm;wideband_afr;throttle_%;manifold_pressure_kPa;coolant_degC",
        "Zeit;Motordrehzahl;Luftzahl;Drosselklappenwinkel (%);Saugrohrdruck (kPa);Kühlmitteltemperatur (°C)",
        "Uhrzeit (s);Drehzahl U/min;Lambdasonde;DK (%);Ansaugdruck - kPa;Kühlwasser, °C",
        "Temps;Régime moteur (tr/min);Lambda mesuré;Papillon (%);Pression collecteur (kPa);Temp. eau (°C)",
        "Tempo (s);Giri motore;Lambda misurato;Farfalla (%);Pressione aspirazione (kPa);Temp. acqua (°C)",
        "Tiempo;Régimen (1/min);AFR medido;Mariposa (%);Presión múltiple (kPa);Refrigerante (ºC)",
        "timestamp;EngineSpeed;LambdaMeasured;ThrottlePosition;ManifoldAbsolutePressure_kPa;CoolantTemp_degC",
    ],
)
def test_the_same_meanings_in_five_languages(names):
    mixture = 13.0 if "AFR" in names or "afr" in names or "Fuel" in names else 0.9
    values = [BASE["Time (s)"], BASE["RPM"], mixture, 20.0 + np.arange(N), 60.0, 80.0]
    columns = dict(zip(names.split(";"), values, strict=True))
    log = made(columns)
    assert list(chosen(log).values()) == list(columns)
    assert [c.meaning for c in log.columns] == "time rpm lambda throttle manifold_pressure coolant".split()
    np.testing.assert_allclose(log.manifold_pressure_pa, 60e3)


@pytest.mark.parametrize(
    "decoy",
    [
        "Lambda Target", "AFRtarget", "Commanded AFR", "AFR cmd", "Requested Lambda", "Lambda req.",
        "Lambdasollwert", "Lambda Soll", "Lambda consigne", "Lambda obiettivo", "AFR objetivo",
        "Lambda Correction (%)", "Lambda Trim", "Lambda Adaptation", "LTFT Lambda", "Lambda Volts",
        "Lambda (V)", "Lambdaspannung", "Lambda error", "AFR table", "Lambda Heater (%)",
        "Wideband temp (degC)", "AFR raw", "Lambda ADC", "Lambda status", "Narrowband lambda",
        "Stoich AFR", "RPM/s", "RPM dot", "dRPM (rpm/s)", "RPM limit", "RPM target", "Turbo Speed (rpm)",
        "Rev limiter rpm", "Idle RPM target", "Solldrehzahl", "RPM raw (counts)", "Max RPM", "RPM delta",
        "Injection Time (ms)", "Lap Time (s)", "Dwell Time (ms)", "Einspritzzeit (ms)",
    ],
)  # fmt: skip
def test_decoys_never_win(decoy):
    log = made({decoy: 0.85 + 0.001 * np.arange(N), **BASE})
    assert set(chosen(log).values()) == set(BASE)


def test_a_place_and_a_unit_make_a_name():
    log = made(
        {
            "time_s": BASE["Time (s)"],
            "engine_rpm": BASE["RPM"],
            "alternator_rpm": 3000.0,
            "lambda": BASE["Lambda"],
            "manifold_kpa": 40.0,
        }
    )
    assert chosen(log)["rpm"] == "engine_rpm"
    assert log.columns[-1].why is Why.NAME_AND_UNIT
    np.testing.assert_allclose(log.manifold_pressure_pa, 40e3)


def test_a_decoy_alone_is_no_mixture():
    columns = {"Time (s)": BASE["Time (s)"], "RPM": BASE["RPM"], "AFR Target": 14.7, "Fuel Trim (%)": 1.0}
    with pytest.raises(LogFormatError, match=r"line 1: no column is a measured mixture .*AFR Target.*columns=") as e:
        made(columns)
    assert e.value.line == 1


def test_no_rpm_and_no_time():
    with pytest.raises(LogFormatError, match="no column is an engine speed"):
        made({"Time (s)": BASE["Time (s)"], "Lambda": 0.9})
    with pytest.raises(LogFormatError, match="no column is a time;"):
        made({"RPM": BASE["RPM"], "Lambda": 0.9})


def test_place_of_columns_does_not_matter():
    columns = {
        **BASE,
        "AFR": 14.7 * BASE["Lambda"],
        "Throttle (%)": 20.0,
        "Coolant (degF)": 180.0,
        "Battery (V)": 14.0,
    }
    there, back = made(columns), made(dict(reversed(columns.items())))
    assert there.columns == back.columns
    assert there.assumptions == back.assumptions
    np.testing.assert_array_equal(there.lambda_measured, back.lambda_measured)


def test_two_banks_that_differ_are_the_users_choice():
    columns = {"Time (s)": BASE["Time (s)"], "RPM": BASE["RPM"], "Lambda L": 0.90, "Lambda R": 0.97}
    with pytest.raises(
        LogFormatError,
        match=r"2 columns could be the mixture and they differ: 'Lambda L', 'Lambda R'.*columns=",
    ):
        made(columns)
    log = made(columns, columns={"lambda": "Lambda R"})
    assert chosen(log)["lambda"] == "Lambda R"
    assert log.columns[2].why is Why.USER
    np.testing.assert_allclose(log.lambda_measured, 0.97)


def test_twins_that_agree_are_told():
    log = made({**BASE, "AFR": 14.7 * BASE["Lambda"]})
    assert chosen(log)["lambda"] == "Lambda"
    assert log.columns[2].same == ("AFR",)
    assert "its name; 'AFR' carries the same" in log.report()


def test_a_filtered_twin_gives_way_though_it_differs():
    log = made({**BASE, "Lambda (filtered)": 0.99})
    assert chosen(log)["lambda"] == "Lambda"
    (fault,) = [remark for remark in log.remarks if remark.kind is ColumnFault.FILTERED]
    assert fault.numbers["column"] == "Lambda (filtered)"


def test_optional_columns_that_differ_never_block():
    columns = {**BASE, "Lift front (mm)": 5.0, "Lift rear (mm)": 6.0}
    log = made(columns)
    assert log.lift_mm is None
    told = [note for note in log.assumptions if "is not used as lift of the air valve or slide: it differs from" in note]
    assert len(told) == 2
    assert (
        "columns={'lift': 'Lift rear (mm)'} (in a job file lift = \"Lift rear (mm)\" under [log.columns]) chooses" in told[1]
    )
    np.testing.assert_array_equal(made(columns, columns={"lift": "Lift rear (mm)"}).lift_mm, 6.0)
    assert made(columns, columns={"lift": ""}).assumptions == made(BASE).assumptions


def test_names_that_lie_are_caught_by_values():
    log = made({"Time (s)": BASE["Time (s)"], "RPM": BASE["RPM"], "Lambda": 14.0})
    np.testing.assert_allclose(log.lambda_measured, 14.0 / 14.7)
    assert any("says lambda, but its values (median 14) are AFR" in note for note in log.assumptions)
    log = made({"Time (s)": BASE["Time (s)"], "RPM": BASE["RPM"], "AFR": 0.95})
    np.testing.assert_allclose(log.lambda_measured, 0.95)
    assert any("says AFR, but its values" in note for note in log.assumptions)


def test_the_users_unit_is_not_doubted():
    log = made({**BASE, "Lambda": 5.0}, units={"lambda": "AFR"}, afr_stoich=6.4)
    np.testing.assert_allclose(log.lambda_measured, 5.0 / 6.4)


def test_afr_uses_the_stated_stoichiometry_and_says_the_usual():
    columns = {"Time (s)": BASE["Time (s)"], "RPM": BASE["RPM"], "AFR": 9.0}
    assert any("divided by 14.7" in note and "common practice" in note for note in made(columns).assumptions)
    np.testing.assert_allclose(made(columns, afr_stoich=9.0).lambda_measured, 1.0)
    with pytest.raises(InputError, match="afr_stoich is 1, but must lie between 3 and 20"):
        made(columns, afr_stoich=1.0)


def test_equivalence_ratio_is_turned_over():
    log = made({"Time (s)": BASE["Time (s)"], "RPM": BASE["RPM"], "Richesse": 1.25})
    np.testing.assert_allclose(log.lambda_measured, 0.8)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (512.0 + np.arange(N), "neither lambda nor AFR; counts and volts"),
        (np.where(np.arange(N) % 2, 0.1, 0.8), "volts of a narrow-band sensor"),
        (np.full(N, np.nan), "it holds no numbers"),
    ],
)
def test_no_mixture_under_its_name(values, words):
    with pytest.raises(LogFormatError, match=rf"line 1: 'Lambda' is not used as mixture: .*{words}") as e:
        made({**BASE, "Lambda": values})
    assert e.value.column == "Lambda"


# Factors: NIST SP 811 (2008) appendix B, and the definitions of inch and pound; recomputed here by hand.
@pytest.mark.parametrize(
    ("name", "value", "field", "expected"),
    [
        ("MAP (kPa)", 50.0, "manifold_pressure_pa", 50_000.0),
        ("MAP (hPa)", 500.0, "manifold_pressure_pa", 50_000.0),
        ("MAP (mbar)", 500.0, "manifold_pressure_pa", 50_000.0),
        ("MAP (bar)", 0.5, "manifold_pressure_pa", 50_000.0),
        ("MAP (psi)", 7.25, "manifold_pressure_pa", 7.25 * 0.45359237 * 9.80665 / 0.0254**2),
        ("MAP (inHg)", 15.0, "manifold_pressure_pa", 15 * 3386.389),
        ("MAP (mmHg)", 400.0, "manifold_pressure_pa", 400 * 133.3224),
        ("MAP (psig)", -7.0, "manifold_pressure_pa", 101325 - 7 * 6894.757),
        ("Air Flow (g/s)", 7.2, "air_flow_g_s", 7.2),
        ("Air Flow (kg/h)", 36.0, "air_flow_g_s", 10.0),
        ("Air Flow (lb/min)", 1.0, "air_flow_g_s", 453.59237 / 60),
        ("Lift (mm)", 5.0, "lift_mm", 5.0),
        ("Lift (inch)", 0.25, "lift_mm", 6.35),
        ("Lift (thou)", 250.0, "lift_mm", 6.35),
        ("Coolant (degC)", 80.0, "coolant_degc", 80.0),
        ("Coolant (*C)", 80.0, "coolant_degc", 80.0),
        ("Coolant (°F)", 176.0, "coolant_degc", 80.0),
        ("Coolant (K)", 353.15, "coolant_degc", 80.0),
        ("Throttle (%)", 40.0, "throttle_percent", 40.0),
        ("Throttle (fraction)", 0.4, "throttle_percent", 40.0),
    ],
)
def test_units_in_the_name(name, value, field, expected):
    np.testing.assert_allclose(getattr(made({**BASE, name: value}), field), expected, rtol=1e-6)


@pytest.mark.parametrize("name", ["RPM x1000", "RPM (1/min x 1000)", "RPM (krpm)", "RPM"])
def test_rpm_in_thousands(name):
    log = made({"Time (s)": BASE["Time (s)"], "Lambda": 0.9, name: 3.5})
    np.testing.assert_allclose(log.rpm, 3500.0)


@pytest.mark.parametrize(
    ("name", "values", "words"),
    [
        ("Boost (psi)", np.linspace(0, 8, N), "count from ambient pressure either way"),
        ("Air Flow", 12.0, "states no unit, and its values .* leave it open"),
        ("Lift", 0.2, "states no unit"),
        ("MAP", 14.0, "states no unit"),
        ("Coolant (degC)", 900.0, "60 readings outside -50 to 200"),
    ],
)
def test_what_stays_open_is_not_used_and_told(name, values, words):
    log = made({**BASE, name: values})
    assert len(log.columns) == 3
    assert any(note.startswith(f"{name!r} is not used as") for note in log.assumptions)
    assert any(re.search(words, note) for note in log.assumptions)


def test_gauge_pressure_seen_from_its_values_or_stated():
    boost = np.linspace(-60, 40, N)
    log = made({**BASE, "Boost (kPa)": boost})
    np.testing.assert_allclose(log.manifold_pressure_pa, 101325 + 1e3 * boost, rtol=1e-5)
    assert any("falls to" in note and "taken as 101325 Pa" in note for note in log.assumptions)
    log = made({**BASE, "Vacuum": 10.0}, units={"manifold_pressure": "inHg vacuum"}, ambient_pa=9e4)
    np.testing.assert_allclose(log.manifold_pressure_pa, 9e4 - 33863.89)


@pytest.mark.parametrize(
    ("name", "value", "expected"),
    [
        *((name, 15.0, 15 * 3386.389) for name in ("MAP inHg abs", "MAP in Hg absolute", "MAP (inHg) abs", "MAP_inHg_abs.")),
        *((name, 50.0, 5e4) for name in ("MAP kPa(a)", "MAP (kPa) (abs)", "MAP (abs. kPa)", "MAP kPa - abs")),
        ("Boost kPa abs", 150.0, 1.5e5),
        *((name, -40.0, 61325.0) for name in ("MAP kPa gauge", "MAP kPa (g)", "MAP (kPa) rel", "MAP, kPa gage")),
        ("Boost kPa rel", 50.0, 151325.0),
        *((name, 10.0, 101325 - 33863.89) for name in ("MAP inHg vacuum", "Manifold inHg vac", "Vacuum (inHg, vac)")),
        ("MAP in Hg", 15.0, 15 * 3386.389),
    ],
)  # fmt: skip
def test_words_that_say_from_where_a_pressure_counts(name, value, expected):
    np.testing.assert_allclose(made({**BASE, name: value}).manifold_pressure_pa, expected, rtol=1e-6)


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("MAP rel (kPa)", 60.0, "may count from ambient pressure either way"),
        ("MAP gauge (psi)", 9.0, "may count from ambient pressure either way"),
        ("MAP gauge (kPa abs)", 60.0, "its name and its unit differ on from where it counts"),
        ("Manifold vacuum (kPa gauge)", 60.0, "its name and its unit differ on from where it counts"),
        ("Unterdruck (kPa rel)", 60.0, "its name and its unit differ on from where it counts"),
    ],
)
def test_from_where_a_pressure_counts_is_never_guessed(name, value, words):
    log = made({**BASE, name: value})
    assert log.manifold_pressure_pa is None
    assert any(words in note and "units={'manifold_pressure'" in note for note in log.assumptions)


def test_a_row_of_units_does_not_take_back_gauge():
    rows = "".join(f"{k},900,1,-40\n" for k in range(3))
    for head in ("MAP kPa gauge", "MAP (psi gauge)"):
        log = read(f"time,rpm,lambda,{head}\ns,rpm,-,kPa\n{rows}".encode(), "x")
        np.testing.assert_allclose(log.manifold_pressure_pa, 61325.0)


def test_unit_free_columns_with_only_one_reading_say_so():
    log = made({**BASE, "MAP": np.linspace(30, 99, N), "TPS": np.linspace(0, 1, N), "Coolant": 85.0})
    assert sum("states no unit: its values" in note for note in log.assumptions) == 3
    assert log.throttle_percent[-1] == 100.0
    assert log.manifold_pressure_pa[-1] == 99e3


def test_pedal_stands_in_only_where_the_throttle_is_in_degrees():
    log = made({**BASE, "Throttle (deg)": 30.0, "Pedal (%)": 25.0})
    assert chosen(log)["throttle"] == "Pedal (%)"
    assert any("driver's pedal stands in" in note for note in log.assumptions)
    assert chosen(made({**BASE, "Throttle (%)": 30.0, "Pedal (%)": 25.0}))["throttle"] == "Throttle (%)"


def test_impossible_readings_of_a_spare_column_are_blanked_and_counted():
    throttle = np.full(N, 30.0)
    throttle[5] = 1600.0
    log = made({**BASE, "Throttle (%)": throttle})
    assert np.isnan(log.throttle_percent[5])
    assert any(note == "1 reading of 'Throttle (%)' left blank: no possible throttle." for note in log.assumptions)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"columns": {"speed": "RPM"}}, "columns: 'speed' is not a meaning; known are time, rpm"),
        ({"units": {"speed": "rpm"}}, "units: 'speed' is not a meaning"),
        (
            {"columns": {"rpm": "Revs"}},
            r"line 1: columns says rpm is 'Revs', but the header .* Time \(s\), RPM",
        ),
        ({"units": {"rpm": "furlong"}}, "'furlong' is not a known unit"),
        ({"units": {"rpm": "kPa"}}, "'kPa' does not measure rpm; it must be a unit of speed"),
        ({"ambient_pa": 14.7}, "ambient_pa is 14.7, but must lie between 40000 and 110000"),
    ],
)
def test_wrong_arguments(options, words):
    with pytest.raises(InputError, match=words):
        made(BASE, **options)


def test_column_named_by_the_user_forgives_case_only():
    assert chosen(made({**BASE, "X1": 4000.0}, columns={"rpm": "x1"}))["rpm"] == "X1"


def test_unit_spellings():
    for spelling in ("U/min", "tr/min", "min^-1", "1/min", "[rpm]"):
        assert find_unit(spelling).label == "1/min"
    assert find_unit("Â°C") == find_unit("°C") == find_unit("º C") == find_unit("\ufffdC")
    assert unit_from_text("psi vacuum").factor < 0
    assert find_unit("1/min x 1000").factor == 1000.0
    assert [find_unit(text).label for text in ("kPa (abs)", "gauge, psi")] == ["kPa absolute", "psi gauge"]
    assert [split_name(text)[1].label for text in ("Inlet inHg abs", "air_flow_g_s")] == ["inHg absolute", "g/s"]
    assert split_name("Lift [in]")[1].label == "inch"
    assert split_name("Speed of plug (in)")[0] == "Speed of plug"
    assert split_name("Press in")[1] is None
    assert split_name("Something (smoothed)") == ("Something (smoothed)", None)
