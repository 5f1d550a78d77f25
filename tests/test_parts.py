"""Parts refuse what cannot be, one sentence each, and show themselves."""

from __future__ import annotations

import numpy as np
import pytest
from conftest import DIAMETERS_MM, STATIONS_MM, asked, make_setup
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import trapezoid

import needlecalc as nc
from needlecalc.units import degc_from_degf, inch_from_mm

VALVE = {"throat_bore_mm": 38.0, "disc_diameter_mm": 60.0, "piston_mass_kg": 0.26, "spring_preload_n": 1.2}


@pytest.mark.parametrize(
    ("make", "match"),
    [
        (lambda: nc.Needle("n", [0, 3, 2], [2.4, 2.3, 2.2]), "stations must rise"),
        (lambda: nc.Needle("n", [0, 3, 6], [2.4, 2.3, 2.35]), "reversed taper 2 to 3"),
        (lambda: nc.Needle("n", [0, 3, 6], [0.0895, 0.0868, 0.0842]), "looks like inches"),
        (lambda: nc.Needle("n", [0, 0.125, 0.25], [2.4, 2.3, 2.2]), "looks like inches"),
        (lambda: nc.Needle("n", [0], [2.4]), "at least two"),
        (lambda: nc.Needle("n", [0, 3], [2.4]), "equally long"),
        (lambda: nc.Needle("n", [0, 3], [9.0, 2.0]), "check the unit"),
        (lambda: nc.Needle("n", [0, 3], [2.4, float("nan")]), "entry 2 is nan"),
        (lambda: nc.Needle("n", [0, 3], [2.4, 2.3]).diameter_at_mm(5.0), "measure more stations"),
        (lambda: nc.Jet(bore_mm=0.1, drop_mm=1.6), "0.1 in is 2.54 mm"),
        (lambda: nc.Jet(bore_mm=2.54, drop_mm=1.6, drop_min_mm=1.0), "go together"),
        (lambda: nc.Jet(bore_mm=2.54, drop_mm=1.6, drop_min_mm=2.0, drop_max_mm=3.0), "the nut's range"),
        (lambda: nc.Jet(bore_mm=2.54, drop_mm=1.6, drop_min_mm=1.0, drop_max_mm=np.inf), "drop_max_mm is inf, but must lie"),
        (lambda: nc.Jet(bore_mm=2.54, drop_mm=1.6, mounting="loose"), "'centred' or 'biased'"),
        (lambda: nc.AirValve(**{**VALVE, "throat_bore_mm": 1.5}), "looks like inches"),
        (lambda: nc.AirValve(**{**VALVE, "piston_mass_kg": 260.0}), "in kg"),
        (lambda: nc.Engine(1500.0, 0), "whole number"),
        (lambda: nc.Fuel(ethanol_percent=120.0), "ethanol_percent is 120"),
        (lambda: nc.Air(pressure_pa=950.0), "One hPa or mbar is 100 Pa"),
        (lambda: nc.Air(humidity="wet"), "must be a number"),
        (lambda: nc.Air(101300.0, altitude_m=1600.0), "looks reduced to sea level.*it would be 835.. Pa"),
        (lambda: nc.Air(83500.0, altitude_m=0.0), "fits neither.*the standard atmosphere has 101325 Pa there"),
        (lambda: nc.Air(altitude_m=9000.0), "metres above sea level"),
        (lambda: nc.Jet(bore_mm=2.54, drop_mm=1.6, bore_least_mm=2.60), "bore_mm is the greatest bore"),
        (
            lambda: nc.Carburettor(
                nc.Needle("n", [0, 3], [2.52, 2.5]),
                nc.Jet(bore_mm=2.54, drop_mm=1.6, bore_least_mm=2.51),
                nc.AirValve(**VALVE),
            ),
            "the jet's bore is only 2.5100 mm",
        ),
        (
            lambda: nc.Carburettor(
                nc.Needle("n", [0, 3], [2.6, 2.5]), nc.Jet(bore_mm=2.54, drop_mm=1.6), nc.AirValve(**VALVE)
            ),
            "must be thinner than its jet",
        ),
    ],
)
def test_refusals(make, match):
    with pytest.raises(nc.InputError, match=match):
        make()


