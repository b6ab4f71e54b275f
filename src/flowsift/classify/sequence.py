"""What the uses before and after each use are taken for: after a flush comes a tap, after a fill its load's next."""

from __future__ import annotations

import numpy as np

from flowsift.arrays import FloatArray
from flowsift.labels import LABELS
from flowsift.surroundings import BURST_S

WITHIN_S = (120.0, 900.0, BURST_S)
"""How far before and after is looked [s]: the same errand, the next steps of a load, a whole burst of use."""

FEW = 0.05
"""Uses added to a count before its logarithm is taken."""

NAMES: tuple[str, ...] = tuple(
    f"log_{side}_{within_s:g}s_{name}" for within_s in WITHIN_S for side in ("before", "after") for name in LABELS
)
"""Names of the columns of `sequence_evidence`."""


def sequence_evidence(start_s: FloatArray, probability: FloatArray) -> FloatArray:
    """Count the uses that start before and after each use, by what they are taken for.

    Parameters
    ----------
    start_s : ndarray, shape (n_uses,)
        In order.
    probability : ndarray, shape (n_uses, n_labels)
        What each use is taken for.

    Returns
    -------
    ndarray, shape (n_uses, len(NAMES))
        For each of `WITHIN_S`, before and then after, the log of the number of uses of each label.
    """
    upto = np.concatenate([np.zeros((1, probability.shape[1])), np.cumsum(probability, axis=0)])
    here = np.arange(start_s.size)
    columns = []
    for within_s in WITHIN_S:
        first = np.searchsorted(start_s, start_s - within_s, side="left")
        last = np.searchsorted(start_s, start_s + within_s, side="right")
        for count in (upto[here] - upto[first], upto[last] - upto[here + 1]):
            columns.append(np.log(np.maximum(count, 0.0) + FEW).astype(np.float32))
    return np.concatenate(columns, axis=1)
