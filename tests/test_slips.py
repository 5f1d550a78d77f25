"""Slips of the pen in a job: each of 24 is refused, or looked at and named, or does little harm before the next drive."""

from __future__ import annotations

import numpy as np
import pytest
from slips import SLIPS, demo_in

import needlecalc as nc

HARMLESS_UM = 40.0


def looked_at(job_path):
    """The job, its bands, its checks, and which of them are not green."""
    job = nc.read_job(job_path)
    bands = job.bands(job.read_log())
    checks = job.checks(bands)
    return job, bands, checks, {one.name for one in checks.checks if one.verdict in ("amber", "red")}


@pytest.fixture(scope="module")
def honest(tmp_path_factory):
    job, bands, checks, amber = looked_at(demo_in(tmp_path_factory.mktemp("honest")))
    assert not amber
    return job.design(bands, checks).stop_mm()


@pytest.mark.parametrize("name", SLIPS)
def test_a_slip_is_refused_named_or_harmless(name, honest, tmp_path):
    path = demo_in(tmp_path / "job")
    SLIPS[name](path.parent)
    try:
        job, bands, checks, suspects = looked_at(path)
    except nc.InputError:
        return  # refused before anything is solved
    # A slip of the spring or the piston changes air that is measured by the marker all the same.
    assert suspects or 1e3 * np.abs(job.design(bands, checks).stop_mm() - honest).max() < HARMLESS_UM
    assert all(one.words().todo for one in checks.checks if one.name in suspects)
