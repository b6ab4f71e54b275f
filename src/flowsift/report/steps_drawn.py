"""The trace as rectangles to draw: each use's part of the flow over time, stacked, few enough to draw quickly."""

from __future__ import annotations

import numpy as np

from flowsift.arrays import FloatArray
from flowsift.disaggregation import Disaggregation
from flowsift.labels import LABELS, PARTS, TRICKLE, UNEXPLAINED
from flowsift.tables import Table
from flowsift.units import SECONDS_PER_MINUTE

MOST_STEPS = 20_000
"""Rectangles beyond which flows are rounded more coarsely, so that a page with a year stays small."""

FINEST = 0.005
"""First rounding tried, as a share of the largest flow; it doubles until there are few enough rectangles."""


def flow_steps(result: Disaggregation, *, most: int = MOST_STEPS) -> Table:
    """Return the flow over time as rectangles, one after another and stacked where uses overlap.

    Parameters
    ----------
    result : Disaggregation
    most : int
        Rectangles aimed at; two a use are always allowed.

    Returns
    -------
    Table
        Columns ``event`` (row of the table of events; -1 trickle, -2 not explained), ``part`` (position in `PARTS`),
        ``start_s`` and ``end_s`` (since the trace's start), ``low_lpm`` and ``high_lpm``. Neighbouring cells of one use
        whose flows round to the same are one rectangle of their mean flow, so that areas are volumes; a trickle under
        no use is left out.
    """
    trace = result.trace
    cell, event, volume = _parts(result)
    order = np.lexsort((event, cell))
    cell, event, volume = cell[order], event[order], volume[order]
    below = _stacked(cell, volume)
    order = np.lexsort((cell, event))
    cell, event, volume, below = cell[order], event[order], volume[order], below[order]
    if not cell.size:
        empty = dict.fromkeys(("start_s", "end_s", "low_lpm", "high_lpm"), np.empty(0))
        return Table({"event": event, "part": event, **empty})
    other = np.concatenate([[True], np.diff(event) != 0])
    idle = np.concatenate([[0], np.diff(cell) - 1])
    least = int(other.sum())
    step, bridged = FINEST * float(volume.max()), 0
    while True:
        level = np.round(volume / step) + 4096.0 * np.round(below / step)
        first = other | (idle > bridged) | np.concatenate([[True], np.diff(level) != 0])
        if first.sum() <= max(most, 2 * least):
            break
        # Coarser in flow and in time: a rectangle may bridge a few idle cells of its use, at the mean flow.
        step, bridged = 2.0 * step, 2 * bridged + 1
    begin = np.flatnonzero(first)
    stop = np.concatenate([begin[1:], [cell.size]])
    length = cell[stop - 1] + 1 - cell[begin]
    to_lpm = SECONDS_PER_MINUTE / trace.interval_s
    part_of = np.array([*label_positions(result), PARTS.index(UNEXPLAINED), PARTS.index(TRICKLE)])  # by -2 and -1
    low = np.add.reduceat(below, begin) / (stop - begin) * to_lpm
    own = np.add.reduceat(volume, begin) / length * to_lpm
    return Table(
        {
            "event": event[begin],
            "part": part_of[event[begin]],
            "start_s": cell[begin] * trace.interval_s,
            "end_s": (cell[stop - 1] + 1) * trace.interval_s,
            "low_lpm": low,
            "high_lpm": low + own,
        }
    )


def label_positions(result: Disaggregation) -> np.ndarray:
    """Return the position in `LABELS` of each event's label, shape (n_events,)."""
    known = {label: k for k, label in enumerate(LABELS)}
    return np.array([known[str(label)] for label in result.events["label"]], dtype=np.int64)


def _parts(result: Disaggregation) -> tuple[np.ndarray, np.ndarray, FloatArray]:
    trace, shares = result.trace, result.shares
    busy = np.zeros(trace.n_flow, bool)
    busy[shares.flow] = True
    trickle = np.flatnonzero(busy & (result.trickle_l > 0))
    left = result.unexplained_by_cell_l
    unexplained = np.flatnonzero(left > 0)
    cell = np.concatenate([trace.cell[shares.flow], trace.cell[trickle], trace.cell[unexplained]])
    event = np.concatenate([shares.event, np.full(trickle.size, -1), np.full(unexplained.size, -2)])
    volume = np.concatenate([shares.volume_l, result.trickle_l[trickle], left[unexplained]])
    return cell, event, volume


def _stacked(cell: np.ndarray, volume: FloatArray) -> FloatArray:
    """Return the volume below each part within its cell; `cell` is sorted."""
    if not cell.size:
        return np.empty(0)
    upto = np.cumsum(volume) - volume
    first = np.concatenate([[True], np.diff(cell) != 0])
    start = np.maximum.accumulate(np.where(first, np.arange(cell.size), 0))
    return np.asarray(np.maximum(upto - upto[start], 0.0))
