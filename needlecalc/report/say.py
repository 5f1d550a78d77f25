"""Facts in words: what each record that holds facts says."""

from __future__ import annotations

from functools import singledispatch
from typing import Any

from needlecalc.measure.checks.check import Check, Checks
from needlecalc.measure.checks.sensorzero import SensorZero
from needlecalc.report.checkwords import check_words, checks_notes, zero_words


@singledispatch
def say(fact: object) -> Any:
    """A fact in words, by its type."""
    msg = f"{type(fact).__name__} has no words."
    raise TypeError(msg)


say.register(Check)(check_words)
say.register(Checks)(checks_notes)
say.register(SensorZero)(zero_words)
