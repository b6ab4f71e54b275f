"""A trace in blocks of ten minutes: the volume of each, and the longest pause that reaches into it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsift.arrays import BoolArray, FloatArray, IntArray
from flowsift.trace import Trace
from flowsift.units import SECONDS_PER_MINUTE

BLOCK_S = 600.0
"""Length of the blocks in which rates and pauses are first looked at [s]."""

MISSING_SHARE = 0.02
"""A block that lacks at most this share of its cells is known all the same: loggers lose single rows."""


@dataclass(frozen=True, kw_only=True)
class Resolution:
    """How finely blocks were read: their length [s], the meter's pulse [L], the length of a cell [s]."""

    block_s: float
    pulse_l: float
    interval_s: float

    @property
    def block_min(self) -> float:
        """Length of a block [min]."""
        return self.block_s / SECONDS_PER_MINUTE


def block_cells(interval_s: float) -> int:
    """Return the number of cells in a block."""
    return max(round(BLOCK_S / interval_s), 1)


def block_resolution(*, pulse_l: float, interval_s: float) -> Resolution:
    """Return how finely the blocks of a trace are read."""
    return Resolution(block_s=block_cells(interval_s) * interval_s, pulse_l=pulse_l, interval_s=interval_s)


@dataclass(frozen=True, kw_only=True, eq=False)
class Blocks:
    """Stretches of equal length, in order.

    Attributes
    ----------
    volume_l : ndarray, shape (n_blocks,)
        Metered volume [L].
    pause_s : ndarray, shape (n_blocks,)
        Longest pause that reaches into the block, with its whole length [s].
    known : ndarray, shape (n_blocks,)
        1 where all data are there but for `MISSING_SHARE`, else 0.
    """

    volume_l: FloatArray
    pause_s: FloatArray
    known: FloatArray


def summarise_blocks(trace: Trace) -> Blocks:
    """Sum up the whole blocks of a trace; a pause counts in every block that it reaches into, with its whole length."""
    cells = block_cells(trace.interval_s)
    n_blocks = trace.n_cells // cells
    if n_blocks == 0:
        return Blocks(volume_l=np.empty(0), pause_s=np.empty(0), known=np.empty(0))
    volume = np.bincount(trace.cell // cells, trace.volume_l, minlength=n_blocks)[:n_blocks]
    missing = np.diff(_missing_before(trace, np.arange(n_blocks + 1) * cells))
    known = (missing <= MISSING_SHARE * cells).astype(np.float64)
    edges = np.concatenate([[-1], trace.cell, [trace.n_cells]])
    pause = (np.diff(edges) - 1) * trace.interval_s
    pause = np.where(without_data(trace, edges), 0.0, pause)
    longest = np.zeros(n_blocks)
    last = n_blocks - 1
    from_block = np.minimum((edges[:-1] + 1) // cells, last)
    to_block = np.minimum(np.maximum(edges[1:] - 1, 0) // cells, last)
    np.maximum.at(longest, from_block, pause)
    np.maximum.at(longest, to_block, pause)
    for k in np.flatnonzero(to_block - from_block > 1):
        inner = slice(from_block[k] + 1, to_block[k])
        longest[inner] = np.maximum(longest[inner], pause[k])
    return Blocks(volume_l=volume.astype(np.float64), pause_s=longest, known=known)


def _missing_before(trace: Trace, cells: IntArray) -> IntArray:
    """Number of missing cells before each cell."""
    upto = np.append(0, np.cumsum(trace.gaps[:, 1] - trace.gaps[:, 0]))
    begun = np.searchsorted(trace.gaps[:, 0], cells)
    stop = np.append(0, trace.gaps[:, 1])[begun]
    return np.asarray(upto[begun] - np.maximum(stop - cells, 0), dtype=np.int64)


def without_data(trace: Trace, cells: IntArray) -> BoolArray:
    """Tell between which neighbours of some cells data are missing: a pause there says nothing."""
    begun = np.searchsorted(trace.gaps[:, 0], cells)
    return np.asarray(begun[1:] > begun[:-1])
