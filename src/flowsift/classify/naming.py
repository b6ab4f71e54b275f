"""Names of fixtures: events of one label resolved into toilets, zones and machines."""

from __future__ import annotations

import numpy as np

from flowsift.labels import FIXTURE_STEM, LABELS
from flowsift.trace import FloatArray, IntArray

SAME_FLOW = 0.10
"""Two modes of flushes whose flows differ by less than this share may be one toilet's full and reduced flush."""

REDUCED = (0.40, 0.80)
"""Volume of a reduced flush as a share of the full one (dual-flush figures: 0.8 to 1.1 against 1.28 to 1.6 gal)."""

TOLD_APART_BY_FLOW = ("irrigation", "clothes_washer", "dishwasher")
"""Labels whose fixtures are told apart by their steady valve flow."""

FLOW_STEP = 0.15
"""Sorted flows that differ by more than this share from one to the next belong to different valves."""


def name_fixtures(label: IntArray, mode: IntArray, volume_l: FloatArray, flow_lpm: FloatArray) -> list[str]:
    """Name the fixture of each event.

    Toilets are numbered by falling volume per flush, valves by falling flow, so that names stay the same between runs
    over other periods of one home.

    Parameters
    ----------
    label : ndarray of int64, shape (n_events,)
        Index into `LABELS`.
    mode : ndarray of int64, shape (n_events,)
        Mode of the home model, -1 for none.
    volume_l, flow_lpm : ndarray, shape (n_events,)

    Returns
    -------
    list of str, length n_events
    """
    number = np.ones(label.size, dtype=np.int64)
    flush = np.flatnonzero(label == LABELS.index("flush"))
    number[flush] = _toilets(mode[flush], volume_l[flush], flow_lpm[flush])
    for name in TOLD_APART_BY_FLOW:
        mine = np.flatnonzero(label == LABELS.index(name))
        number[mine] = _valves(flow_lpm[mine])
    return [f"{FIXTURE_STEM[LABELS[k]]}-{n}" for k, n in zip(label.tolist(), number.tolist(), strict=True)]


def _toilets(mode: IntArray, volume_l: FloatArray, flow_lpm: FloatArray) -> IntArray:
    """Number the toilet of each flush from 1."""
    known = np.unique(mode[mode >= 0])
    if known.size == 0:
        return np.ones(mode.size, dtype=np.int64)
    volume = np.array([np.median(volume_l[mode == m]) for m in known])
    flow = np.array([np.median(flow_lpm[mode == m]) for m in known])
    order = np.argsort(-volume, kind="stable")
    toilet = np.zeros(known.size, dtype=np.int64)
    full: list[int] = []
    taken: set[int] = set()
    for k in order:
        host = next(
            (
                t
                for t, f in enumerate(full)
                if t not in taken
                and abs(np.log(flow[k] / flow[f])) < SAME_FLOW
                and REDUCED[0] <= volume[k] / volume[f] <= REDUCED[1]
            ),
            None,
        )
        if host is None:
            full.append(int(k))
            toilet[k] = len(full)
        else:
            taken.add(host)
            toilet[k] = host + 1
    # Flushes of no mode (partial, or hidden among other uses) go to the toilet of the nearest flow and volume.
    away = (np.log(flow_lpm[:, None] / flow) / SAME_FLOW) ** 2 + np.log(volume_l[:, None] / volume) ** 2
    member = np.searchsorted(known, mode)
    return toilet[np.where(mode >= 0, np.minimum(member, known.size - 1), away.argmin(axis=1))]


def _valves(flow_lpm: FloatArray) -> IntArray:
    """Number events from 1 by falling flow, a new number at each wide step of the sorted flows."""
    order = np.argsort(-flow_lpm, kind="stable")
    step = np.abs(np.diff(np.log(flow_lpm[order]))) > FLOW_STEP
    number = np.empty(flow_lpm.size, dtype=np.int64)
    number[order] = 1 + np.concatenate([[0], np.cumsum(step)]) if flow_lpm.size else order
    return number