def test_needle_table_files(tmp_path):
    file = tmp_path / "needle.csv"
    file.write_text("# in inches\nstation,distance_in,diameter_in\n1,0,.0895\n2,.125,.0868\n")
    needle = nc.read_needle(file)
    np.testing.assert_allclose(needle.stations_mm, [0.0, 3.175])
    np.testing.assert_allclose(needle.diameters_mm, [2.2733, 2.20472])
    file.write_text("station,diameter_mm\n1,2.4\n2,2.3\n")
    assert nc.read_needle(file, pitch_mm=3.0, first_station_mm=1.0).stations_mm.tolist() == [1.0, 4.0]
    for wrong in ({"pitch_mm": float("nan")}, {"pitch_mm": 0.0}, {"pitch_mm": 3.0, "first_station_mm": float("nan")}):
        with pytest.raises(nc.InputError, match=r"(pitch|first_station)_mm is (nan|0), but must lie between"):
            nc.read_needle(file, **wrong)
    for text, match in [
        ("station,diameter_mm\n1,2.4\n2,2.3\n", "pitch_mm"),
        ("station,distance_mm,diameter\n1,0,2.4\n", "line 1: no column diameter_mm or diameter_in"),
        ("station,distance_mm,diameter_mm\n1,0,2.4\n2,3,\n", "line 3, column diameter_mm: nothing"),
        ("station,distance_mm,diameter_mm\n1,0,2.4\n2,3,2.3+\n", r"'2.3\+' is not a number"),
        ("station,distance_mm,diameter_mm\n1,0\n", "line 2: 2 cells"),
        ("# nothing\n", "holds no table"),
    ]:
        file.write_text(text)
        with pytest.raises(nc.LogFormatError, match=match):
            nc.read_needle(file)
    with pytest.raises(nc.LogFormatError, match="cannot be read"):
        nc.read_needle(tmp_path / "none.csv")


def test_outline_is_the_trapezoids_of_the_table():
    needle = nc.Needle("n", STATIONS_MM, DIAMETERS_MM)
    assert needle.outline().area == pytest.approx(trapezoid(DIAMETERS_MM, STATIONS_MM))
    assert needle.outline().is_valid


def test_records_show_themselves():
    setup = make_setup()
    parts = (setup, setup.engine, setup.carburettor, setup.carburettor.needle, setup.carburettor.jet, setup.fuel, setup.air)
    for record in (*parts, setup.carburettor.air_valve):
        assert "\n" not in repr(record)
        assert len(record.to_frame()) == len(record.rows())
        assert "<table>" in record._repr_html_()
    with pytest.raises(ValueError, match="read-only"):
        setup.carburettor.needle.diameters_mm[0] = 1.0


@given(st.floats(-1e3, 1e3))
def test_unit_round_trips(value):
    assert inch_from_mm(value * 25.4) == pytest.approx(value, abs=1e-9)
    assert degc_from_degf(value * 1.8 + 32.0) == pytest.approx(value, abs=1e-9)


def test_station_pressure_at_an_altitude_is_taken():
    # 1600 m of the standard atmosphere (ICAO Doc 7488): 835 hPa; a weather high of 1030 hPa there: some 850 hPa.
    assert nc.Air(83500.0, altitude_m=1600.0).density_kg_m3() == nc.Air(83500.0).density_kg_m3()
    assert nc.Air(85000.0, altitude_m=1600.0).pressure_pa == 85000.0
    warm = nc.Air.at_altitude(1600.0, temperature_degc=25.0, humidity=0.4)
    assert warm.pressure_pa == pytest.approx(83524.0, abs=10.0)
    assert (warm.temperature_degc, warm.humidity) == (25.0, 0.4)


def test_a_worn_jet_says_so_and_passes_more():
    setup, worn = make_setup(), make_setup(bore_mm=2.56, bore_least_mm=2.54)
    assert "worn oval (2.54 mm the other way)" in repr(worn.carburettor.jet)
    lifts = np.array([1.0, 10.0, 25.0])
    ratio = nc.parts.fuel_flow(worn, lifts).fuel_flow_g_s / nc.parts.fuel_flow(setup, lifts).fuel_flow_g_s
    # Wear of 0.02 mm one way richens idle most.
    assert ratio[0] > 1.15 > 1.03 > ratio[2] > 1.0


# Scenario, invented: a dirty table: blank at station 7, "0.0730+" at 8, bare numbers that look like inches.
N1_IN = (0.0895, 0.0868, 0.0842, 0.0815, 0.0788, 0.0760, 0.0732, 0.0704, 0.0676, 0.0648, 0.0620, 0.0592)


