"""Which cell of a regular grid each row belongs to, in spite of jitter, drift and truncated stamps."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from flowsift.arrays import BoolArray, FloatArray, IntArray
from flowsift.ingest.rows import OrderedRows
from flowsift.units import NS_PER_S

BLOCK = 256
"""Rows over which the phase of the clock against the grid is averaged."""

CERTAIN = 0.25
"""The grid slips a cell only once the clock is within this of the next phase (no flutter half-way)."""

CHAIN = 8
"""Rows that may be shifted together to bring a doubled cell and a near empty one right."""

COARSE_RUN = 20
"""Equal, longer spacings in a row that make a coarse stretch; fewer are missing rows that happen to be regular."""

FINE = 0.55
"""Spacings shorter than this share of a cell are those of a fine stretch (half of one, and some jitter)."""

FINE_RUN = 5
"""Shorter spacings in a row that make a fine stretch."""


@dataclass(frozen=True, kw_only=True)
class Placed:
    """Rows on a grid.

    Attributes
    ----------
    start_ns : int
        Time of cell 0.
    cell : ndarray of int64, shape (n,)
        Cell of each row, not decreasing, first one 0.
    length : ndarray of int64, shape (n,), or None
        Cells that a row covers; None where each covers one.
    coarse : ndarray of bool, shape (n,), or None
        Rows of a coarse stretch: they cover `length` cells by their own spacing.
    fine : ndarray of bool, shape (n,), or None
        Rows of a fine stretch: several of them share a cell.
    jitter : bool
        Whether the times stray from the grid.
    n_slips : int
        Cells that the clock's drift skipped or doubled.
    n_shifted : int
        Rows moved to the empty neighbouring cell.
    """

    start_ns: int
    cell: IntArray
    length: IntArray | None = None
    coarse: BoolArray | None = None
    fine: BoolArray | None = None
    jitter: bool = False
    n_slips: int = 0
    n_shifted: int = 0


def place_rows(rows: OrderedRows, *, interval_ns: int, spread_coarse: bool) -> Placed:
    """Place rows on a grid of `interval_ns`.

    Parameters
    ----------
    rows : OrderedRows
        Sorted rows; their values only tell truncated stamps (values differ) from repeated rows.
    interval_ns : int
        Length of a cell.
    spread_coarse : bool
        Whether a run of longer spacings means longer intervals (rather than times without a row).
    """
    ns, value = rows.ns, rows.value
    if rows.regular_ns == interval_ns:
        return Placed(start_ns=int(ns[0]), cell=np.arange(ns.size, dtype=np.int64))
    offset = ns - ns[0]
    cell = offset // interval_ns
    if bool((cell * interval_ns == offset).all()):
        placed = Placed(start_ns=int(ns[0]), cell=cell)
    else:
        placed = _place_with_jitter(offset, int(ns[0]), interval_ns)
    del offset, cell
    step = np.diff(placed.cell)
    if not step.size or (step.max() == 1 and step.min() == 1):
        return placed
    spacing = np.diff(ns) / interval_ns
    placed = _shift_into_holes(placed, value, spacing)
    return _stretches(placed, spacing, spread_coarse)


def _place_with_jitter(offset: IntArray, first_ns: int, interval_ns: int) -> Placed:
    position = offset / interval_ns
    fine = _fine(np.diff(position))
    phase = _tracked_phase(position, fine)
    slip = _with_hysteresis(phase)
    lag = np.repeat(phase - slip, BLOCK)[: position.size]
    nearest = np.rint(position - lag)
    if fine.any():
        # a row of a fine stretch belongs to the cell that it lies in, not to the nearest start
        nearest[fine] = np.floor(position[fine] - lag[fine] + 0.05)
    cell = np.maximum.accumulate(nearest.astype(np.int64))
    start = first_ns + float(lag[0] + cell[0]) * interval_ns
    return Placed(
        start_ns=snapped_start(start, interval_ns),
        cell=cell - cell[0],
        jitter=True,
        n_slips=int(np.abs(np.diff(slip)).sum()),
    )


def _tracked_phase(position: FloatArray, fine: BoolArray) -> FloatArray:
    """Return the phase of the rows against the grid for each block, followed through its turns [cells]."""
    first = np.arange(0, position.size, BLOCK)
    turn = np.exp(2j * np.pi * (position - np.floor(position)))
    turn[fine] = 0.0
    mean = np.add.reduceat(turn, first) / np.diff(np.concatenate([first, [position.size]]))
    clear = np.abs(mean) > 0.3
    if not clear.any():
        return np.zeros(first.size)
    last_clear = np.maximum.accumulate(np.where(clear, np.arange(first.size), -1))
    angle = np.angle(mean)[np.where(last_clear < 0, int(clear.argmax()), last_clear)]
    return np.asarray(np.unwrap(angle) / (2.0 * np.pi), dtype=np.float64)


def _with_hysteresis(phase: FloatArray) -> FloatArray:
    nearest = np.rint(phase)
    certain = np.abs(phase - nearest) < CERTAIN
    certain[0] = True
    last = np.maximum.accumulate(np.where(certain, np.arange(phase.size), 0))
    return np.asarray(nearest[last], dtype=np.float64)


def snapped_start(start: float, interval_ns: int) -> int:
    """Return the start as a whole second where that is within a twentieth of an interval, else a millisecond."""
    for unit in (NS_PER_S, 1_000_000):
        nearest = round(start / unit) * unit
        if abs(nearest - start) <= 0.05 * interval_ns:
            return int(nearest)
    return round(start)


def _shift_into_holes(placed: Placed, value: FloatArray, spacing: FloatArray) -> Placed:
    """Move rows by one cell where a doubled cell and a cell without a row lie a few rows apart.

    Stamps cut to whole intervals do this: 10.0, 10.999, 12.001 become 10, 10, 12. Where the stamps lie on the grid, a
    doubled cell may also be a faulty row; then it is only the clock if nearly all doubled cells have an empty one near.
    """
    step = np.diff(placed.cell)
    event = np.flatnonzero(step != 1)
    doubled = (step[event] == 0) & (spacing[event] < 0.5)
    sign = np.where(doubled, 1, np.where(step[event] == 2, -1, 0))
    if not doubled.any() or not (sign < 0).any():
        return placed
    pairable = (sign[1:] * sign[:-1] == -1) & (np.diff(event) <= CHAIN)
    run_start = np.flatnonzero(pairable & ~np.concatenate([[False], pairable[:-1]]))
    which = np.cumsum(pairable & ~np.concatenate([[False], pairable[:-1]])) - 1
    place_in_run = np.arange(pairable.size) - run_start[np.maximum(which, 0)] if run_start.size else np.zeros(0, int)
    pair = np.flatnonzero(pairable & (place_in_run % 2 == 0)) if run_start.size else np.zeros(0, int)
    if not pair.size:
        return placed
    if not placed.jitter:
        differs = value[event[doubled]] != value[event[doubled] + 1]
        if differs.sum() < 3 or pair.size < 0.8 * doubled.sum():
            return placed
    # rows event+1 .. next event move towards the hole: forward if the doubled cell comes first
    move = np.zeros(placed.cell.size + 1, np.int64)
    np.add.at(move, event[pair] + 1, sign[pair])
    np.add.at(move, event[pair + 1] + 1, -sign[pair])
    move = np.cumsum(move)[:-1]
    return replace(placed, cell=placed.cell + move, n_shifted=int(np.count_nonzero(move)))


def _stretches(placed: Placed, spacing: FloatArray, spread_coarse: bool) -> Placed:
    step = np.diff(placed.cell)
    wide = np.flatnonzero(step > 1)
    slipped = wide[(step[wide] == 2) & (spacing[wide] < 1.5)]
    run = _equal_runs(wide, spacing) if spread_coarse else wide[:0]
    fine = _fine(spacing)
    placed = replace(placed, fine=fine if fine.any() else None)
    if not slipped.size and not run.size:
        return placed
    length = np.ones(placed.cell.size, np.int64)
    length[slipped] = 2
    if not run.size:
        return replace(placed, length=length)
    length[run] = step[run]
    coarse = np.zeros(placed.cell.size, bool)
    coarse[run] = True
    # the row that ends a coarse stretch covers as much as the one before it, unless the next row comes sooner
    last = run[np.append(np.diff(run) > 1, True)] + 1
    length[last] = np.minimum(length[last - 1], np.append(step, np.iinfo(np.int64).max)[last])
    coarse[last] = length[last] > 1
    return replace(placed, length=length, coarse=coarse)


def _fine(spacing: FloatArray) -> BoolArray:
    """Tell which rows lie in a run of spacings shorter than a cell."""
    fine = np.zeros(spacing.size + 1, bool)
    short = spacing < FINE
    if short.any():
        small = _in_runs_of(short, FINE_RUN) & (spacing > 0)
        fine[:-1] |= small
        fine[1:] |= small
    return fine


def _equal_runs(wide: IntArray, spacing: FloatArray) -> IntArray:
    """Return those wide spacings that belong to a run of `COARSE_RUN` nearly equal ones above 1.5 cells."""
    wide = wide[spacing[wide] > 1.5]
    follows = (np.diff(wide) == 1) & (np.abs(np.diff(spacing[wide])) < 0.5)
    tight = _in_runs_of(follows, COARSE_RUN - 1)
    member = np.zeros(wide.size, bool)
    member[:-1] |= tight
    member[1:] |= tight
    return np.asarray(wide[member], dtype=np.int64)


def _in_runs_of(flag: BoolArray, at_least: int) -> BoolArray:
    """Tell which flags belong to a run of at least so many."""
    if not flag.any():
        return np.zeros(flag.size, bool)
    edge = np.flatnonzero(np.diff(np.concatenate([[False], flag, [False]]).astype(np.int8)))
    start, stop = edge[::2], edge[1::2]
    keep = stop - start >= at_least
    delta = np.zeros(flag.size + 1, np.int64)
    delta[start[keep]] = 1
    delta[stop[keep]] -= 1
    return np.cumsum(delta[:-1]) > 0
