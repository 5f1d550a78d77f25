"""Paper in another language: every text has its like with the same figures, and no page says a word of its own."""

from __future__ import annotations

import ast
import json
import re
import string
from dataclasses import replace
from pathlib import Path

import matplotlib
import pypdfium2
import pytest
from conftest import DATA, DIAMETERS_MM, STATIONS_MM
from matplotlib.ft2font import FT2Font
from test_assumed import FOUR_THINGS
from test_golden_sheets import NOON, SHEETS, of_a_slide, of_a_slide_card, outlook_of, pages_of
from test_words import designs

import needlecalc as nc
from needlecalc.design.after.changes import try_changes
from needlecalc.report import language
from needlecalc.report.document import Printed, typeset
from needlecalc.report.language import spoken, texts_of, words, words_pages
from needlecalc.report.pages import FONT_FILES, pdf_of
from needlecalc.report.sheet import facts_of

SCREEN = {"words_after", "words_drive"}  # what is said on the screen alone
PACKAGE = Path(nc.__file__).parent
LANGUAGES = ("de",)


def texts(value):
    """Every text in a table, by its place in it."""
    if isinstance(value, str):
        return {(): value}
    inside = value.items() if isinstance(value, dict) else enumerate(value)
    return {(str(key), *place): text for key, one in inside for place, text in texts(one).items()}


def fields(template):
    """Figures of a template; an error's own sentence and the plural s need not stand in another language."""
    named = {field for _, field, _, _ in string.Formatter().parse(template) if field}
    return {field for field in named if field not in ("why", "s") and not field.endswith("_s")}


@pytest.mark.parametrize("spoken_here", LANGUAGES)
@pytest.mark.parametrize("room", sorted(set(texts_of("en")) - SCREEN))
def test_a_language_has_every_text_with_the_same_figures(spoken_here, room):
    english, there = texts_of("en")[room], texts_of(spoken_here)[room]
    assert set(english) == set(there)
    for name, value in english.items():
        ours, theirs = texts(value), texts(there[name])
        assert ours.keys() == theirs.keys(), name
        for place, template in ours.items():
            assert fields(template) == fields(theirs[place]), (name, place)
            assert bool(template) == bool(theirs[place]), (name, place)


def test_every_text_is_used_and_every_text_used_is_there():
    used = set()
    for file in PACKAGE.rglob("*.py"):
        tree = ast.parse(file.read_text("utf-8"))
        rooms = {
            name.asname or name.name: name.name
            for node in ast.walk(tree)
            if isinstance(node, ast.ImportFrom) and node.module == "needlecalc.report.language"
            for name in node.names
        }
        if file == Path(language.__file__):
            rooms = {name: name for name, room in vars(language).items() if isinstance(room, language.Texts)}
        named = (node for node in ast.walk(tree) if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name))
        used |= {(rooms[node.value.id], node.attr) for node in named if node.value.id in rooms and node.attr.isupper()}
    there = {(room, name) for room, names in texts_of("en").items() for name in names}
    assert used - there == set()
    own = {(room, name) for room, name in there if room == "words_slide"}
    assert there - used == own
    # What a slide says of its own stands in the place of another text.
    for room, names in texts_of("en")["words_slide"].items():
        said = texts(texts_of("en")[room])
        assert names.keys() <= texts_of("en")[room].keys()
        assert all(place in said or place[0] == "BEFORE_FILING" for place in texts(names)), room
    assert set(texts_of("de")) == set(texts_of("en")) - SCREEN
    with pytest.raises(AttributeError, match=r"no text words\.NOTHING"):
        _ = words.NOTHING


def test_rooms_speak_the_language_of_the_paper_and_english_elsewhere():
    with spoken("de"):
        assert words_pages.CARD == "HÖHENKARTE"
        assert words.SERVES == {True: "genügte", False: "genügte allein nicht"}
    assert words_pages.CARD == "ALTITUDE CARD"


OWN = re.compile(
    # What the user typed, or a unit, a sign of chemistry, a version.
    r"pass-road van(, second drive)? \(invented\)|van (as fitted|at the first stop)"
    r"|pass_van\w*\.csv|\d+ m\b|needlecalc [\d.]+"
    r"|Ruckelt bei 3000/min|zu mager|[0-9a-f]{16}|\b(stock|filed|job|needle\.csv|mm|um)\b"
)
MOTTO = "Qxz"


def strange(value):
    """The same table with every word replaced by one of no language, figures and lines left."""
    if isinstance(value, dict):
        return {key: strange(one) for key, one in value.items()}
    if not isinstance(value, str):
        return [strange(one) for one in value]
    pieces = re.split(r"(\{[^{}]*(?:\{[^{}]*\}[^{}]*)*\}|%[YmdHM])", value)
    return "".join(piece if number % 2 else re.sub(r"[^\W\d_]+", MOTTO, piece) for number, piece in enumerate(pieces))


def full_sheet(**paper):
    """The demo's sheet with everything a sheet may hold: altitudes, a jet drive, anvils, changes tried, assumptions."""
    job = nc.read_job(DATA / "pass_van.toml")
    design = job.design()
    sheet = job.sheet(design)
    at_hand = nc.AtHand(jet_bores_mm=(2.6,), holder_mm=(0.5,), spring_preload_n=(2.5,), spring_rate_n_mm=(0.02,))
    return replace(
        sheet,
        paper=nc.Paper(**paper),
        made_at=NOON,
        anvil_width_mm=6.0,
        altitude=outlook_of(design, **{"2600 m": 2600.0}),
        changes=try_changes(design, at_hand),
    )


