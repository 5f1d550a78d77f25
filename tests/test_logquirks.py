"""What real loggers do, each habit with a specimen of a few invented lines, and each decoy from both sides."""

from __future__ import annotations

import numpy as np
import pytest
from log_cases import BASE, LAMBDA, RPM, SECONDS, N, kinds, made, read, rows_of

import needlecalc as nc
from needlecalc.measure.log.columns import ColumnFault, Note, Why
from needlecalc.measure.log.rows import CEILING, FLOOR, FROZEN, flag_rows
from needlecalc.measure.log.table import RowFault


def chosen(log: nc.measure.Log) -> dict[str, str]:
    return {choice.meaning: choice.column for choice in log.columns}


# --- names --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("exact", "longer", "meaning"),
    [
        ("RPM", "Engine Speed shown", "rpm"),
        ("Engine Speed", "RPM shown", "rpm"),
        ("Lambda", "Lambda Rear", "lambda"),
        ("MAP (kPa)", "MAP at the plenum (kPa)", "manifold_pressure"),
        ("CLT (degC)", "Coolant behind the thermostat (degC)", "coolant"),
    ],
)
def test_an_exact_name_wins_over_a_longer_one(exact, longer, meaning):
    values = {"rpm": RPM, "lambda": LAMBDA, "manifold_pressure": 40.0, "coolant": 80.0}[meaning]
    columns = {
        name: value
        for name, value in BASE.items()
        if name not in ("RPM" * (meaning == "rpm"), "Lambda" * (meaning == "lambda"))
    }
    log = made({longer: values * 1.2, **columns, exact: values})
    assert chosen(log)[meaning] == exact
    assert log.columns[[c.meaning for c in log.columns].index(meaning)].why is Why.EXACT_NAME
    # Alone the longer one serves.
    assert chosen(made({longer: values, **columns}))[meaning] == longer


def test_a_longer_name_serves_where_the_exact_one_holds_nothing():
    log = made({**BASE, "Lambda": np.nan, "Lambda rear": LAMBDA})
    assert chosen(log)["lambda"] == "Lambda rear"
    assert ColumnFault.NO_NUMBERS in kinds(log)


@pytest.mark.parametrize("name", ["MAPxRPM", "RPM*MAP", "load x rpm", "load_x_rpm", "RPM·kPa"])
def test_a_product_of_speed_is_no_speed(name):
    assert chosen(made({name: 40 * RPM, **BASE}))["rpm"] == "RPM"
    at_rest = made({name: 0.0, **BASE, "RPM": 0.0})
    assert chosen(at_rest)["rpm"] == "RPM"
    assert at_rest.columns[1].same == ()
    with pytest.raises(nc.LogFormatError, match="no column is an engine speed"):
        made({"Time (s)": SECONDS, name: 40 * RPM, "Lambda": LAMBDA})
    assert made({"Time (s)": SECONDS, "RPM x 1000": RPM / 1000, "Lambda": LAMBDA}).rpm[0] == 900.0


def test_columns_carry_the_same_only_if_they_do_while_the_engine_runs():
    rpm = np.where(np.arange(N) < 55, 0.0, 900.0)
    shaft = np.where(np.arange(N) < 55, 0.0, 700.0)
    with pytest.raises(
        nc.LogFormatError, match="2 columns could be the engine speed and they differ: 'Engine Speed', 'RPM'"
    ):
        made({"Time (s)": SECONDS, "RPM": rpm, "Engine Speed": shaft, "Lambda": LAMBDA})
    same = made({"Time (s)": SECONDS, "RPM": rpm, "Engine Speed": rpm, "Lambda": LAMBDA})
    assert same.columns[1].same == ("RPM",)
    # At rest both sensors read free air alike; that says nothing of the mixture.
    banks = {"Lambda left": np.where(rpm > 0, 0.9, 1.2), "Lambda right": np.where(rpm > 0, 1.0, 1.2)}
    with pytest.raises(
        nc.LogFormatError, match=r"they differ: 'Lambda left', 'Lambda right'.*columns=\{'lambda': 'Lambda left'\}"
    ):
        made({"Time (s)": SECONDS, "RPM": rpm, **banks})
    assert made({"Time (s)": SECONDS, "RPM": rpm, **banks}, columns={"lambda": "Lambda left"}).lambda_measured[-1] == 0.9