def n1_table(path, *, head="station,distance_in,diameter_in", **cells):
    """Table of the needle as typed, some cells of the diameter otherwise."""
    lines = [f"{k},{(k - 1) * 0.125:.3f},{cells.get(f's{k}', f'{d:.4f}')}" for k, d in enumerate(N1_IN, start=1)]
    path.write_text("\n".join([head, *lines]) + "\n")
    return path


def test_a_dirty_table_is_refused_with_its_cure(tmp_path):
    file = tmp_path / "n1.csv"
    with pytest.raises(nc.LogFormatError, match=r"n1\.csv, line 8, column diameter_in: nothing.*fill_blanks") as caught:
        nc.read_needle(n1_table(file, s7=""))
    assert (caught.value.line, caught.value.column) == (8, "diameter_in")
    with pytest.raises(
        nc.LogFormatError, match=r"line 9, column diameter_in: '0\.0730\+' is not a number; measure that station"
    ):
        nc.read_needle(n1_table(file, s8="0.0730+"), fill_blanks=True)
    # Bare numbers: no unit named, and then the wrong one.
    with pytest.raises(nc.LogFormatError, match="name the column with its unit"):
        nc.read_needle(n1_table(file, head="station,distance_in,diameter"))
    with pytest.raises(
        nc.InputError, match=r"0\.0895 mm, which looks like inches; give diameters in mm, or name their column diameter_in"
    ):
        nc.read_needle(n1_table(file, head="station,distance_in,diameter_mm"))


def test_a_blank_is_interpolated_only_when_asked_and_marked(tmp_path):
    needle = nc.read_needle(n1_table(tmp_path / "n1.csv", s7=""), fill_blanks=True)
    assert needle.interpolated == (7,)
    # By hand: half way from .0760 to .0704 in.
    assert needle.diameters_mm[6] == pytest.approx(0.0732 * 25.4)
    assert "Not measured but interpolated: 7" in str(needle)
    for end in ("s1", "s12"):
        with pytest.raises(nc.LogFormatError, match="the first and the last station must be measured"):
            nc.read_needle(n1_table(tmp_path / "n1.csv", **{end: ""}), fill_blanks=True)
    whole = nc.read_needle(n1_table(tmp_path / "n1.csv"), fill_blanks=True)
    assert whole.interpolated == ()
    # On the sheet before the first stroke, and marked in the plot at its place.
    setup = make_setup().with_needle(needle)
    design = nc.solve(asked(setup, [3.0, 8.0, 14.0, 20.0], [1.02, 1.03, 1.04, 1.05], 0.97), setup)
    said = "Present diameter not measured but interpolated: station 7. Measure it first."
    assert said in nc.grind_sheet(design).warnings()
    (cross,) = [line for line in nc.plot(design).lines if line.get_label() == "not measured"]
    assert cross.get_marker() == "x"
    assert cross.get_xdata().tolist() == pytest.approx([6 * 3.175])
    assert cross.get_ydata().tolist() == pytest.approx([0.0732 * 25.4 / 2.0])
    with pytest.raises(nc.InputError, match="stations run from 1 to 2"):
        nc.Needle("n", [0, 4], [2.4, 2.2], interpolated=(3,))


@pytest.mark.parametrize("cell", ["nan", "NaN", "inf", "-inf", "Infinity", "1e999"])
def test_a_figure_that_is_none_is_a_blank(tmp_path, cell):
    file = tmp_path / "n1.csv"
    with pytest.raises(nc.LogFormatError, match=rf"column diameter_in: '{cell}' is not measured; measure.*fill_blanks"):
        nc.read_needle(n1_table(file, s7=cell))
    for end in ("s1", "s12"):
        with pytest.raises(nc.LogFormatError, match="the first and the last station must be measured"):
            nc.read_needle(n1_table(file, **{end: cell}), fill_blanks=True)
    filled, empty = (nc.read_needle(n1_table(file, s7=one), fill_blanks=True) for one in (cell, ""))
    assert filled.interpolated == (7,)
    assert filled.diameters_mm.tolist() == empty.diameters_mm.tolist()
    every = {f"s{k}": cell for k in range(1, 13)}
    for fill in (False, True):
        with pytest.raises(nc.LogFormatError, match="line 2, column diameter_in"):
            nc.read_needle(n1_table(file, **every), fill_blanks=fill)
    file.write_text("station,distance_mm,diameter_mm\n1,0,2.4\n2,nan,2.3\n")
    with pytest.raises(nc.LogFormatError, match="column distance_mm: 'nan' is not measured; measure that station"):
        nc.read_needle(file)


