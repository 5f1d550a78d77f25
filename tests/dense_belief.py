"""The covariance of all unknowns as one matrix, which the library never holds: the slow oracle of its tests."""

from __future__ import annotations

import numpy as np

from needlecalc.design.belief.arrowhead import Arrowhead, BandRows


def dense(belief: Arrowhead) -> np.ndarray:
    """Covariance of the car's unknowns, then of the first of each band, then of the second."""
    bands, _, size = belief.follow.shape
    # Every unknown by the independent draws behind it: those of the car, then two a band.
    root = np.zeros((size + 2 * bands, belief.root.shape[1] + 2 * bands))
    root[:size, : belief.root.shape[1]] = belief.root
    for b in range(bands):
        for i in range(2):
            row = size + i * bands + b
            root[row, : belief.root.shape[1]] = belief.follow[b, i] @ belief.root
            root[row, belief.root.shape[1] + 2 * b : belief.root.shape[1] + 2 * b + 2] = belief.own_root[b, i]
    return root @ root.T


def dense_rows(rows: BandRows, bands: int | None = None, which: np.ndarray | None = None) -> np.ndarray:
    """The rows by all unknowns, in the order of :func:`dense`; row k is of band ``which[k]``."""
    count, size = rows.by_car.shape
    bands = count if bands is None else bands
    out = np.zeros((count, size + 2 * bands))
    out[:, :size] = rows.by_car
    for k, b in enumerate(range(count) if which is None else which):
        out[k, size + b], out[k, size + bands + b] = rows.by_own[k]
    return out
