"""Ranges of cells, and volumes that are spread over cells, summed in them and moved between them."""

from __future__ import annotations

import numpy as np

from flowsift.arrays import BoolArray, FloatArray, IntArray
from flowsift.errors import InputError

LEAST_FLOW_L = 1e-15
"""Less than this in a cell counts as no flow: arithmetic on smaller numbers loses its digits."""

LARGEST_SPREAD_CELLS = 100_000_000
"""Cells over which rows of longer intervals are spread at most: more would need more memory than most machines have."""


def ranges_of(cells: IntArray, length: IntArray) -> IntArray:
    """Join ranges ``[cell, cell + length)``, sorted, into disjoint ones, shape (n_ranges, 2)."""
    if not cells.size:
        return np.empty((0, 2), np.int64)
    end = np.maximum.accumulate(cells + length)
    first = np.flatnonzero(np.concatenate([[True], cells[1:] > end[:-1]]))
    last = np.concatenate([first[1:] - 1, [cells.size - 1]])
    return np.stack([cells[first], end[last]], axis=1)


def uncovered(cells: IntArray, length: IntArray | None, n_cells: int) -> IntArray:
    """Return the ranges of cells outside ``[cell, cell + length)``, shape (n_ranges, 2)."""
    if cells.size == n_cells and length is None and bool((np.diff(cells) == 1).all()):
        return np.empty((0, 2), np.int64)
    end = np.maximum.accumulate(cells + (1 if length is None else length)) if cells.size else cells
    before = np.concatenate([[0], end])
    after = np.concatenate([cells, [n_cells]])
    hole = after > before
    return np.stack([before[hole], after[hole]], axis=1).astype(np.int64)


def shares_cell(cell: IntArray) -> BoolArray:
    """Tell which rows share their cell with a neighbour."""
    same = np.diff(cell) == 0
    both: BoolArray = np.concatenate([[False], same]) | np.concatenate([same, [False]])
    return both


def summed_by_cell(cell: IntArray, volume: FloatArray) -> tuple[IntArray, FloatArray]:
    """Sum volumes that share a cell (cells sorted); only cells with flow come back."""
    flows = volume >= LEAST_FLOW_L
    cell, volume = cell[flows], volume[flows]
    if cell.size and not (np.diff(cell) > 0).all():
        first = np.flatnonzero(np.concatenate([[True], np.diff(cell) > 0]))
        return cell[first], np.add.reduceat(volume, first)
    return cell, volume


def spread(cell: IntArray, volume: FloatArray, length: IntArray | None) -> tuple[IntArray, FloatArray]:
    """Spread each volume evenly over the cells it covers."""
    if length is None:
        return cell, volume
    flows = volume >= LEAST_FLOW_L
    cell, volume, length = cell[flows], volume[flows], length[flows]
    if float(length.sum(dtype=np.float64)) > LARGEST_SPREAD_CELLS:
        raise InputError(
            f"found long intervals with flow that would be spread over {length.sum(dtype=np.float64):.3g} intervals of "
            "the prevailing length, more than memory is set aside for: give interval_s, the length of the long ones"
        )
    first = np.cumsum(length) - length
    into = np.arange(int(length.sum()), dtype=np.int64) - np.repeat(first, length) + np.repeat(cell, length)
    return into, np.repeat(volume / length, length)


def volume_into_gaps(
    cell: IntArray, volume: FloatArray, gaps: IntArray, gap_volume: FloatArray
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Move volume that lies inside a gap to what is known of the gap.

    Two readings in the interval after which readings are missing give such a volume.
    """
    if not len(gaps) or not cell.size:
        return cell, volume, gap_volume
    gap = np.searchsorted(gaps[:, 0], cell, side="right") - 1
    inside = (gap >= 0) & (cell < gaps[gap, 1])
    if not inside.any():
        return cell, volume, gap_volume
    moved = np.bincount(gap[inside], volume[inside], minlength=len(gaps))
    return cell[~inside], volume[~inside], gap_volume + moved


def cells_outside(gaps: IntArray, n_cells: int) -> IntArray:
    """Return the cells that lie in no gap, increasing."""
    known = np.ones(n_cells, bool)
    for first, stop in gaps:
        known[first:stop] = False
    return np.flatnonzero(known)


def gaps_between(gaps: IntArray, gap_volume: FloatArray, first: int, stop: int) -> tuple[IntArray, FloatArray]:
    """Return the gaps of a range of cells, counted from its first, and the volumes known over them.

    Of a gap that is cut through, the part inside keeps its share by time of the volume.
    """
    inside = np.clip(gaps, first, stop)
    share = np.diff(inside)[:, 0] / np.diff(gaps)[:, 0]
    kept = share > 0
    return inside[kept] - first, (gap_volume * share)[kept]