# Lines of the table that stand in it, in their order; what is said, in a table with distances and in one without.
MISNUMBERED = {
    "one left out": ((1, 2, 3, 5, 6), "line 5, column station: 5 stands where station 4 must"),
    "the first left out": ((2, 3, 4), "line 2, column station: 2 stands where station 1 must"),
    "one twice": ((1, 2, 2, 3), "line 4, column station: 2 stands where station 3 must"),
    "from the tip": ((4, 3, 2, 1), "line 2, column station: 4 stands where station 1 must"),
    "from nought": ((0, 1, 2), "line 2, column station: 0 stands where station 1 must"),
    "two swapped": ((1, 3, 2, 4), "line 3, column station: 3 stands where station 2 must"),
}


@pytest.mark.parametrize("name", MISNUMBERED)
def test_a_table_with_a_line_left_out_or_out_of_order(tmp_path, name):
    numbers, match = MISNUMBERED[name]
    file = tmp_path / "needle.csv"
    file.write_text("station,diameter_mm\n" + "".join(f"{n},{2.5 - 0.05 * n:.2f}\n" for n in numbers))
    with pytest.raises(nc.LogFormatError, match=rf"{match}: none left out.*; add the line left out"):
        nc.read_needle(file, pitch_mm=3.0)
    rows = "".join(f"{n},{3 * n},{2.5 - 0.05 * n:.2f}\n" for n in numbers)
    file.write_text(f"station,distance_mm,diameter_mm\n{rows}")
    with pytest.raises(nc.LogFormatError, match=rf"{match}.*; number them 1, 2, 3 from the shoulder"):
        nc.read_needle(file)


def test_the_cures_of_a_line_left_out_work(tmp_path):
    file = tmp_path / "needle.csv"
    file.write_text("station,diameter_mm\n1,2.4\n2,2.3\n3,\n4,2.1\n")
    needle = nc.read_needle(file, pitch_mm=3.0, fill_blanks=True)
    assert (needle.stations_mm.tolist(), needle.interpolated) == ([0.0, 3.0, 6.0, 9.0], (3,))
    assert needle.diameters_mm.tolist() == pytest.approx([2.4, 2.3, 2.2, 2.1])
    # With distances the numbers may also be written anew: the metal stays where it was measured.
    file.write_text("station,distance_mm,diameter_mm\n1,0,2.4\n2,3,2.3\n3,9,2.1\n")
    assert nc.read_needle(file).stations_mm.tolist() == [0.0, 3.0, 9.0]
    # Without numbers a line left out would not show.
    file.write_text("diameter_mm\n2.4\n2.3\n")
    with pytest.raises(nc.LogFormatError, match=r"line 1: there is no station column.*number the stations 1, 2, 3"):
        nc.read_needle(file, pitch_mm=3.0)
    file.write_text("station,diameter_mm\n,2.4\n2,2.3\n")
    with pytest.raises(nc.LogFormatError, match="line 2, column station: nothing stands there; number the stations"):
        nc.read_needle(file, pitch_mm=3.0)


def test_two_columns_of_diameters_that_differ_are_asked_about(tmp_path):
    file = tmp_path / "needle.csv"
    both = "station,distance_mm,diameter_mm,diameter_in\n1,0,2.4003,0.09450\n2,3,2.3012,{}\n"
    file.write_text(both.format("0.09060"))
    assert nc.read_needle(file).diameters_mm.tolist() == [2.4003, 2.3012]  # one table in both units
    for cell, held in (("0.0916", "'0.0916'"), ("", "nothing")):
        file.write_text(both.format(cell))
        match = (
            rf"line 3: column 3, diameter_mm, holds '2.3012', but column 4, diameter_in, holds {held}; say .*diameter_column"
        )
        with pytest.raises(nc.LogFormatError, match=match):
            nc.read_needle(file)
    file.write_text(both.format("0.0900"))
    assert nc.read_needle(file, diameter_column="diameter_in").diameters_mm.tolist() == pytest.approx([2.4003, 2.286])
    assert nc.read_needle(file, diameter_column="diameter_mm").diameters_mm.tolist() == [2.4003, 2.3012]
    file.write_text("station,distance_mm,worn_mm,new_mm\n1,0,2.38,2.4\n2,3,2.28,2.3\n")
    assert nc.read_needle(file, diameter_column="new_mm").diameters_mm.tolist() == [2.4, 2.3]
    for wrong in ("old_mm", "station", ""):
        with pytest.raises(nc.LogFormatError, match=rf"diameter_column is '{wrong}', but must name .* worn_mm, new_mm"):
            nc.read_needle(file, diameter_column=wrong)
    # Two of one name cannot be told apart by it.
    file.write_text("station,distance_mm,diameter_mm,diameter_mm\n1,0,2.38,2.4\n2,3,2.28,2.3\n")
    with pytest.raises(nc.LogFormatError, match=r"column 4, diameter_mm, holds '2\.4'; rename the wrong one"):
        nc.read_needle(file)
    file.write_text("station,distance_mm,distance_in,diameter_mm\n1,0,0,2.4\n2,3,0.2,2.3\n")
    with pytest.raises(nc.LogFormatError, match=r"line 3: .*distance_in, holds '0\.2'; take the wrong one out"):
        nc.read_needle(file)
    present = nc.Needle("n", [0.0, 3.0], [2.4, 2.3])
    file.write_text("station,measured_mm,measured_in\n1,2.39,0.0941\n2,2.29,0.1\n")
    with pytest.raises(nc.LogFormatError, match=r"line 3: .*measured_in, holds '0\.1'; keep the right one"):
        nc.parts.read_readings(file, present)