@pytest.mark.parametrize(
    "decoy", ["Lambda SP", "AFR SP", "Lambda Final", "AFR (Final)", "Commanded Lambda", "Lambda mult", "AFR Mult", "RPM SP"]
)
def test_set_points_and_multipliers_are_decoys(decoy):
    assert set(chosen(made({decoy: 0.85 + 0.001 * np.arange(N), **BASE})).values()) == set(BASE)
    missing = "RPM" if "RPM" in decoy else "Lambda"
    with pytest.raises(nc.LogFormatError, match="no column is"):
        made({decoy: 1.0, **{name: values for name, values in BASE.items() if name != missing}})


@pytest.mark.parametrize(
    "name",
    ["ECT", "ETemp", "WtrTemp", "WtrT", "CLT", "CTS", "Water T", "Eng Temp", "Engine coolant temperature", "Kühlwasser"],
)
def test_words_for_the_coolant(name):
    assert made({**BASE, name: 85.0}).coolant_degc[0] == 85.0
    assert made({**BASE, name: 185.0}).coolant_degc[0] == pytest.approx(85.0)  # no coolant has 185 degC


@pytest.mark.parametrize("name", ["Water [C]", "Water_C", "Wasser (degC)", "Wtr (F)"])
def test_water_with_a_unit_of_temperature_is_the_coolant(name):
    assert made({**BASE, name: 185.0 if "F" in name else 85.0}).coolant_degc[0] == pytest.approx(85.0)


@pytest.mark.parametrize("name", ["Water", "Water pump (degC)", "Water [%]", "Water pressure [kPa]"])
def test_other_water_is_no_coolant(name):
    assert made({**BASE, name: 85.0}).coolant_degc is None


@pytest.mark.parametrize(("shown", "degc"), [(20.0, 20.0), (50.0, 50.0), (95.0, 95.0), (122.0, 50.0), (185.0, 85.0)])
def test_a_coolant_without_a_unit_is_cold_where_it_is_cold_in_either(shown, degc):
    assert made({**BASE, "CLT": shown}).coolant_degc[0] == pytest.approx(degc)


@pytest.mark.parametrize("name", ["Oil temp", "Intake temp", "EGT", "Exhaust temp", "Air temp", "Coolant pressure", "IAT"])
def test_other_temperatures_are_no_coolant(name):
    assert made({**BASE, f"{name} (degC)": 85.0}).coolant_degc is None


def test_a_standard_name_of_the_lambda_with_current_in_it():
    name = "O2 sensor lambda wide range (current probe)  (Bank 1  Sensor 1)"
    columns = {"Time (s)": SECONDS, "RPM": RPM, name: LAMBDA}
    assert chosen(made(columns))["lambda"] == name
    assert chosen(made({**columns, "Lambda pump current (mA)": 0.1}))["lambda"] == name


def test_optional_columns_never_block():
    columns = {**BASE, "Air Flow": 1135.0, "Boost": -760.0, "TPS (V)": 0.4, "MAP": 468.0, "Coolant": 300.0, "Lift": 0.1}
    log = made(columns)
    assert set(chosen(log).values()) == set(BASE)
    assert kinds(log).count(ColumnFault.NO_UNIT) == 5
    # The cure that each note states works: here for the one whose values bear it.
    assert "units={'air_flow': 'g/s'} (in a job file air_flow = \"g/s\" under [log.units]) states it" in " ".join(
        log.assumptions
    )
    assert made(columns, units={"air_flow": "g/s"}).air_flow_g_s[0] == 1135.0


