"""Pages for customer and tester; texts in every language; pages that are sound HTML, whatever a name holds."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pypdfium2
import pytest
from conftest import DATA, make_setup
from test_golden_sheets import NOON, card_of, outlook_of, pages_of, two_drives
from test_slide import short_drive, slide_setup

import needlecalc as nc
from needlecalc.__main__ import main
from needlecalc.design.after.trip import Mixture, mixture
from needlecalc.report.pages import pdf_of

VOID = {"meta", "br", "img", "hr"}


def one_line(document):
    return " ".join(document.text().split())


def test_before_and_after_stand_in_plain_words():
    text = one_line(pages_of("en").customer())
    assert re.search(r"lambda, full load 1\.0\d too lean: pistons can melt 0\.(8|9)\d right", text)
    assert "filed by hand for this engine, with 2 drives" in text
    assert "fit a new needle van as fitted and set the jet face 1.60 mm" in text
    assert "Next check after 500 km" in text
    assert "SET AGAIN BEFORE DESCENDING" in text
    assert "2600 m raise the jet" in text
    # Before: lambda 1.00 with the 0.3 % O2 that the analyser found left over has some 0.5 % CO (carbon and oxygen balance:
    # 2 x 0.3 % of CO and H2 together, the water gas leaves the most of it to CO). After: the analyser's own reading.
    assert "CO at idle, % 0.5 0.6" in text


def test_one_drive_tells_what_is_expected_and_leaves_lines_to_write_on():
    job = nc.read_job(DATA / "pass_van.toml")
    page = job.handover(job.design())
    text = one_line(page.customer())
    assert "expected, not yet driven" in text
    assert text.count("____") >= 3
    assert "filed by hand" not in text
    assert "Cut out" not in text
    tester = one_line(page.tester())
    assert "CO, % 0.6 at most 1.2 [ ]" in tester
    assert "lambda [ ] [ ] [ ]" in tester
    assert "repr" not in repr(page)


def test_what_a_mixture_is_called():
    bands = nc.typed_bands([900, 3000], [1.0, 0.9], lift_mm=[3.0, 15.0], load=["idle", "full"])
    target = nc.Target(bands, np.array([0.95, 0.90]))
    assert [mixture(target, 0, value) for value in (0.89, 0.95, 1.01)] == [Mixture.RICH, Mixture.RIGHT, Mixture.LEAN]
    # Full load is lean past 0.92, though 0.95 would be permitted.
    assert mixture(target, 1, 0.93) is Mixture.LEAN


def test_a_slide_has_no_bridge_on_its_pages():
    setup = slide_setup(drop_min_mm=0.8, drop_max_mm=2.4)
    target = nc.make_target(short_drive(setup, [0.96, 1.1, 0.95]))
    design = nc.solve(target, setup, with_alternatives=False)
    outlook = nc.at_altitude(setup, design.target.bands, design, {"2400 m": 2400.0})
    text = one_line(nc.Handover(design, outlook=outlook).document())
    for other in ("bridge", "flat", " nut", "jet face"):
        assert other not in text, other
    assert "Needle jet" in text


class Strict(HTMLParser):
    """Reads a page, and notes what is not closed or closed twice."""

    def __init__(self):
        super().__init__()
        self.open, self.faults, self.seen = [], [], set()

    def handle_starttag(self, tag, attrs):
        self.seen.add(tag)
        if len(dict(attrs)) != len(attrs):
            self.faults.append(f"{tag} has an attribute twice")
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.seen.add(tag)

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.faults.append(f"</{tag}> closes nothing")


def strictly(page):
    read = Strict()
    read.feed(page)
    read.close()
    return read


HOSTILE = "<script>alert('1')</script> & \"van\" \x1b[31m {rpm} {nb} $x_1$"


@pytest.mark.parametrize("language", ["en", "de"])
def test_pages_are_sound_html_whatever_a_name_holds(language):
    _, design = two_drives()
    setup = replace(design.setup, name=HOSTILE)
    named = replace(design, learned=replace(design.learned, setup=setup))
    paper, notes = nc.Paper(language=language), nc.report.Notes(HOSTILE, HOSTILE, HOSTILE, {"hc_ppm": HOSTILE})
    outlook = nc.at_altitude(setup, design.target.bands, named, {HOSTILE: 2600.0}, home=590.0)
    card = nc.AltitudeCard(outlook, paper=paper, made_at=NOON)
    pages = nc.Handover(named, notes=notes, outlook=outlook, paper=paper, made_at=NOON)
    for document in (
        card.document(),
        pages.customer(),
        pages.tester(),
        nc.grind_sheet(named, altitude=outlook, paper=paper).document(),
    ):
        read = strictly(document.html())
        assert not read.faults
        assert not read.open
        assert "script" not in read.seen
        assert "\x1b" not in document.html() + document.text()
        with pypdfium2.PdfDocument(pdf_of(document)) as pdf:
            paper_words = " ".join(page.get_textpage().get_text_bounded() for page in pdf)
        assert "script" in paper_words
        assert "\x1b" not in paper_words
        assert f"<html lang='{language}'>" in document.html()


def test_each_page_is_one_page():
    for language in ("en", "de"):
        for document in (pages_of(language).customer(), pages_of(language).tester()):
            with pypdfium2.PdfDocument(pdf_of(document)) as pdf:
                assert len(pdf) == 1
        with pypdfium2.PdfDocument(pdf_of(card_of(language).document())) as pdf:
            assert len(pdf) == 1


def test_the_command_writes_them_and_the_job_states_them(case, capsys):
    whole = case.read_text()
    case.write_text(
        f'{whole}\n[paper]\nlanguage = "de"\n[altitude]\nhome_m = 590\ntrip_m = [2400]\nslope_percent = 8\n'
        '[handover]\ncomplaint = "ruckelt"\n[handover.limits]\nhc_ppm = "1200"\n'
    )
    assert main(["design", str(case), "--handover"]) in (0, 3)
    assert "customer_page and tester_page" in capsys.readouterr().out
    out = case.parent / "out"
    assert "ruckelt" in (out / "customer_page.txt").read_text()
    assert "1200" in (out / "tester_page.html").read_text()
    assert (out / "customer_page.pdf").read_bytes().startswith(b"%PDF")
    assert "Stations" not in (out / "tester_page.txt").read_text()
    assert "FEILBLATT" in (out / "grind_sheet.txt").read_text()
    assert "2,475" in (out / "grind_sheet.txt").read_text()


@pytest.mark.parametrize(
    ("section", "match", "cured"),
    [
        (
            "[handover]\ncomplaint = 3",
            r"\[handover\] complaint is 3, but must be text; write it in quotes",
            '[handover]\ncomplaint = "3"',
        ),
        ('[handover]\ncomplant = "x"', "Perhaps complaint is meant", '[handover]\ncomplaint = "x"'),
        ("[handover.limits]\nhc_ppm = 1200", "hc_ppm is 1200, but must be text", '[handover.limits]\nhc_ppm = "1200"'),
        ('[handover.limits]\nhc = "1200"', "has no key 'hc'", '[handover.limits]\nhc_ppm = "1200"'),
        ('[paper]\nlanguage = "fr"', "language is 'fr', but must be 'en' or 'de'", '[paper]\nlanguage = "de"'),
        ("[altitude]\nhome_m = 0\nslope_percent = 60", "slope_percent is 60", "[altitude]\nhome_m = 0\nslope_percent = 6"),
        ("[carburettor]\nfloat_ahead_mm = 700", "float_ahead_mm is 700", "[carburettor]\nfloat_ahead_mm = 70"),
    ],
)
def test_what_a_job_misstates_is_refused_with_its_cure(case, section, match, cured):
    whole = case.read_text().replace("[carburettor]", "[carburettor]" if "carburettor" not in section else section)

    def made(text):
        case.write_text(text)
        job = nc.read_job(case)
        design = nc.solve(job.target(bands := job.bands(job.read_log())), job.setup, with_alternatives=False)
        assert bands.rpm.size
        outlook = job.altitude(design, (1000.0,))
        return job.altitude_card(outlook), job.handover(design)

    more = "" if "carburettor" in section else f"\n{section}\n"
    with pytest.raises(nc.InputError, match=match):
        made(whole + more)
    assert made(case.read_text().replace(section, cured))


def test_the_new_keys_are_listed(capsys):
    assert main(["keys", "handover"]) == 0
    said = capsys.readouterr().out
    for key in ("complaint", "found", "done", "limits", "hc_ppm", "idle_rpm"):
        assert key in said
    assert main(["keys", "paper"]) == 0
    said = capsys.readouterr().out
    assert "en, de" in said
    assert "Language of everything printed" in said
    assert main(["keys", "altitude"]) == 0
    assert "slope_percent" in capsys.readouterr().out
    assert main(["keys", "carburettor"]) == 0
    assert "float_ahead_mm" in capsys.readouterr().out


def test_a_needle_left_alone_has_nothing_to_go_back_to():
    setup = make_setup()
    bands = nc.typed_bands([900, 3000], [0.95, 0.88], lift_mm=[3.0, 15.0], load=["idle", "full"])
    design = nc.solve(nc.Target(bands, bands.lambda_measured), setup, with_alternatives=False)
    assert "Needle and jet are as they were" in one_line(nc.Handover(design).customer())
    assert outlook_of(design, **{"1 m": 1.0}).places[1].name == "1 m"
