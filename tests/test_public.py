"""The public face: what it holds, and that it costs next to nothing to import."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import needlecalc as nc

DRAWING = ("pandas", "matplotlib", "shapely")
ROOT = Path(__file__).parents[1]


def test_every_public_name_is_there_for_editors_too():
    written = ast.parse(Path(nc.__file__).read_text(encoding="utf-8"))
    (checked,) = [node for node in written.body if isinstance(node, ast.If)]
    seen = {(node.module, alias.name) for node in checked.body for alias in node.names}
    assert seen == {(f"needlecalc.{room}", name) for room, names in nc._ROOMS.items() for name in names.split()}
    assert len(set(nc.__all__)) == len(nc.__all__)
    assert set(nc.__all__) <= set(dir(nc))
    for name in nc.__all__:
        assert getattr(nc, name).__name__ == name


def test_a_name_that_is_none_is_refused():
    with pytest.raises(AttributeError, match=r"module 'needlecalc' has no attribute 'solv'"):
        nc.solv  # noqa: B018


@pytest.mark.parametrize(
    ("asked", "slow"),
    [
        ("nc", ("numpy", "scipy", *DRAWING)),
        ("nc.Setup, nc.Engine, nc.Jet, nc.Needle", ("scipy.stats", "scipy.signal", *DRAWING)),
    ],
)
def test_nothing_slow_is_imported_before_it_is_needed(asked, slow):
    code = f"import sys, needlecalc as nc; {asked}; print([name for name in {slow} if name in sys.modules])"
    found = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True, cwd=ROOT)
    assert found.stdout.strip() == "[]"