# --- units --------------------------------------------------------------------------------------


# 1 ft = 0.3048 m and 1 lb = 0.45359237 kg exactly; dry air at 20 degC and 101325 Pa weighs 1.2041 kg/m3
# (ISO 2533 gas constant, 287.05 J/kg/K), a common table value.
@pytest.mark.parametrize(
    ("name", "reading", "g_s", "noted"),
    [
        ("Air Flow (cfm)", 60.0, 0.3048**3 * 1204.1, True),
        ("Air Flow (m3/h)", 36.0, 12.041, True),
        ("MAF (lb/min)", 1.0, 453.59237 / 60, False),
        ("MAF lb/min", 1.0, 453.59237 / 60, False),
    ],
)
def test_air_flow_by_volume_and_in_pounds(name, reading, g_s, noted):
    log = made({**BASE, name: reading})
    np.testing.assert_allclose(log.air_flow_g_s, g_s, rtol=2e-4)
    assert (Note.VOLUME in kinds(log)) == noted


@pytest.mark.parametrize(
    ("name", "reading", "pa"),
    [
        ("Vacuum (inHg)", 18.0, 101325 - 18 * 3386.389),
        ("MAP vac (inHg)", 10.0, 101325 - 33863.89),
        ("Manifold vacuum (kPa)", 60.0, 41325.0),
        ("Unterdruck (mbar)", 600.0, 41325.0),
    ],
)
def test_a_vacuum_gauge_counts_down_from_ambient_and_says_so(name, reading, pa):
    log = made({**BASE, name: reading})
    np.testing.assert_allclose(log.manifold_pressure_pa, pa, rtol=1e-6)
    (note,) = [words for words, kind in zip(log.assumptions, kinds(log), strict=True) if kind is Note.VACUUM]
    unit = name.split("(")[1].rstrip(")")
    assert f"units={{'manifold_pressure': '{unit} absolute'}}" in note
    other = made({**BASE, name: reading}, units={"manifold_pressure": f"{unit} absolute"})
    np.testing.assert_allclose(other.manifold_pressure_pa, 101325 - pa, rtol=1e-6)


@pytest.mark.parametrize(
    ("name", "reading", "unit", "pa"),
    [
        ("Vac", 18.0, "inHg vacuum", 101325 - 18 * 3386.389),
        ("Vacuum", 450.0, "mmHg vacuum", 101325 - 450 * 133.3224),
        ("Boost", 2.0, "psi gauge", 101325 + 2 * 6894.757),
    ],
)
def test_a_gauge_that_states_no_unit_is_asked_for_it_with_one_that_fits(name, reading, unit, pa):
    log = made({**BASE, name: reading})
    assert log.manifold_pressure_pa is None
    assert f'manifold_pressure = "{unit}" under [log.units]' in " ".join(log.assumptions)
    told = made({**BASE, name: reading}, units={"manifold_pressure": unit})
    np.testing.assert_allclose(told.manifold_pressure_pa, pa, rtol=1e-6)


def test_a_vacuum_that_reads_more_than_a_gauge_can_stays_open():
    log = made({**BASE, "Vacuum (kPa)": np.linspace(30, 100, N)})
    assert log.manifold_pressure_pa is None
    assert ColumnFault.EITHER_WAY in kinds(log)


# --- mixture ------------------------------------------------------------------------------------


def overrun(share: float, burning: float, ceiling: float) -> np.ndarray:
    """Readings of which a share stand at the display's ceiling, as on a long hill."""
    return np.where(np.arange(N) < share * N, ceiling, burning + 0.001 * np.arange(N))


