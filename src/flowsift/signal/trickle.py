"""The constant flow under everything: found by its pulses' spacing, dated by the pauses that rule it out.

A trickle of rate ``r`` read in pulses of volume ``p`` can leave no pause longer than ``p / r``; and where nothing else
runs, the rate never falls below ``r``. So over a window of hours two things must hold at once: the least rate of any
stretch in it is above zero, and the longest pause in it is about one pulse at that rate. Uses only shorten pauses and
raise rates, so they can hide a trickle but hardly feign one.
"""

from __future__ import annotations

import numpy as np

from flowsift.arrays import BoolArray, FloatArray, IntArray
from flowsift.disaggregation import TrickleSpans
from flowsift.grouping import stretch_starts
from flowsift.signal.blocks import BLOCK_S, Blocks, Resolution, block_cells, block_resolution, summarise_blocks
from flowsift.signal.trickle_ends import end_cell, onset_cell
from flowsift.signal.trickle_floor import SCALES, floor_rate
from flowsift.signal.trickle_level import HUMP_S, PIECE_S, level_pieces
from flowsift.signal.trickle_rate import measured_rate
from flowsift.trace import Trace


def find_trickle(trace: Trace) -> TrickleSpans:
    """Find spans of constant flow, their rates and intervals.

    Parameters
    ----------
    trace : Trace

    Returns
    -------
    TrickleSpans
        Disjoint, in order. Flow for less than the shortest window of `SCALES` is never reported, nor is flow that
        comes and goes (see `_stays`).
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
        pieces = level_pieces(blocks, resolution, floor_lpm, int(a), int(b))
        rates = [measured_rate(blocks, resolution, c, d) for c, d in pieces]
        runs = [False, *(rate.rate_lpm > 0 for rate in rates), False]
        for k, ((c, d), rate) in enumerate(zip(pieces, rates, strict=True)):
            if rate.rate_lpm == 0:
                continue
            first, last = c * cells, d * cells
            half = (first + last) // 2
            # A change between two pieces is known to about a piece, the end of the blocks with a trickle to a block.
            if not runs[k]:
                first = onset_cell(trace, first, half, rate.rate_lpm, reach_s=BLOCK_S if c == a else PIECE_S)
            if not runs[k + 2]:
                last = end_cell(trace, last, half, rate.rate_lpm, reach_s=BLOCK_S if d == b else PIECE_S)
            rows.append((first, last, rate.rate_lpm, rate.low_lpm, rate.high_lpm))
    if not rows:
        return TrickleSpans.none()
    table = np.array(rows)
    start, end = table[:, 0].astype(np.int64), table[:, 1].astype(np.int64)
    end[:-1] = np.minimum(end[:-1], start[1:])
    stays = _stays(start, end, blocks, trace.interval_s)
    return TrickleSpans(
        start=start[stays],
        end=end[stays],
        rate_lpm=table[stays, 2],
        low_lpm=table[stays, 3],
        high_lpm=table[stays, 4],
    )


def _stays(start: IntArray, end: IntArray, blocks: Blocks, interval_s: float) -> BoolArray:
    """Tell which spans are a trickle's: not what is too short, nor what comes and goes.

    What runs steadily for less than `HUMP_S`, more than once, is a use: a cooler, a drip zone. Spans that adjoin, or
    between which data are missing, count as one flow.
    """
    cells = block_cells(interval_s)
    unknown = np.append(0, np.cumsum(blocks.known == 0))
    last = blocks.known.size
    between = unknown[np.minimum(start[1:] // cells, last)] - unknown[np.minimum(end[:-1] // cells, last)]
    flow = np.append(0, np.cumsum((start[1:] > end[:-1]) & (between == 0)))
    opens = stretch_starts(flow)
    length_s = (end[np.append(opens[1:], start.size) - 1] - start[opens]) * interval_s
    brief = length_s < HUMP_S
    gone = length_s < SCALES[0].window_s if brief.sum() < 2 else brief
    return np.asarray(~gone[flow])
