"""Every plot readable at half width and in grey: legends off the points, intervals, alt text; nothing else changed."""

from __future__ import annotations

import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import matplotlib
import numpy as np
import pytest
from conftest import DIAMETERS_MM, STATIONS_MM, asked, make_setup
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.text import Text
from test_slide import SLIDE, slide_setup

import needlecalc as nc
from needlecalc.report.axes import STYLE, WIDE, drawn
from needlecalc.report.language import words_plot
from needlecalc.report.plot import FINAL, NOW, PLOTS, STOP

LIFTS = np.linspace(2.0, 25.0, 8)
LEAST_POINTS = 5.5  # of type at half width: small print is 6 points (common practice, no source)
SHOWN_TWICE = 0.15  # of lightness, by which two greys are told apart


@pytest.fixture(scope="module")
def records():
    setup = make_setup(drop_min_mm=0.8, drop_max_mm=2.6)
    load = ("idle", *("light",) * 3, *("full",) * 4)
    target = asked(setup, LIFTS, np.linspace(1.0, 1.15, 8), 0.95, load=load, lambda_se=0.012, lift_u_mm=0.4)
    design = nc.solve(target, setup, doubts=nc.Doubts(flow_gain=0.15), with_alternatives=False)
    driven = replace(target.bands, lambda_measured=design.stop.expected * 1.01)
    present = design.present()
    history = nc.History((nc.Pass(present, 1.6, target.bands),)).then(design.stop.needle, design.drop_mm, driven)
    return {
        nc.Design: design,
        nc.design.Comparison: nc.compare(setup, present, design.needle, bands=target.bands),
        nc.design.Ranking: nc.rank([present, replace(present, name="next")], target, setup),
        nc.design.Budget: design.budget(),
        nc.design.Learned: nc.learn(history, setup, doubts=design.learned.doubts),
    }


EVERY = [(kind, part) for kind, parts in PLOTS.items() for part in parts]


@pytest.mark.parametrize(("kind", "part"), EVERY, ids=lambda one: getattr(one, "__name__", one))
def test_every_plot_is_readable(records, kind, part):
    before = dict(matplotlib.rcParams)
    ax = nc.plot(records[kind], part)
    figure = ax.get_figure()
    FigureCanvasAgg(figure).draw()
    legend = ax.get_legend()
    if legend is not None:
        box, inside = legend.get_window_extent(), ax.get_window_extent()
        assert box.y0 >= inside.y1 - 1.0
        assert box.x0 >= 0.0
        assert box.y1 <= figure.bbox.y1
    for axis, (low, high) in ((ax.xaxis, ax.get_xlim()), (ax.yaxis, ax.get_ylim())):
        ticks = [tick.label1 for tick in axis.get_major_ticks() if low <= tick.get_loc() <= high]
        assert len(ticks) >= 3
        for text in filter(Text.get_text, (axis.label, *ticks)):
            assert text.get_fontsize() / 2.0 >= LEAST_POINTS
            box = text.get_window_extent()
            assert min(box.x0, box.y0) >= -1.0, text.get_text()
    assert figure.get_figwidth() == WIDE
    assert ax.get_title() == ""
    template = words_plot.CAPTIONS[f"{kind.__name__} {part}"]
    assert re.match(re.sub(r"\\\{.*?\}", ".+", re.escape(template)), ax.get_label())
    assert not set("{}") & set(ax.get_label())
    assert matplotlib.rcParams == before
    # The same on axes of one's own, whatever their figure.
    own = Figure(figsize=(3.0, 2.0)).add_subplot()
    assert nc.plot(records[kind], part, ax=own) is own
    assert len(own.lines) == len(ax.lines)
    assert matplotlib.rcParams == before


def test_every_plot_has_its_caption():
    assert {f"{kind.__name__} {part}" for kind, part in EVERY} == set(words_plot.CAPTIONS)


def test_lines_are_told_apart_without_colour():
    grey = [0.299 * r + 0.587 * g + 0.114 * b for r, g, b in (to_rgb(one["color"]) for one in (NOW, FINAL, STOP))]
    assert abs(grey[0] - grey[1]) > SHOWN_TWICE
    assert abs(grey[1] - grey[2]) > SHOWN_TWICE
    assert len({one["marker"] for one in (NOW, FINAL, STOP)}) == 3
    assert len({one["linestyle"] for one in (NOW, FINAL, STOP)}) == 3


