"""Frozen records of what lies on the bench: needle, jet, carburettor, engine, conditions, setup."""