@pytest.mark.parametrize("share", [0.0, 0.3, 0.7])
@pytest.mark.parametrize(
    ("name", "burning", "ceiling", "expected"),
    [
        ("Lambda", 0.9, 16.0, "lambda"),
        ("Lambda (lambda)", 0.9, 16.0, "lambda"),
        ("Wideband", 0.9, 16.0, "lambda"),
        ("AFR", 13.0, 20.9, "AFR"),
        ("AFR", 13.0, 235.2, "AFR"),
        ("Lambda (AFR)", 13.0, 235.2, "AFR"),
        ("Lambda", 13.0, 22.0, "AFR"),
        ("Wide Band", 13.0, 18.7, "AFR"),
        ("WB_Oxy", 13.0, 18.4, "AFR"),
        ("AFR", 0.9, 1.6, "lambda"),
    ],
)
def test_lambda_is_told_from_afr_where_the_engine_idles_not_by_overrun(name, burning, ceiling, expected, share):
    # It overruns at speed and idles at the end.
    rpm = np.where(np.arange(N) < share * N, 3000.0, 900.0)
    log = made({"Time (s)": SECONDS, "RPM": rpm, name: overrun(share, burning, ceiling)})
    assert log.columns[2].unit == expected


@pytest.mark.parametrize(("name", "unit"), [("Lambda Bank 1", "lambda"), ("AFR", "AFR"), ("O2 (lambda)", "lambda")])
def test_where_the_engine_never_idles_the_name_counts(name, unit):
    # A few rows of overrun: as AFR half of them would burn, but nobody idles.
    log = read(f"Time,RPM,{name}\n0.1,4100,2.2\n0.2,4100,8.1\n0.3,4100,16\n0.4,4100,16\n".encode())
    assert log.columns[2].unit == unit
    pulls = {"Time (s)": SECONDS, "RPM": 4000.0, name: np.where(np.arange(N) < 5, 20.9, 12.5 + 0.01 * np.arange(N))}
    assert made(pulls).columns[2].unit == "AFR"


@pytest.mark.parametrize(
    ("values", "kind", "words"),
    [
        (
            np.where(np.arange(N) < 57, 512.0, 400.0),
            ColumnFault.STUCK,
            "95 % of its rows stand at 512, no lambda and no AFR",
        ),
        (np.zeros(N), ColumnFault.STUCK, "100 % of its rows stand at 0, .*the sensor is stuck or not connected"),
        (500.0 + np.arange(N), ColumnFault.NO_MIXTURE, r"its values \(median 529.5\) are neither lambda nor AFR"),
    ],
)
def test_a_refusal_names_the_commonest_reason(values, kind, words):
    with pytest.raises(nc.LogFormatError, match=words):
        made({**BASE, "Lambda": values})
    # With another column to go by the same is a note.
    assert kind in kinds(made({**BASE, "Lambda": values, "Lambda rear": LAMBDA}))


def test_rows_of_which_none_can_be_used_name_the_commonest_reason():
    rows = "".join(f"{k / 10},900,\n" for k in range(9)) + "1.0,,0.9\n"
    with pytest.raises(nc.LogFormatError, match=r"at once \(90 %: no number for the mixture\)"):
        read(("Time,RPM,Lambda\n" + rows).encode())


def lively(n: int = 3000) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(3)
    rpm = 2500 + 800 * np.sin(np.arange(n) / 40) + rng.normal(0, 25, n)
    return np.arange(n) / 10, rpm, np.round(0.95 + rng.normal(0, 0.02, n), 2)


@pytest.mark.parametrize("sign", [1, -1])
def test_adjoining_end_levels_that_are_held_are_one_end(sign):
    time_s, rpm, reading = lively()
    end, flag = (1.39, CEILING) if sign > 0 else (0.62, FLOOR)
    hold = (np.arange(len(rpm)) % 300) > 250
    # The display dithers: mostly one level, the one beyond it for a second or two.
    reading[hold] = end
    beyond = hold & ((np.arange(len(rpm)) % 300) > 280)
    reading[beyond] = end + 0.01 * sign
    found = flag_rows(time_s, rpm, reading)
    assert (found[hold] == flag).all()
    assert not found[~hold].any()


