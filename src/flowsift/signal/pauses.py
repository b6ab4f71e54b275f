"""Short pauses: a tap shut off for a moment is still one use."""

from __future__ import annotations

import numpy as np

from flowsift.trace import FloatArray, IntArray

LONGEST_PAUSE_S = 10.0
"""A fixture shut and opened again within this time is in one use (the rule by which published draw data are cut)."""

ALIKE = 1.35
"""Flows before and after such a pause differ by at most this factor (assumption: the same hand on the same tap)."""


def joined_uses(start_s: FloatArray, end_s: FloatArray, flow_lpm: FloatArray, *, interval_s: float) -> IntArray:
    """Number uses so that those with only a short pause between them share a number.

    Parameters
    ----------
    start_s, end_s, flow_lpm : ndarray, shape (n_uses,)
        Sorted by start. Flows are mean flows [L/min].
    interval_s : float
        Pauses shorter than a cell are not seen, so the longest pause is at least one cell.

    Returns
    -------
    ndarray of int64, shape (n_uses,)
        Increasing from 0 in the order of the first piece of each use.
    """
    n = start_s.size
    pause_limit = max(LONGEST_PAUSE_S, interval_s)
    group = np.arange(n)
    # Candidates are few places apart: other uses may lie between the pieces of one.
    for apart in (3, 2, 1):
        if n <= apart:
            continue
        pause = start_s[apart:] - end_s[:-apart]
        ratio = flow_lpm[apart:] / flow_lpm[:-apart]
        alike = (ratio < ALIKE) & (ratio > 1 / ALIKE)
        follows = np.flatnonzero((pause >= 0) & (pause <= pause_limit) & alike) + apart
        group[follows] = follows - apart
    while True:
        root = group[group]
        if np.array_equal(root, group):
            break
        group = root
    return np.unique(group, return_inverse=True)[1].astype(np.int64)
