"""Runs of flow, and the rate inside them with the meter's pulses spread out.

A meter that counts pulses shows a steady draw as pulses some cells apart. Inside a run each pulse's volume is laid
evenly over the cells since the pulse before it: that is the rate the meter saw.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsift.arrays import BoolArray, FloatArray, IntArray
from flowsift.errors import InputError
from flowsift.units import SECONDS_PER_MINUTE

LEAST_USE_LPM = 0.6
"""Least flow at which a fixture is used [L/min] (common practice: a pencil-thin stream); a slower draw of pulses falls
apart into lone pulses."""

LONGEST_JOIN_S = 300.0
"""Pulses further apart than this never join into one run [s]: coarser meters lose single uses instead."""

MOST_FILLED_CELLS = 100_000_000
"""Cells between pulses over which volume is laid at most, three years at one second: more would need more memory than
most machines have."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Runs:
    """Runs of flow on a dense axis: the cells of all runs, one run behind the other.

    Attributes
    ----------
    rate_lpm : ndarray of float64, shape (n_dense,)
        Rate in each cell of the runs [L/min].
    cell : ndarray of int64, shape (n_dense,)
        Cell of the trace at each place of the dense axis.
    sample : ndarray of int64, shape (n_flow,)
        Place on the dense axis of each metered cell of the trace.
    first : ndarray of int64, shape (n_runs + 1,)
        Place on the dense axis at which each run begins, then the length of the axis.
    """

    rate_lpm: FloatArray
    cell: IntArray
    sample: IntArray
    first: IntArray


def join_distance(*, pulse_l: float, interval_s: float) -> int:
    """Return how many cells apart two metered cells may be and still belong to one run."""
    seconds = min(pulse_l / LEAST_USE_LPM * SECONDS_PER_MINUTE, LONGEST_JOIN_S)
    return max(int(np.ceil(seconds / interval_s)), 1) + 1


def find_runs(
    cell: IntArray,
    volume_l: FloatArray,
    *,
    pulse_l: float,
    interval_s: float,
    barrier: BoolArray,
) -> Runs:
    """Join metered cells into runs and lay their volume out as a rate.

    Parameters
    ----------
    cell : ndarray of int64, shape (n_flow,)
        Metered cells, increasing.
    volume_l : ndarray of float64, shape (n_flow,)
        Their volumes [L], > 0.
    pulse_l : float
        Volume of one pulse [L], >= 0.
    interval_s : float
        Length of a cell [s], > 0.
    barrier : ndarray of bool, shape (n_flow,)
        True where missing data lies between a metered cell and the one before it: no run crosses it.

    Returns
    -------
    Runs
        Empty arrays where there is no flow.

    Raises
    ------
    InputError
        If cells are so short beside the pulse that more than `MOST_FILLED_CELLS` lie between pulses.
    """
    if cell.size == 0:
        empty = np.empty(0, np.int64)
        return Runs(rate_lpm=np.empty(0), cell=empty, sample=empty, first=np.zeros(1, np.int64))
    distance = np.diff(cell, prepend=cell[0])
    opens = barrier | (distance > join_distance(pulse_l=pulse_l, interval_s=interval_s))
    opens[0] = True
    covered = np.where(opens, _reach_of_first_pulse(cell, volume_l, distance, opens, pulse_l), distance)
    last = np.cumsum(covered)
    n_dense = int(last[-1])
    if n_dense - cell.size > MOST_FILLED_CELLS:
        raise InputError(
            f"found {n_dense - cell.size:,} intervals of {interval_s:g} s between pulses of {pulse_l:g} L, more than "
            "memory is set aside for: give a longer interval_s"
        )
    return Runs(
        rate_lpm=np.repeat(volume_l / covered * (SECONDS_PER_MINUTE / interval_s), covered),
        cell=np.repeat(cell + 1 - last, covered) + np.arange(n_dense),
        sample=last - 1,
        first=np.append((last - covered)[opens], n_dense),
    )


def _reach_of_first_pulse(
    cell: IntArray, volume_l: FloatArray, distance: IntArray, opens: BoolArray, pulse_l: float
) -> IntArray:
    """Cells over which a run's first pulse is laid: half the way to the next, as its own beginning is not seen.

    The water of the first pulse began to flow anywhere in the pulse before; half of it is the mean.
    """
    to_next = np.append(distance[1:], 1)
    alone = np.append(opens[1:], True)
    reach = np.where(alone | (volume_l > 1.5 * pulse_l), 1, (to_next + 1) // 2)
    free = np.where(opens, np.maximum(distance, 1), 1)
    free[0] = max(int(cell[0]) + 1, 1)
    return np.maximum(np.minimum(reach, free), 1)
