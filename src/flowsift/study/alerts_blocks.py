"""A record cut into blocks of equal length, and how high a flow lasted in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from flowsift.disaggregation import Disaggregation
from flowsift.study.leaks_lines import is_left_running
from flowsift.trace import FloatArray, Trace
from flowsift.units import SECONDS_PER_MINUTE


@dataclass(frozen=True, kw_only=True, eq=False)
class Blocks:
    """Volume by block.

    Attributes
    ----------
    start : Timestamp
        Start of the first block.
    block_s : float
        Length of a block [s].
    volume_l : ndarray, shape (n_blocks,)
        Volume of each [L]; NaN where data are missing.
    """

    start: pd.Timestamp
    block_s: float
    volume_l: FloatArray

    def block_of(self, time: pd.Timestamp) -> int:
        """Return the block that a time falls in, the nearest one for times outside."""
        k = int((time - self.start).total_seconds() // self.block_s)
        return min(max(k, 0), max(self.volume_l.size - 1, 0))


def whole_flow(trace: Trace, *, block_s: float) -> Blocks:
    """Return the metered volume by block; the length is rounded to whole cells of the trace."""
    return _blocks(trace, trace.volume_l, block_s)


def ordinary_flow(result: Disaggregation, *, block_s: float) -> Blocks:
    """Return the metered volume by block without the losses: trickle, toilet leaks, what was left running."""
    events = result.events
    lost = ((events["label"] == "toilet_leak") | is_left_running(result)).to_numpy(dtype=bool)
    shares = result.shares
    taken = np.bincount(shares.flow, np.where(lost[shares.event], shares.volume_l, 0.0), minlength=result.trace.n_flow)
    return _blocks(result.trace, np.maximum(result.trace.volume_l - result.trickle_l - taken, 0.0), block_s)


def runs_at(blocks: Blocks, n: int) -> FloatArray:
    """Return how high a flow lasted in each separate row of `n` blocks, highest first [L/min].

    The k-th of them is the level at which the record has just k alarms (rows are told apart where the lasting flow
    falls to half of their height).

    Parameters
    ----------
    blocks : Blocks
    n : int
        Blocks on end, >= 1.
    """
    flow = blocks.volume_l / (blocks.block_s / SECONDS_PER_MINUTE)
    if flow.size < n:
        return np.empty(0)
    known = np.where(np.isnan(flow), 0.0, flow)
    lasting = np.lib.stride_tricks.sliding_window_view(known, n).min(axis=1)
    heights = []
    left = lasting.copy()
    while left.size:
        k = int(np.argmax(left))
        height = float(left[k])
        if height <= 0:
            break
        heights.append(height)
        below = left < 0.5 * height
        before, after = np.flatnonzero(below[:k]), np.flatnonzero(below[k:])
        a = int(before[-1]) + 1 if before.size else 0
        b = k + int(after[0]) if after.size else left.size
        left[a:b] = 0.0
    return np.array(heights)


def _blocks(trace: Trace, volume_l: FloatArray, block_s: float) -> Blocks:
    cells = max(round(block_s / trace.interval_s), 1)
    n = trace.n_cells // cells
    volume = np.bincount(trace.cell // cells, volume_l, minlength=n)[:n].astype(np.float64)
    for a, b in trace.gaps:
        volume[a // cells : -(-b // cells)] = np.nan
    return Blocks(start=trace.start, block_s=cells * trace.interval_s, volume_l=volume)
