"""The table that each record shows itself by, where it needs words."""

from __future__ import annotations

from functools import singledispatch

from needlecalc.measure.checks.check import Checks
from needlecalc.report.checkwords import checks_table
from needlecalc.show import Table


@singledispatch
def table_of(record: object) -> Table:
    """Facts of a record, to be shown."""
    msg = f"{type(record).__name__} does not say what it shows."
    raise TypeError(msg)


table_of.register(Checks)(checks_table)
