"""The road on the demo, each record made when it is first asked for: what the examples of the other rooms start from."""

from __future__ import annotations

from functools import cached_property

from needlecalc.design.inverse.proposal import Design
from needlecalc.design.inverse.solve import solve
from needlecalc.design.inverse.target import Target
from needlecalc.job import Job
from needlecalc.jobfile import read_job
from needlecalc.jobnew import demo_folder
from needlecalc.measure.checks.check import Checks
from needlecalc.measure.drive.bands import Bands
from needlecalc.measure.log.record import Log
from needlecalc.parts.setup import Setup


class Road:
    """Job, log, bands, checks, target and design of the demo, an invented van.

    >>> from needlecalc.example import road
    >>> road.setup.carburettor
    Carburettor with needle 'van as fitted' in a 2.54 mm jet
    """

    @cached_property
    def job(self) -> Job:
        """The job file, read."""
        return read_job(demo_folder() / "pass_van.toml")

    @cached_property
    def setup(self) -> Setup:
        """Engine, carburettor, fuel and air."""
        return self.job.setup

    @cached_property
    def log(self) -> Log:
        """The drive over the pass."""
        log = self.job.read_log()
        assert log is not None, "the demo has a log"
        return log

    @cached_property
    def bands(self) -> Bands:
        """Steady samples of the drive in bands, with their lifts."""
        return self.job.bands(self.log)

    @cached_property
    def checks(self) -> Checks:
        """Faults looked for."""
        return self.job.checks(self.bands)

    @cached_property
    def target(self) -> Target:
        """Lambda wanted by band."""
        return self.job.target(self.bands)

    @cached_property
    def design(self) -> Design:
        """The needle asked for."""
        return solve(self.target, self.setup, checks=self.checks)


road = Road()
