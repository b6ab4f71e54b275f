"""Spans of flow between pauses: the simplest cut of a trace into events, and what can be measured on a span."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.trace import Trace
from flowsift.units import SECONDS_PER_MINUTE

SLOWEST_USE_LPM = 0.6
"""Pulses of a slower flow fall apart into spans of their own [L/min]. Common practice: a pencil-thin stream."""

PAUSE_S = 10.0
"""Longest pause inside one span [s]. Common practice: what a person would call one use of a faucet."""

LONGEST_PULSE_PAUSE_S = 300.0
"""Longest pause inside one span, whatever the pulse [s]. Assumption."""

MOST_SAMPLES = 400
"""The flow of a longer span is averaged down to this many samples: it bounds the work."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Cuts:
    """Spans of a trace that are each taken for one use.

    Attributes
    ----------
    start, end : ndarray of int64, shape (n_cuts,)
        Half-open ranges of cells, increasing.
    volume_l, peak_lpm : ndarray, shape (n_cuts,)
        Metered volume [L] and largest flow of one cell [L/min] in each.
    interval_s : float
        Length of a cell [s].
    """

    start: IntArray
    end: IntArray
    volume_l: FloatArray
    peak_lpm: FloatArray
    interval_s: float

    @property
    def duration_s(self) -> FloatArray:
        """Duration of each span [s]."""
        return np.asarray((self.end - self.start) * self.interval_s, np.float64)

    @property
    def mean_lpm(self) -> FloatArray:
        """Mean flow of each span [L/min]."""
        return self.volume_l / self.duration_s * SECONDS_PER_MINUTE


def cut_on_pauses(trace: Trace) -> Cuts:
    """Cut a trace wherever it pauses for longer than one use does, and at missing data.

    A meter of large pulses pauses between the pulses of one steady use: the pause allowed grows with the pulse.
    """
    if trace.n_flow == 0:
        return _measured(trace, np.empty(0, np.int64), np.empty(0, np.int64))
    pause_s = max(PAUSE_S, min(trace.pulse_l / SLOWEST_USE_LPM * SECONDS_PER_MINUTE, LONGEST_PULSE_PAUSE_S))
    reach = max(round(pause_s / trace.interval_s), 1) + 1
    gaps_before = np.searchsorted(trace.gaps[:, 0], trace.cell, side="right")
    opens = (np.diff(trace.cell, prepend=trace.cell[0]) > reach) | (np.diff(gaps_before, prepend=gaps_before[0]) > 0)
    opens[0] = True
    first = np.flatnonzero(opens)
    last = np.append(first[1:], trace.n_flow) - 1
    return _measured(trace, trace.cell[first], trace.cell[last] + 1)


def _measured(trace: Trace, start: IntArray, end: IntArray) -> Cuts:
    """Measure given half-open ranges of cells, each holding at least one metered cell."""
    upto = np.concatenate([[0.0], np.cumsum(trace.volume_l)])
    first, stop = np.searchsorted(trace.cell, start), np.searchsorted(trace.cell, end)
    # reduceat needs pairs; a last range that ends with the trace has no right edge to give.
    edges = np.column_stack([first, stop]).ravel()
    padded = np.append(trace.volume_l, 0.0)
    peak = np.maximum.reduceat(padded, edges)[::2] if edges.size else np.empty(0)
    return Cuts(
        start=start,
        end=end,
        volume_l=np.maximum(upto[stop] - upto[first], 0.0),
        peak_lpm=np.where(stop > first, peak, 0.0) * SECONDS_PER_MINUTE / trace.interval_s,
        interval_s=trace.interval_s,
    )


def sampled_flow(trace: Trace, first: int, stop: int) -> tuple[IntArray, FloatArray]:
    """Return the flow of a span of cells in at most `MOST_SAMPLES` samples.

    Pulses are spread evenly over the time since the pulse before.

    Returns
    -------
    ndarray of int64, shape (n_samples + 1,)
        Cells at which samples begin, then `stop`.
    ndarray, shape (n_samples,)
        Flow [L/min].
    """
    a, b = np.searchsorted(trace.cell, [first, stop])
    # The first pulse has no known beginning: it is laid in its own cell.
    at = np.concatenate([[first], trace.cell[a:b] + 1])
    upto = np.concatenate([[0.0], np.cumsum(trace.volume_l[a:b])])
    edge = np.unique(np.linspace(first, stop, min(stop - first, MOST_SAMPLES) + 1).astype(np.int64))
    volume_l = np.diff(np.interp(edge, at, upto))
    return edge, volume_l / (np.diff(edge) * trace.interval_s) * SECONDS_PER_MINUTE
