"""Cycles: fills of one washer load, zones of one irrigation run, stages of one regeneration."""

from __future__ import annotations

import numpy as np

from flowsift.labels import LABELS
from flowsift.trace import FloatArray, IntArray

MACHINES = ("clothes_washer", "dishwasher")
"""Labels whose uses are fills of a load."""

LONGEST_BREAK_S: dict[str, float] = {
    "clothes_washer": 2400.0,  # a wash phase between two fills (common practice)
    "dishwasher": 3000.0,  # a main wash between two fills (common practice)
    "irrigation": 900.0,  # a valve's delay between two zones (common practice)
    "softener": 3600.0,  # a brine draw between two rinses (common practice)
}
"""Longest time between two uses of one cycle, end to start [s]."""

ALONE = {"clothes_washer": 0.2, "dishwasher": 0.1}
"""How much a label's odds fall when the use would be the only fill of its load (assumption: loads take several)."""


def number_cycles(start_s: FloatArray, end_s: FloatArray, label: IntArray) -> IntArray:
    """Number the cycles of each label that works in cycles.

    Parameters
    ----------
    start_s, end_s : ndarray, shape (n_events,)
        Sorted by start.
    label : ndarray of int64, shape (n_events,)
        Index into `LABELS`.

    Returns
    -------
    ndarray of int64, shape (n_events,)
        From 1 for each label, in order of time; -1 for labels without cycles.
    """
    cycle = np.full(label.size, -1, dtype=np.int64)
    for name, longest in LONGEST_BREAK_S.items():
        mine = np.flatnonzero(label == LABELS.index(name))
        if mine.size == 0:
            continue
        ended = np.maximum.accumulate(end_s[mine])
        cycle[mine] = 1 + np.cumsum(np.concatenate([[False], start_s[mine][1:] - ended[:-1] > longest]))
    return cycle


def discount_lone_fills(start_s: FloatArray, end_s: FloatArray, probability: FloatArray) -> FloatArray:
    """Lower the odds of washers for uses that would be a whole load by themselves.

    Parameters
    ----------
    start_s, end_s : ndarray, shape (n_events,)
    probability : ndarray, shape (n_events, n_labels)

    Returns
    -------
    ndarray, shape (n_events, n_labels)
        Rows add up to 1.
    """
    cycle = number_cycles(start_s, end_s, probability.argmax(axis=1))
    adjusted = probability.copy()
    for name, factor in ALONE.items():
        k = LABELS.index(name)
        mine = np.flatnonzero(probability.argmax(axis=1) == k)
        if mine.size:
            size = np.bincount(cycle[mine])
            adjusted[mine[size[cycle[mine]] == 1], k] *= factor
    return np.asarray(adjusted / np.maximum(adjusted.sum(axis=1, keepdims=True), 1e-300))
