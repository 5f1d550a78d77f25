"""Tables of many needles: what is read, what is refused, and where."""

from __future__ import annotations

import sys
from pathlib import Path

DATA = Path(__file__).parent.parent / "data"
sys.path.insert(0, str(DATA))

from make_needles import family, lines  # noqa: E402


def test_the_invented_needles_are_those_of_their_script():
    text = (DATA / "needles.csv").read_text(encoding="utf-8")
    assert text == "\n".join(lines()) + "\n"
    assert "Invented" in text.splitlines()[0]
    assert len(family()) == 60
