"""Every notebook runs top to bottom, and stores what it shows.

Store it anew by ``NEEDLECALC_GOLDEN=write python -m pytest tests/test_notebooks.py``, and read what changed.
"""

from __future__ import annotations

import ast
import base64
import contextlib
import io
import json
import os
import re
from pathlib import Path

import pytest
from test_golden_sheets import NUMBER

NOTEBOOKS = sorted((Path(__file__).parent.parent / "notebooks").glob("*.ipynb"))
MADE = re.compile(r"\d{4}-\d\d-\d\d( at \d\d:\d\d)?")
TABLE_HEAD = re.compile(r"<th\b.*?</th>")
SIGNED = re.compile(r"[-+](?=0)")  # of what rounds to zero


def shown(value) -> dict:
    """What a notebook shows of a value."""
    out = {"data": {"text/plain": repr(value)}, "metadata": {}, "output_type": "execute_result"}
    if hasattr(value, "_repr_html_"):
        out["data"]["text/html"] = value._repr_html_()
    if hasattr(value, "_repr_png_"):
        png, about = value._repr_png_()
        out["data"]["image/png"], out["metadata"] = base64.b64encode(png).decode(), {"image/png": about}
    return out


def run(cells) -> list[list[dict]]:
    """Outputs of each cell of code, run as plain Python."""
    names: dict[str, object] = {}
    found = []
    for number, cell in enumerate((one for one in cells if one["cell_type"] == "code"), start=1):
        tree = ast.parse("".join(cell["source"]))
        last = tree.body.pop() if isinstance(tree.body[-1], ast.Expr) else None
        value, printed = None, io.StringIO()
        with contextlib.redirect_stdout(printed):
            exec(compile(tree, "notebook", "exec"), names)
            if last is not None:
                value = eval(compile(ast.Expression(last.value), "notebook", "eval"), names)
        text = [{"name": "stdout", "output_type": "stream", "text": printed.getvalue()}] if printed.getvalue() else []
        found.append(text + ([shown(value) | {"execution_count": number}] if value is not None else []))
    return found


def words_of(output) -> str:
    """What an output is known by: its short form, heads of its table, first line printed, alt text of a picture.

    Every word of a sheet is held by its golden text, so that a notebook need not be stored anew for each.
    """
    data = output.get("data", {})
    words = [
        data.get("text/plain", ""),
        output.get("text", "").split("\n")[0],
        *TABLE_HEAD.findall(data.get("text/html", "")),
    ]
    words += [about["alt"] for about in output.get("metadata", {}).values()]
    return MADE.sub("then", " ".join(words))


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_shows_what_it_stores(path, monkeypatch):
    monkeypatch.chdir(path.parent)
    book = json.loads(path.read_text(encoding="utf-8"))
    cells = [one for one in book["cells"] if one["cell_type"] == "code"]
    assert len(book["cells"]) <= 15
    made = run(book["cells"])
    if os.environ.get("NEEDLECALC_GOLDEN") == "write":
        for number, (cell, outputs) in enumerate(zip(cells, made, strict=True), start=1):
            cell |= {"outputs": outputs, "execution_count": number}
        path.write_text(json.dumps(book, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    for cell, outputs in zip(cells, made, strict=True):
        assert [sorted(one.get("data", ())) for one in cell["outputs"]] == [sorted(one.get("data", ())) for one in outputs]
        assert not re.search(r"/(home|tmp|root|work|Users)/|\b[A-Z]:\\", json.dumps(cell["outputs"]))
        for stored, now in zip(map(words_of, cell["outputs"]), map(words_of, outputs), strict=True):
            assert SIGNED.sub("", NUMBER.sub("0", stored)) == SIGNED.sub("", NUMBER.sub("0", now))
            for before, after in zip(NUMBER.findall(stored), NUMBER.findall(now), strict=True):
                last = 10.0 ** -len(before.partition(".")[2])
                assert float(after) == pytest.approx(float(before), abs=1.01 * last, rel=1e-4), (before, after)


def test_a_reader_of_a_forge_sees_tables_and_plots():
    assert [path.stem[:2] for path in NOTEBOOKS] == ["01", "02", "03", "04"]
    for path in NOTEBOOKS:
        book = json.loads(path.read_text(encoding="utf-8"))
        kinds = [kind for cell in book["cells"] for one in cell.get("outputs", ()) for kind in one.get("data", ())]
        assert kinds.count("image/png") >= 1, path.stem
        assert kinds.count("text/html") >= 1, path.stem
        assert path.stat().st_size < 600_000
