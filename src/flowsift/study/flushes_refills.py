"""Candidate flushes of a disaggregated trace, described by what the meter saw of each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsift.arrays import BoolArray, FloatArray, IntArray
from flowsift.disaggregation import Disaggregation
from flowsift.disaggregation.shares import merged
from flowsift.study.flushes_modes import Reading
from flowsift.study.flushes_shape import ShapeOdds, shape_odds
from flowsift.units import SECONDS_PER_MINUTE

NEIGHBOUR_S = 5.0
"""Another use that begins or ends within this time of a refill, or within two intervals, may have mixed with it [s]."""

EDGE_LPM = 4.5
"""Flow of an interval in which two uses touch: whose it was isn't known [L/min] (counted on 200 homes of the training
seeds: a refill with a neighbour is off by 0.75 L at 10 s, and by 0.1 L at 1 s)."""

STEADY = (0.10, 0.60)
"""Part of a refill's volume in which its valve is open wide and nothing else runs: later a float may throttle it, and
hands are washed (assumption; of 0.5, 0.6 and 0.75 the middle one told most toilets of the training seeds apart)."""

FULLEST_ERROR, ONE_CELL_ERROR = 0.08, 0.35
"""Error of the flow of an event that fills no cell for certain, beside that of the pulses, as a share. In its fullest
cell it ran nearly all the time (counted on 120 homes of the training seeds at 10 s); when in a single one it ran isn't
known (assumption)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Refills:
    """Events of some labels, one element an event, sorted by start.

    Attributes
    ----------
    row : ndarray of int64, shape (n,)
        Row of the table of events.
    start_s, end_s : ndarray, shape (n,)
        Seconds since the start of the trace.
    volume_l : ndarray, shape (n,)
        Metered volume without the trickle below it [L].
    volume_error_l : ndarray, shape (n,)
        Standard deviation of that volume by what a neighbour may have taken or left [L]; 0 where it is isolated.
    trickle_l : ndarray, shape (n,)
        Trickle in the same cells, that a naive sum would count in [L].
    flow_lpm : ndarray, shape (n,)
        Flow while the valve is open wide [L/min]; that of the fullest cell where an event is too short to tell.
    flow_error : ndarray, shape (n,)
        Standard deviation of that flow by the reading in pulses, as a share.
    probability : ndarray, shape (n,)
        Probability of the label, as the method gives it.
    isolated : ndarray of bool, shape (n,)
        Ran alone, with nothing next to it.
    at_gap : ndarray of bool, shape (n,)
        Touches missing data, or an end of the trace: may be cut.
    shape : ShapeOdds
        What their shapes tell of other water in them.
    """

    row: IntArray
    start_s: FloatArray
    end_s: FloatArray
    volume_l: FloatArray
    volume_error_l: FloatArray
    trickle_l: FloatArray
    flow_lpm: FloatArray
    flow_error: FloatArray
    probability: FloatArray
    isolated: BoolArray
    at_gap: BoolArray
    shape: ShapeOdds

    def __len__(self) -> int:
        """Return the number of events."""
        return self.row.size

    def chosen(self, which: BoolArray) -> Refills:
        """Return those events only."""
        each = {name: getattr(self, name)[which] for name in self.__dataclass_fields__ if name != "shape"}
        return Refills(**each, shape=self.shape.chosen(which))

    def at_rows(self, rows: IntArray) -> Refills:
        """Return the events that stand in those rows of the table of events."""
        return self.chosen(np.isin(self.row, rows))


