"""Every notebook runs top to bottom as plain Python, and its last values show themselves."""

from __future__ import annotations

import ast
import json
from pathlib import Path

import pytest

NOTEBOOKS = sorted((Path(__file__).parent.parent / "notebooks").glob("*.ipynb"))


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook(path, monkeypatch):
    monkeypatch.chdir(path.parent)
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    assert len(cells) <= 15
    names: dict[str, object] = {}
    for cell in cells:
        if cell["cell_type"] != "code":
            continue
        tree = ast.parse("".join(cell["source"]))
        last = tree.body.pop() if isinstance(tree.body[-1], ast.Expr) else None
        exec(compile(tree, path.name, "exec"), names)
        if last is not None:
            value = eval(compile(ast.Expression(last.value), path.name, "eval"), names)
            if hasattr(value, "_repr_html_"):
                assert "<" in value._repr_html_()


def test_there_are_notebooks():
    assert NOTEBOOKS
