"""One invented setup and drive for all tests."""

from __future__ import annotations

import os
import pickle
import shutil
from pathlib import Path

# Set before numpy is loaded: more threads only spin on matrices so small.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pytest
from hypothesis import settings

import needlecalc as nc
from needlecalc.measure.drive import make
from needlecalc.measure.drive.lag import find_lag
from needlecalc.remark import Remark
from needlecalc.report import say

# The same cases on every machine and in every run, however slow it is; HYPOTHESIS_PROFILE=search draws new ones.
settings.register_profile("same", derandomize=True, deadline=None)
settings.register_profile("search", deadline=None)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "same"))
DATA = Path(__file__).parent.parent / "data"
STATIONS_MM = np.arange(13) * 3.175
DIAMETERS_MM = np.array([2.45, 2.41, 2.36, 2.31, 2.25, 2.19, 2.12, 2.05, 1.98, 1.90, 1.82, 1.74, 1.66])

# All drives on one day, one meter without a gain of its own, table and micrometer alike: for what does not ask of these.
SAME_DAY = {"sensor_gain": 0.0, "fuel_temperature_k": 0.0, "table_offset_mm": 0.0}
# A drive without noise is one without any doubt: not of the hand, nor from one day to the next.
NO_DOUBTS = nc.Doubts(
    repeatability=0.0,
    sensor_offset=0.0,
    flow_gain=0.0,
    viscosity=0.0,
    eccentricity=0.0,
    lift_zero_mm=0.0,
    table_mm=0.0,
    micrometer_mm=0.0,
    hand_mm=0.0,
    **SAME_DAY,
)


@pytest.fixture(autouse=True, scope="session")
def _one_lag_a_drive():
    """The lag of one drive is found once: fifty tests begin with the demo's, and it takes a third of a second."""
    found = {}

    def once(*asked):
        key = pickle.dumps(asked)
        if key not in found:
            found[key] = find_lag(*asked)
        return found[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(make, "find_lag", once)
        yield


@pytest.fixture
def setup() -> nc.Setup:
    return make_setup()


BORE = {"bore_mm": 2.54, "parallel_length_mm": 4.0, "parallel_length_u_mm": 1.0}


def make_setup(**jet) -> nc.Setup:
    valve = nc.AirValve(
        throat_bore_mm=38.0, disc_diameter_mm=60.0, piston_mass_kg=0.26, spring_preload_n=1.2, spring_rate_n_mm=0.01
    )
    carburettor = nc.Carburettor(
        nc.Needle("stock", STATIONS_MM, DIAMETERS_MM), nc.Jet(**{**BORE, "drop_mm": 1.6, **jet}), valve
    )
    return nc.Setup(nc.Engine(1500.0, 4), carburettor)


def asked(setup: nc.Setup, lift_mm, measured, wanted, **bands) -> nc.Target:
    """Target for typed bands, one wish each."""
    lift = np.asarray(lift_mm, dtype=float)
    typed = nc.typed_bands(np.linspace(900, 5000, lift.size), measured, lift_mm=lift, **bands)
    return nc.Target(typed, np.broadcast_to(np.asarray(wanted, dtype=float), lift.shape))


def found(design: nc.Design, kind) -> list[Remark]:
    """Remarks of one kind."""
    return [one for one in design.remarks if one.kind is kind]


def said(design: nc.Design) -> list[str]:
    """Every sentence said of a design, the verdict first."""
    others = [say.alternative(one, design) for one in design.alternatives]
    return [*say.verdict(design), *say.remarks(design.remarks), *others]


@pytest.fixture
def case(tmp_path: Path) -> Path:
    """A copy of the demo's job, to be changed."""
    folder = tmp_path / "case"
    shutil.copytree(DATA, folder)
    return folder / "pass_van.toml"
