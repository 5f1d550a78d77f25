"""The version of needlecalc, and what every output says of its making."""

from __future__ import annotations

from datetime import datetime

from needlecalc.echo import LONGEST_NAME, plain

__version__ = "0.1.0"


def now() -> datetime:
    """Date and time here, with its zone."""
    return datetime.now().astimezone()


def made_line(made_at: datetime, job: str, log_sha256: str = "") -> str:
    """One line: version, date and time, job, and the start of its log's sha256 where there is a log.

    Neither comma nor semicolon of ours stands in it, so that a spreadsheet leaves it in one cell.

    >>> made_line(datetime(2025, 6, 1, 9, 30), "van", "3f" * 32)
    'Made by needlecalc 0.1.0 on 2025-06-01 at 09:30 for job van from the log with fingerprint 3f3f3f3f3f3f3f3f.'
    """
    source = f"the log with fingerprint {log_sha256[:16]}" if log_sha256 else "bands typed in"
    when = f"{made_at:%Y-%m-%d} at {made_at:%H:%M}"
    return f"Made by needlecalc {__version__} on {when} for job {plain(job, LONGEST_NAME)} from {source}."


def made_facts(made_at: datetime) -> dict[str, str]:
    """Version, date and time for files that programs read."""
    return {"needlecalc": __version__, "made_at": made_at.isoformat(timespec="seconds")}
