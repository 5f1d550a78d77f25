"""The forward model, the inverse, and what follows from it."""
