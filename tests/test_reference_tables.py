"""The reader of reference tables refuses what does not say where it comes from."""

from __future__ import annotations

import pytest
from reference_tables import REFERENCE_FOLDER, read_reference


def test_numbers_text_and_empty_cells(tmp_path):
    (tmp_path / "good.csv").write_text("# Title\n# source: a book, page 3\nname, value_mm\nfirst,1.5\n\nsecond,\n")
    expected = [{"name": "first", "value_mm": 1.5}, {"name": "second", "value_mm": None}]
    assert read_reference("good", folder=tmp_path) == expected
    assert read_reference("good.csv", folder=tmp_path) == expected


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("a,b\n1,2\n", "has no line '# source"),
        ("# source:\na,b\n1,2\n", "has no line '# source"),
        ("# source: x\na,b\n", "has no rows"),
        ("# source: x\na,b\n1\n", "row 1: it has not one cell for each of"),
        ("# source: x\na,b\n1,2\n1,2,3\n", "row 2: it has not one cell for each of"),
    ],
)
def test_bad_tables_are_refused(tmp_path, text, message):
    (tmp_path / "bad.csv").write_text(text)
    with pytest.raises(ValueError, match=message):
        read_reference("bad", folder=tmp_path)


@pytest.mark.parametrize("path", sorted(REFERENCE_FOLDER.glob("*.csv")), ids=lambda path: path.stem)
def test_every_table_names_source_and_tolerance(path):
    assert read_reference(path.name)
    header = [line.lower() for line in path.read_text(encoding="utf-8").splitlines() if line.startswith("#")]
    assert any("tolerance" in line for line in header)
