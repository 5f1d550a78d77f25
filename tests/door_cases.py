"""The demo's job, changed line by line, with bands typed in, or with another needle in it."""

from __future__ import annotations

from pathlib import Path


def change(job: Path, old: str, new: str) -> None:
    text = job.read_text()
    assert old in text
    job.write_text(text.replace(old, new))


TYPED = """
[bands]
rpm = [900, 2000, 3000, 4000]
lambda_measured = [{lambdas}]
load = ["idle", "full", "full", "full"]
lambda_se = 0.004
[lift]
lift_mm = [4.0, 10.0, 16.0, 22.0]
[history]
file = "passes.json"

"""


def typed_job(case, lambdas="0.98, 1.03, 1.05, 1.06"):
    """The van's job with bands typed in and a history."""
    text = case.read_text() if "[log]" in case.read_text() else case.with_name("whole.toml").read_text()
    case.with_name("whole.toml").write_text(text)
    start, end = text.index("[log]"), text.index("[target]")
    rest = text[end:].replace("light = 1.00\npart = 0.95\n", "")
    case.write_text(text[:start] + TYPED.format(lambdas=lambdas) + rest)
    return case


def refit(case, needle):
    """Type the needle as measured into its table."""
    rows = [f"{k},{z},{d:.5f}" for k, (z, d) in enumerate(zip(needle.stations_mm, needle.diameters_mm, strict=True), 1)]
    (case.parent / "pass_van_needle.csv").write_text("station,distance_mm,diameter_mm\n" + "\n".join(rows) + "\n")