def refills_of(result: Disaggregation, *labels: str) -> Refills:
    """Describe the events that carry one of the labels.

    Parameters
    ----------
    result : Disaggregation
    *labels : str
        From `flowsift.labels.LABELS`.

    Returns
    -------
    Refills
        Empty if there are none.
    """
    trace, events = result.trace, result.events
    n = len(events)
    start = _seconds(events["start"].to_numpy(dtype="datetime64[ns]"), trace.start_ns)
    end = _seconds(events["end"].to_numpy(dtype="datetime64[ns]"), trace.start_ns)
    row = np.flatnonzero(events["label"].isin(labels).to_numpy(dtype=bool)).astype(np.int64)
    near = max(2.0 * trace.interval_s, NEIGHBOUR_S)
    alone = ~events["overlaps"].to_numpy(dtype=bool) & ~_crowded(start, end, near_s=near)
    flow_lpm, flow_error = _steady_flow(result, row)
    trickle = np.bincount(result.shares.event, result.trickle_l[result.shares.flow], minlength=n)
    return Refills(
        row=row,
        start_s=start[row],
        end_s=end[row],
        volume_l=events["volume_l"].to_numpy(dtype=np.float64)[row],
        volume_error_l=np.where(alone[row], 0.0, EDGE_LPM * trace.interval_s / SECONDS_PER_MINUTE),
        trickle_l=trickle[row].astype(np.float64),
        flow_lpm=flow_lpm,
        flow_error=flow_error,
        probability=events["probability"].to_numpy(dtype=np.float64)[row],
        isolated=alone[row],
        at_gap=_at_gap(result, start, end)[row],
        shape=shape_odds(result, row),
    )


def _seconds(times: np.ndarray, start_ns: int) -> FloatArray:
    return np.asarray((times.astype("int64") - start_ns) * 1e-9, dtype=np.float64)


def _crowded(start_s: FloatArray, end_s: FloatArray, *, near_s: float) -> BoolArray:
    """Tell which events have another one right before or after (sorted by start)."""
    crowded = np.zeros(start_s.size, bool)
    if start_s.size > 1:
        close = start_s[1:] - np.maximum.accumulate(end_s)[:-1] < near_s
        crowded[1:] |= close
        crowded[:-1] |= close
    return crowded


def _at_gap(result: Disaggregation, start_s: FloatArray, end_s: FloatArray) -> BoolArray:
    """Tell which events touch missing data or an end of the trace."""
    trace = result.trace
    edge = np.concatenate([[0.0], trace.gaps.ravel().astype(np.float64), [float(trace.n_cells)]]) * trace.interval_s
    first = np.searchsorted(edge, start_s - trace.interval_s, side="left")
    last = np.searchsorted(edge, end_s + trace.interval_s, side="right")
    return np.asarray(last > first, dtype=np.bool_)


def _steady_flow(result: Disaggregation, row: IntArray) -> tuple[FloatArray, FloatArray]:
    """Return some events' flow while the valve is open wide [L/min] and its error as a share, shapes (n_rows,)."""
    trace, shares = result.trace, merged(result.shares)
    volume_sd_l = Reading(pulse_l=trace.pulse_l, interval_s=trace.interval_s).volume_sd_l
    flow = result.events["mean_lpm"].to_numpy(dtype=np.float64)[row]
    error = np.full(flow.size, ONE_CELL_ERROR)
    cell, volume = trace.cell[shares.flow], shares.volume_l
    first, stop = np.searchsorted(shares.event, row), np.searchsorted(shares.event, row, side="right")
    for k in range(row.size):
        own = slice(first[k], stop[k])
        upto = np.cumsum(volume[own])
        if upto.size < 2:
            continue
        # Whole cells between two that hold flow: the first and the last are filled only in part.
        a = int(np.searchsorted(upto, STEADY[0] * upto[-1]))
        b = min(int(np.searchsorted(upto, STEADY[1] * upto[-1])), upto.size - 2)
        if b > a:
            part_l, span_s, rest = float(upto[b] - upto[a]), float(cell[own][b] - cell[own][a]) * trace.interval_s, 0.0
        else:
            part_l, span_s, rest = float(volume[own].max()), trace.interval_s, FULLEST_ERROR
        if part_l > 0:
            flow[k] = part_l / span_s * SECONDS_PER_MINUTE
            error[k] = np.hypot(volume_sd_l / part_l, rest)
    return flow, error