def test_a_level_below_the_ceiling_that_is_passed_through_is_none():
    time_s, rpm, reading = lively()
    hold = (np.arange(len(rpm)) % 300) > 270
    reading[hold] = 1.40
    # Held once too, but its neighbours below are as frequent: a lean cruise, not the display's end.
    reading[100:115], reading[120:135], reading[140:155] = 1.39, 1.38, 1.37
    found = flag_rows(time_s, rpm, reading)
    assert (found[hold] == CEILING).all()
    assert not found[~hold].any()


def test_overrun_at_a_dithering_ceiling_is_not_taken_for_a_frozen_sensor():
    time_s, rpm, reading = lively()
    reading[500:900], reading[1000:1050] = 1.38, 1.39
    found = flag_rows(time_s, rpm, reading)
    assert not (found == FROZEN).any()
    assert np.count_nonzero(found == CEILING) == 450


# --- time ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "form",
    [
        "10:00:{:06.3f}",
        "5-May-2031 10:00:{:06.3f}",
        "05 Mai 2031 10:00:{:06.3f}",
        "5. März 2031 10:00:{:06.3f}",
        "Fri May 05 10:00:{:06.3f} 2031",
        "Fri, 05 Dec 2031 10:00:{:06.3f}",
        "Aug 5, 2031 10:00:{:06.3f} AM",
        "05/05/2031 10:00:{:06.3f}",
        "2031-05-05T10:00:{:06.3f}+02:00",
        "2031-05-05 10:00:{:06.3f} UTC",
    ],
)
def test_clocks_with_date_month_name_and_milliseconds(form):
    rows = "".join(f'"{form.format(k / 4)}",900,0.95\n' for k in range(8))
    log = read(("Time,RPM,Lambda\n" + rows).encode())
    np.testing.assert_allclose(log.time_s, np.arange(8) / 4, atol=1e-9)
    assert Note.CLOCK in kinds(log)


@pytest.mark.parametrize("cell", ["lap 3 1:23.4", "x10:00", "May 5", "5-Brumaire-2031 10:00:00", "10.00.00", "1:2:3:4:5"])
def test_what_is_no_clock(cell):
    with pytest.raises(nc.LogFormatError, match="'Time' is not used as time: it holds no numbers"):
        read(("Time,RPM,Lambda\n" + f"{cell},900,0.95\n" * 5).encode())


def test_blocks_pasted_in_again_count_once_and_are_said():
    head = "Time (s),RPM,Lambda\n"
    log = read((head + rows_of(0, 80) + rows_of(30, 60) + rows_of(80, 120)).encode())
    assert len(log.rpm) == 120
    np.testing.assert_allclose(log.time_s, np.arange(120) / 10, atol=1e-9)
    assert dict(log.dropped) == {RowFault.PASTED: 30}
    assert "A block of rows stands in the file more than once (30 rows again): it counts once." in log.assumptions
    assert sum(count for _, count in log.fates()) == 150
    # The whole file twice, with its header.
    twice = read((head + rows_of(0, 80)).encode() * 2)
    assert dict(twice.dropped) == {RowFault.PASTED: 80, RowFault.HEADER_AGAIN: 1}


def test_a_restart_of_the_logger_is_no_pasted_block():
    head = "Time (s),RPM,Lambda\n"
    other = "".join(f"{k / 10:.1f},{2000 + k},0.88\n" for k in range(40))
    log = read((head + rows_of(0, 80) + other).encode())
    assert len(log.rpm) == 120
    assert Note.RESTART in kinds(log)
    # At rest two sessions may well be alike.
    rest = "".join(f"{k / 10:.1f},0,1.20\n" for k in range(20))
    assert len(read((head + rest + rest).encode()).rpm) == 40
