"""Loads by the programmes of the home's own machines: where one ends and the next begins.

A pause alone doesn't tell: a wash phase can last longer than the break between two loads run one after the other. A
load that stands alone shows its machine's programme, the volumes and the times of its fills; fills that run on are
split where each part is such a programme.
"""

from __future__ import annotations

import numpy as np

from flowsift.arrays import BoolArray, FloatArray, IntArray

LONGEST_SITTING_S = 4500.0
"""Fills further apart than this are of two loads, whatever the programme [s] (assumption: no wash phase is longer)."""

SAME_TIME_S, SAME_TIME = 120.0, 0.08
"""Two fills are at the same place in a programme within this time, or this share of the time since its start."""

SAME_VOLUME = 0.3
"""Log ratio within which two fills at that place are alike (assumption: loads are weighed, fills topped up)."""

MOST_FILLS = 60
"""A longer row of fills is no machine's: pauses alone split it."""

PART_COST = 0.3
"""What one load more costs, in the scale of the log of how often its programme was seen alone."""

PAUSE_COST = 1.0
"""What a pause too long for a load costs where no programme explains it."""


def number_loads(start_s: FloatArray, end_s: FloatArray, volume_l: FloatArray, *, longest_break_s: float) -> IntArray:
    """Number the loads of one kind of machine.

    Parameters
    ----------
    start_s, end_s, volume_l : ndarray, shape (n_fills,)
        Fills, sorted by start.
    longest_break_s : float
        Longest time between two fills of a load, end to start, where the home's own programmes don't say otherwise [s].

    Returns
    -------
    ndarray of int64, shape (n_fills,)
        From 1, in order of time.
    """
    n = start_s.size
    if n == 0:
        return np.empty(0, np.int64)
    pause_s = start_s[1:] - np.maximum.accumulate(end_s)[:-1]
    long = np.append(True, pause_s > longest_break_s)
    sittings = np.split(np.arange(n), 1 + np.flatnonzero(pause_s > LONGEST_SITTING_S))
    alone = _Alone(sittings, start_s, volume_l)
    begins = np.zeros(n, bool)
    for fills in sittings:
        begins[fills[0]] = True
        if fills.size > MOST_FILLS:
            begins[fills] |= long[fills]
        elif fills.size > 1:
            begins[_load_starts(fills, alone, long=long)] = True
    return np.cumsum(begins)


class _Alone:
    """Rows of fills that stand alone, by their number."""

    def __init__(self, sittings: list[IntArray], start_s: FloatArray, volume_l: FloatArray) -> None:
        self._start_s, self._log_volume = start_s, np.log(volume_l)
        self._rows = {}
        for size in {fills.size for fills in sittings}:
            rows = np.array([fills for fills in sittings if fills.size == size])
            since = start_s[rows] - start_s[rows[:, :1]]
            self._rows[size] = rows[:, 0], since, self._log_volume[rows]

    def times_seen(self, part: IntArray) -> int:
        """Count the rows elsewhere that are this row of fills and nothing else."""
        if part.size < 2 or part.size not in self._rows:
            return 0
        begins, row_since, row_volume = self._rows[part.size]
        since = self._start_s[part] - self._start_s[part[0]]
        same = np.abs(row_since - since) <= np.maximum(SAME_TIME_S, SAME_TIME * since)
        same &= np.abs(row_volume - self._log_volume[part]) <= SAME_VOLUME
        return int(np.count_nonzero(same.all(axis=1) & (begins != part[0])))


def _load_starts(fills: IntArray, alone: _Alone, *, long: BoolArray) -> list[int]:
    """Return the first fill of each load of a sitting: the split whose parts are best known as programmes."""
    n = fills.size
    best = np.full(n + 1, -np.inf)
    best[0] = 0.0
    came_from = np.zeros(n + 1, np.int64)
    for i in range(n):
        for j in range(i + 1, n + 1):
            part = fills[i:j]
            seen = alone.times_seen(part)
            score = best[i] + part.size * np.log1p(seen) - PART_COST
            if not seen:
                score -= PAUSE_COST * np.count_nonzero(long[part[1:]])
            if score > best[j]:
                best[j], came_from[j] = score, i
    starts = []
    at = n
    while at > 0:
        at = int(came_from[at])
        starts.append(int(fills[at]))
    return starts
