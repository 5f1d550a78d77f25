"""Faults before mixture: named checks, and the gate they open or lock."""