def test_a_job_names_the_column_of_the_diameters(case):
    table = case.parent / "pass_van_needle.csv"
    rows = [line for line in table.read_text().splitlines() if not line.startswith("#")]
    table.write_text(
        "\n".join([rows[0] + ",worn_mm", *(f"{row},{float(row.split(',')[2]) - 0.01:.4f}" for row in rows[1:])])
    )
    new = nc.read_job(case).setup.carburettor.needle.diameters_mm
    named = 'file = "pass_van_needle.csv"\ndiameter_column = "worn_mm"'
    case.write_text(case.read_text().replace('file = "pass_van_needle.csv"', named))
    np.testing.assert_allclose(nc.read_job(case).setup.carburettor.needle.diameters_mm, new - 0.01)


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("station,distance_mm,diameter_mm\n1,0,2_40\n2,3,2.3\n", "column diameter_mm: '2_40' is not a number"),
        (f"station,distance_mm,diameter_mm\n1,0,{'x' * 5000}\n", r"column diameter_mm: 'x{39}\.\.\. is not a number"),
        (f"station,distance_mm,diameter_mm\n1,0,{'1' * 200_000}\n", "the cells cannot be told apart .* retype that line"),
        ("station,distance_mm,diameter_mm\n1,0,2.4\x1b[31m\n", r"'2\.4\\x1b\[31m' is not a number"),
    ],
)
def test_cells_are_repeated_short_and_on_one_line(tmp_path, text, match):
    file = tmp_path / "needle.csv"
    file.write_text(text)
    with pytest.raises(nc.LogFormatError, match=match) as caught:
        nc.read_needle(file)
    assert len(str(caught.value)) < 300
    assert str(caught.value).isprintable()


def test_a_name_that_no_file_can_have():
    for read in (nc.read_needle, lambda path: nc.parts.read_readings(path, nc.Needle("n", [0.0, 3.0], [2.4, 2.3]))):
        for name, match in (("a\0b", r"a\\x00b: .* cannot be read \(.*null"), ("n" * 5000, r"n{77}\.\.\.: .* too long")):
            with pytest.raises(nc.LogFormatError, match=match):
                read(name)


def test_tables_with_decimal_commas(tmp_path):
    file = tmp_path / "needle.csv"
    for text in (
        "station;distance_mm;diameter_mm\n1;0,000;2,2733\n2;3,175;2,2047\n",
        "station\tdistance_mm\tdiameter_mm\n1\t0.000\t2.2733\n2\t3.175\t2.2047\n",
    ):
        file.write_text(text)
        np.testing.assert_allclose(nc.read_needle(file).diameters_mm, [2.2733, 2.2047])
    file.write_text("station,distance_mm,diameter_mm\n1,0.000,2,2733\n")
    with pytest.raises(nc.LogFormatError, match=r"line 2: 4 cells.*a decimal comma divides cells too: write points"):
        nc.read_needle(file)
    file.write_text("station;measured_mm;measured_2_mm\n1;2,270;2,271\n2;2,200;\n")
    present = nc.Needle("n", [0.0, 3.175], [2.2733, 2.2047])
    np.testing.assert_allclose(nc.parts.read_readings(file, present), [[2.270, 2.200], [2.271, np.nan]])