def test_the_cut_shows_intervals_and_what_lies_beyond_the_data(records):
    design = records[nc.Design]
    ax = nc.plot(design, "cut")
    hollow = next(line for line in ax.lines if line.get_label() == "beyond the data")
    assert hollow.get_markerfacecolor() == "white"
    np.testing.assert_allclose(hollow.get_xdata(), STATIONS_MM[~design.stations.supported])
    # 90 % of a normal distribution: 1.645 standard uncertainties to either side (tables of the normal distribution).
    known = np.isfinite(design.stations.u_um)
    ends = np.array([path.vertices[:, 1] for path in ax.collections[0].get_paths()])
    assert known.any()
    np.testing.assert_allclose(np.ptp(ends, axis=1)[known], 2 * 1.645 * design.stations.u_um[known])


def test_passes_are_drawn_as_predicted_and_as_measured(records):
    learned = records[nc.design.Learned]
    first, second = learned.history.passes
    outcome = nc.compare_pass(
        nc.learn(first.bands, records[nc.Design].setup, doubts=learned.doubts),
        second.bands,
        needle=second.needle,
        drop_mm=second.drop_mm,
    )
    ax = nc.plot(learned)
    for line, one in zip(ax.lines, (first, second), strict=True):
        np.testing.assert_allclose(line.get_ydata(), one.bands.lambda_measured)
    ends = np.array([path.vertices[:, 1] for path in ax.collections[0].get_paths()])
    np.testing.assert_allclose(ends, np.column_stack([outcome.lambda_low, outcome.lambda_high]), rtol=1e-6)
    assert f"{outcome.inside.sum()} of {outcome.inside.size} readings" in ax.get_label()


def test_a_drive_with_nothing_changed_was_not_predicted():
    setup = make_setup()
    bands = nc.typed_bands([900, 3000], [0.97, 1.1], lift_mm=[3.0, 14.0])
    needle = setup.carburettor.needle
    again = replace(bands, lambda_measured=bands.lambda_measured + 0.01)
    ax = nc.plot(nc.learn(nc.History((nc.Pass(needle, 1.6, bands),)).then(needle, 1.6, again), setup))
    assert "0 of 0 readings" in ax.get_label()
    assert [line.get_label() for line in ax.lines] == ["first drive", "later drives"]


def test_a_notebook_shows_the_picture_with_its_words(records):
    ax = nc.plot(records[nc.Design])
    png, about = ax._repr_png_()
    assert png.startswith(b"\x89PNG")
    assert about == {"alt": ax.get_label()}


def test_a_part_that_is_not_there_is_told_with_those_that_are(records):
    with pytest.raises(nc.InputError, match="'lamda', but must be 'profile' or 'cut' or 'lambda', as a Design has"):
        nc.plot(records[nc.Design], "lamda")
    for part in ("profile", "cut", "lambda"):
        nc.plot(records[nc.Design], part)
    bare = nc.compare(make_setup(), nc.Needle("n", STATIONS_MM, DIAMETERS_MM), nc.Needle("m", STATIONS_MM, DIAMETERS_MM))
    with pytest.raises(nc.InputError, match=r"without bands.*give compare\(\) the bands"):
        nc.plot(bare, "lambda")


def test_the_same_plot_is_the_same_file(records):
    def made():
        return drawn(nc.plot(records[nc.Design]), "svg", dict.fromkeys(("Date", "Creator", "Format", "Type")))

    assert made() == made()
    assert b"<text" in made()  # words stay words
    assert STYLE["font.size"] == 12.0


def test_drawing_needs_no_windows():
    code = (
        "import sys, needlecalc as nc; from needlecalc.example import road; "
        "nc.plot(nc.compare(road.setup, *[road.setup.carburettor.needle] * 2)).figure.savefig('/dev/null', format='svg'); "
        "print('matplotlib.pyplot' in sys.modules)"
    )
    root = Path(nc.__file__).parents[1]
    found = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True, cwd=root)
    assert found.stdout.strip() == "False"


def test_under_a_slide_no_shoulder_and_no_lift_are_named():
    setup = slide_setup(replace(SLIDE, usual_depression_pa=1800.0))
    bands = nc.typed_bands([1500, 4500], [1.0, 1.1], lift_mm=[3.0, 20.0], air_flow_g_s=[2.0, 30.0])
    needle = setup.carburettor.needle
    found = nc.compare(setup, needle, needle, bands=nc.with_lift(bands, setup))
    for part, words in (("profile", "from station 1"), ("difference", "from station 1"), ("lambda", "opening of the slide")):
        assert words in nc.plot(found, part).get_xlabel()
