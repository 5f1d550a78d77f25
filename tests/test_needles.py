"""Tables of many needles: what is read, what is refused, and where; and that the cure of each refusal works."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from conftest import DIAMETERS_MM, STATIONS_MM
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import needlecalc as nc

DATA = Path(__file__).parent.parent / "data"
sys.path.insert(0, str(DATA))

from make_needles import family, lines  # noqa: E402

THIN = DIAMETERS_MM - 0.01


def by_row(*rows, head="needle,pitch_mm,station_1_mm,station_2_mm,station_3_mm"):
    return "\n".join([head, *rows]) + "\n"


@pytest.fixture
def read(tmp_path):
    def reader(text, **kwargs):
        file = tmp_path / "box.csv"
        file.write_text(text, encoding="utf-8")
        return nc.read_needles(file, **kwargs)

    return reader


def test_the_invented_needles_are_those_of_their_script():
    text = (DATA / "needles.csv").read_text(encoding="utf-8")
    assert text == "\n".join(lines()) + "\n"
    assert "Invented" in text.splitlines()[0]
    found = nc.read_needles(DATA / "needles.csv")
    assert (len(found.needles), found.refused, found.left_out) == (60, (), ())
    for needle, (name, diameters) in zip(found.needles, family().items(), strict=True):
        assert needle.name == name
        np.testing.assert_array_equal(needle.diameters_mm, diameters)
        np.testing.assert_allclose(needle.stations_mm, 3.175 * np.arange(len(diameters)), rtol=1e-15)
    assert {needle.stations_mm.size for needle in found.needles} == {12, 13}  # the blanks at their ends


def test_one_needle_reads_the_same_in_every_form(read):
    # 25.4 mm to the inch is exact (ISO 31; NIST SP 811, table of conversion factors, from memory).
    both = {"own": DIAMETERS_MM.tolist(), "thin": THIN.tolist()}
    each = list(enumerate(STATIONS_MM.tolist(), start=1))
    heads = ",".join(f"station_{k}_in" for k, _ in each)
    rows = [f"{name},0.125,0,{','.join(repr(d / 25.4) for d in row)}" for name, row in both.items()]
    long = [f"{name},{k},{z!r},{row[k - 1]!r}" for name, row in both.items() for k, z in each]
    columns = [f"{k},{z!r},{both['own'][k - 1]!r},{both['thin'][k - 1] / 25.4!r}" for k, z in each]
    texts = [
        "\n".join(["needle,station,distance_mm,diameter_mm", *long]),
        "\n".join(["Station,Distance_mm,own_mm,Thin_in", *columns]),
        "\n".join([f"needle,pitch_in,first_station_in,{heads}", *rows]),
    ]
    for text in texts:
        found = read(text)
        own, thin = found.needles
        assert (own.name, thin.name.lower(), found.left_out) == ("own", "thin", ())
        assert (thin.name == "Thin") == ("Thin" in text)
        for needle, diameters in ((own, DIAMETERS_MM), (thin, THIN)):
            np.testing.assert_allclose(needle.stations_mm, STATIONS_MM, rtol=1e-12)
            np.testing.assert_allclose(needle.diameters_mm, diameters, rtol=1e-12)


def test_the_unit_and_the_pitch_may_be_arguments(read):
    text = "needle,station_1,station_2,3\na,.0950,.0940,.0930\n"
    with pytest.raises(nc.LogFormatError, match=r"line 1: name the columns.*station_1_mm.*or all of them _in"):
        read(text, pitch_mm=3.175)
    (refused,) = read(text, unit="in").refused
    assert "pitch_mm" in refused[1]
    (needle,) = read(text, unit="in", pitch_mm=3.175, first_station_mm=1.5).needles
    np.testing.assert_allclose(needle.diameters_mm, [2.413, 2.3876, 2.3622], rtol=1e-12)
    np.testing.assert_allclose(needle.stations_mm, [1.5, 4.675, 7.85])
    (needle,) = read("station,a\n1,.0950\n2,.0940\n", unit="in", pitch_mm=3.175).needles
    np.testing.assert_allclose(needle.diameters_mm, [2.413, 2.3876], rtol=1e-12)
    (refused,) = read("station,a\n1,.0950\n2,.0940\n", pitch_mm=3.175).refused
    assert "box.csv, column a: no column diameter_mm or diameter_in; name the column with its unit" in refused[1]


def test_a_mark_a_blank_and_inches_are_refused_with_their_place_and_the_others_read(read):
    text = by_row(
        "good,3.175,2.45,2.40,2.35", "mark,3.175,2.45,2.40+,2.35", "blank,3.175,2.45,,2.35", "inch,3.175,.0950,.0940,.0930"
    )
    found = read(text)
    assert [needle.name for needle in found.needles] == ["good"]
    why = dict(found.refused)
    assert "box.csv, line 3, station 2: '2.40+' is not a number; measure that station and type it." in why["mark"]
    assert "box.csv, line 4, station 2: nothing stands there; measure that station" in why["blank"]
    assert "looks like inches" in why["inch"]
    # What the messages advise works.
    filled = read(text, fill_blanks=True)
    (blank,) = (needle for needle in filled.needles if needle.name == "blank")
    assert blank.interpolated == (2,)
    assert blank.diameters_mm[1] == pytest.approx(2.40)
    assert "mark" in dict(filled.refused)
    (inch,) = read(
        by_row("inch,3.175,.0950,.0940,.0930", head="needle,pitch_mm,station_1_in,station_2_in,station_3_in")
    ).needles
    assert inch.diameters_mm[0] == pytest.approx(2.413)


def test_lengths_pitches_and_where_the_numbers_come_from(read):
    head = "needle,source,pitch_mm,first_station_mm,bin,station_1_mm,station_2_mm,station_3_mm"
    found = read(by_row("short,page 4 of the green book,3.175,,3,2.45,2.40,", "fine,,2.0,0.5,3,2.45,2.40,2.35", head=head))
    short, fine = found.needles
    np.testing.assert_allclose(short.stations_mm, [0.0, 3.175])
    np.testing.assert_allclose(fine.stations_mm, [0.5, 2.5, 4.5])
    assert short.source == "box.csv, line 2, page 4 of the green book"
    assert fine.source == "box.csv, line 3"
    assert found.left_out == (("box.csv", "bin"),)
    (long,) = read("needle,station,pitch_in,source,diameter_mm\na,1,0.125,shelf,2.45\na,2,,,2.40\n").needles
    np.testing.assert_allclose(long.stations_mm, [0.0, 3.175])
    assert long.source == "box.csv, shelf"
    assert "2 needles read, 0 refused; columns not read: bin of box.csv" in str(found)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (by_row("a,3.175,2.45,2.40,2.35", "a,3.175,2.44,2.40,2.35"), "a is named twice"),
        (by_row(",3.175,2.45,2.40,2.35"), "no needle is named"),
        (by_row("a,x,2.45,2.40,2.35"), "box.csv, line 2, station 1, column pitch_mm: 'x' is not a number"),
        (
            by_row("a,3.175,2.45,2.40,2.35", head="needle,pitch_mm,station_1_mm,station_2_mm,station_4_mm"),
            "4 stands where station 3",
        ),
        (by_row("a,3.175,2.40,2.45,2.35"), "reversed taper 1 to 2"),
        (by_row("a,3.175,,,"), "nothing stands there"),
        ("needle,station,diameter_mm\na,1,2.45\na,3,2.35\n", "3 stands where station 2 must"),
    ],
)
def test_nothing_is_guessed(read, text, why):
    found = read(text, pitch_mm=3.175)
    assert not found.needles
    assert all(why in one for _, one in found.refused)
    assert found.refused


def test_a_row_of_another_length_is_named(read):
    with pytest.raises(nc.LogFormatError, match=r"box\.csv, line 3: 6 cells, but the header has 5; a decimal comma"):
        read(by_row("a,3.175,2.45,2.40,2.35", "b,3.175,2,45,2.40,2.35"))


def test_a_folder_reads_what_it_can(tmp_path):
    (tmp_path / "a.csv").write_text(by_row("one,3.175,2.45,2.40,2.35"))
    (tmp_path / "b.csv").write_text("station,distance_mm,diameter_mm\n1,0,2.45\n2,3.175,2.40\n")
    (tmp_path / "c.csv").write_text("time_s,rpm\n0,900\n")
    (tmp_path / "d.txt").write_text("no table")
    found = nc.read_needles(tmp_path)
    assert [needle.name for needle in found.needles] == ["one", "b"]
    ((name, why),) = found.refused
    assert name == "c"
    assert "no column diameter_mm or diameter_in" in why
    assert [row["needle"] for row in found.rows()] == ["one", "b", "c"]


CELL = st.sampled_from(["2.45", "2.40", "2.35", "", "2.3+", "nan", "-", ".0940", "x", "1e9", "#"])


@given(rows=st.lists(st.lists(CELL, min_size=3, max_size=3), min_size=1, max_size=6))
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_every_row_is_a_needle_or_refused_with_its_line(tmp_path, rows):
    file = tmp_path / "box.csv"
    file.write_text(by_row(*(f"n{k},3.175,{','.join(cells)}" for k, cells in enumerate(rows))))
    found = nc.read_needles(file)
    names = [needle.name for needle in found.needles] + [name for name, _ in found.refused]
    assert sorted(names) == [f"n{k}" for k in range(len(rows))]
    for needle in found.needles:
        cells = rows[int(needle.name[1:])]
        assert [float(cell) for cell in cells[: needle.stations_mm.size]] == needle.diameters_mm.tolist()
        assert set(cells[needle.stations_mm.size :]) <= {"", "nan"}