@pytest.fixture
def qxz(monkeypatch):
    """German replaced by words of no language."""
    made = {room: {name: strange(value) for name, value in names.items()} for room, names in texts_of("de").items()}
    english = texts_of("en")
    monkeypatch.setattr(language, "texts_of", lambda said: made if said == "de" else english)


@pytest.mark.parametrize(
    "made",
    [full_sheet, of_a_slide, of_a_slide_card, *(SHEETS[f"{name}_de"] for name in ("card", "customer", "tester", "compare"))],
    ids=["sheet", "slide", "slide card", "card", "customer", "tester", "compare"],
)
def test_no_page_says_a_word_that_is_in_no_table(qxz, made):
    page = made()
    if isinstance(page, Printed):
        page = replace(page, paper=nc.Paper(language="de")).document()
    assert_of_tables(page)


def assert_of_tables(page):
    html = re.sub(r"<style>.*?</style>|<!--.*?-->|<[^>]+>", " ", page.html())
    drawings = [page.drawing(block) for one in page.pages for block in one.blocks if hasattr(block, "svg")]
    drawn = " ".join(re.findall(r">([^<>]+)</text>", " ".join(drawings)))
    said = f"{html} {page.text()} {drawn} {' '.join(one.name for one in page.pages)}"
    said = OWN.sub(" ", " ".join(said.split()))
    assert MOTTO in said
    assert {word for word in re.findall(r"[^\W\d_]{2,}", said) if word.replace(MOTTO, "")} == set()


def test_no_sheet_of_a_hard_case_says_a_word_that_is_in_no_table(qxz):
    german = nc.Paper(language="de")
    faulty = nc.check_engine(
        ignition=nc.checks.Ignition(lead_kohm=[9.8, 10.4, 11.1, 38.0], vacuum_source="manifold"),
        gases=[nc.checks.GasReading(co_percent=4.0, co2_percent=9.0, o2_percent=4.0, hc_ppm=900.0)],
    ).override("12345 6789 1011")
    for design in designs():
        checked = replace(design, checks=faulty)
        outlook = nc.at_altitude(design.setup, design.target.bands, checked, 2000.0, home=0.0)
        assert_of_tables(nc.grind_sheet(checked, altitude=outlook, paper=german).document())
        assert_of_tables(nc.AltitudeCard(outlook, paper=german).document())


@pytest.mark.parametrize("limits", ["new_blank = true", "max_cut_mm = 0.05"])
def test_no_sheet_of_a_job_that_states_little_says_a_word_that_is_in_no_table(qxz, tmp_path, limits):
    rows = "".join(f"{z},{d}\n" for z, d in zip(STATIONS_MM, DIAMETERS_MM, strict=True))
    (tmp_path / "needle.csv").write_text(f"distance_mm,diameter_mm\n{rows}")
    more = f'[paper]\nlanguage = "de"\n[limits]\n{limits}\n[altitude]\nhome_m = 0\ntrip_m = [1500]\n'
    (tmp_path / "job.toml").write_text(FOUR_THINGS + more)
    job = nc.read_job(tmp_path / "job.toml")
    design = job.design()
    assert_of_tables(job.sheet(design).document())
    assert_of_tables(job.handover(design).document())


def test_german_has_its_letters_in_the_type_of_the_paper_and_says_it_is_german():
    said = " ".join(text for names in texts_of("de").values() for text in texts(names).values())
    letters = FT2Font(str(Path(matplotlib.get_data_path(), "fonts", "ttf", FONT_FILES["B"]))).get_charmap()
    assert {ord(letter) for letter in f"{said}äöüÄÖÜß" if letter != "\n"} <= set(letters)
    shown = {"Ausgeführt": pages_of("de").customer(), "Für die Werkbank": SHEETS["slide_de"]().document()}
    for words_there, page in shown.items():
        made = pdf_of(page)
        assert b"/Lang (de)" in made
        assert "<html lang='de'>" in page.html()
        with pypdfium2.PdfDocument(made) as pdf:
            assert words_there in " ".join(one.get_textpage().get_text_bounded() for one in pdf)


def test_a_german_word_is_no_unit():
    with spoken("de"):
        assert "um Lambda abzulesen" in typeset(words_pages.SHORT_PULLS)
    noted = replace(pages_of("de"), notes=nc.report.Notes(complaint="geht um die Kurve aus, 5 um daneben"))
    assert "geht um die Kurve aus, 5 \N{MICRO SIGN}m daneben" in noted.html()


def test_figures_of_a_german_plot_have_a_comma():
    page = SHEETS["pass_van_de"]().document()
    (shown, *_) = [block for block in page.pages[2].blocks if hasattr(block, "svg")]
    assert ">0.9" not in page.drawing(shown)
    assert re.search(r">\d,\d+</text>", page.drawing(shown))


def test_numbers_for_programs_stay_as_they_are():
    english, german = (replace(full_sheet(), paper=nc.Paper(language=one)) for one in ("en", "de"))
    assert german.csv() == english.csv()
    assert json.dumps(facts_of(german)) == json.dumps(facts_of(english))
