"""The constant flow under everything: found by its pulses' spacing, dated by the pauses that rule it out.

A trickle of rate ``r`` read in pulses of volume ``p`` can leave no pause longer than ``p / r``; and where nothing else
runs, the rate never falls below ``r``. So over a window of hours two things must hold at once: the least rate of any
stretch in it is above zero, and the longest pause in it is about one pulse at that rate. Uses only shorten pauses and
raise rates, so they can hide a trickle but hardly feign one.
"""

from __future__ import annotations

import numpy as np

from flowsift.disaggregation import TrickleSpans
from flowsift.signal.blocks import BLOCK_S, Blocks, Resolution, block_cells, block_resolution, summarise_blocks
from flowsift.signal.trickle_ends import end_cell, onset_cell
from flowsift.signal.trickle_floor import SCALES, floor_rate
from flowsift.signal.trickle_level import level_pieces
from flowsift.signal.trickle_rate import measured_rate
from flowsift.trace import FloatArray, Trace

LEAST_PULSES = 3.0
"""A rate that rests on fewer pulses than this is no trickle yet."""


def find_trickle(trace: Trace) -> TrickleSpans:
    """Find spans of constant flow, their rates and intervals.

    Parameters
    ----------
    trace : Trace

    Returns
    -------
    TrickleSpans
        Disjoint, in order. A span shorter than the shortest window of `SCALES` is never reported.
    """
    blocks = summarise_blocks(trace)
    if blocks.volume_l.size < SCALES[0].window_s / BLOCK_S or trace.n_flow < 8:
        return TrickleSpans.none()
    resolution = block_resolution(pulse_l=trace.pulse_l, interval_s=trace.interval_s)
    return _spans(trace, blocks, resolution, floor_rate(blocks, resolution))


def _spans(trace: Trace, blocks: Blocks, resolution: Resolution, floor_lpm: FloatArray) -> TrickleSpans:
    """Turn blocks with a trickle into spans with a measured rate and exact ends."""
    on = np.concatenate([[False], floor_lpm > 0, [False]])
    starts, stops = np.flatnonzero(~on[:-1] & on[1:]), np.flatnonzero(on[:-1] & ~on[1:])
    rows: list[tuple[float, ...]] = []
    cells = block_cells(trace.interval_s)
    for a, b in zip(starts, stops, strict=True):
        for c, d in level_pieces(blocks, resolution, floor_lpm, int(a), int(b)):
            rate, error = measured_rate(blocks, resolution, c, d)
            if rate <= LEAST_PULSES * error:
                continue
            first, last = c * cells, d * cells
            half = (first + last) // 2
            if c == a:
                first = onset_cell(trace, first, half, rate)
            if d == b:
                last = end_cell(trace, last, half, rate)
            rows.append((first, last, rate, max(rate - error, 0.0), rate + error))
    if not rows:
        return TrickleSpans.none()
    table = np.array(rows)
    start, end = table[:, 0].astype(np.int64), table[:, 1].astype(np.int64)
    end[:-1] = np.minimum(end[:-1], start[1:])
    return TrickleSpans(start=start, end=end, rate_lpm=table[:, 2], low_lpm=table[:, 3], high_lpm=table[:, 4])
