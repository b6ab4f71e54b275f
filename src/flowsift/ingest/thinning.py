"""Rows of a regular log, kept only where their value changes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsift.arrays import BoolArray, FloatArray, IntArray
from flowsift.ingest.rows import STRAY_DAYS
from flowsift.ingest.spacing import prevailing_interval_ns
from flowsift.units import NS_PER_S, SECONDS_PER_DAY

FEW_HOLES, HOLE_SHARE = 100, 0.02
"""More holes in a block of rows than the first, and more than this share of them: not a regular log."""

TELLING_ROWS = 10
"""Rows at a regular spacing that show that it is one, whatever was thinned out before them."""


@dataclass(frozen=True, kw_only=True, eq=False)
class ThinnedRows:
    """The first and the last row of each run of equal values on a regular grid.

    Attributes
    ----------
    start_ns, interval_ns : int
        Time of row 0 of the grid, and the spacing of its rows.
    index : ndarray of int64, shape (n,)
        Places on the grid, strictly increasing. Between two of them with the same value, and no hole, every place has
        a row with that value.
    value : ndarray of float64, shape (n,)
        Values, finite and not negative.
    holes : ndarray of int64, shape (n_holes, 2)
        Half-open ranges of places without a row, increasing.
    n_rows : int
        Number of rows that were thinned.
    """

    start_ns: int
    interval_ns: int
    index: IntArray
    value: FloatArray
    holes: IntArray
    n_rows: int

    @property
    def ns(self) -> IntArray:
        """Times of the rows that were kept [ns]."""
        return self.start_ns + self.index * self.interval_ns

    def telling(self) -> tuple[FloatArray, IntArray]:
        """Return values and times [ns] that tell the kind of the values as all rows would: a few more at the end."""
        more = self.index[-1] + np.arange(1, TELLING_ROWS + 1)
        index = np.concatenate([self.index, more])
        return np.pad(self.value, (0, TELLING_ROWS), mode="edge"), self.start_ns + index * self.interval_ns

    def with_every_flow(self) -> tuple[IntArray, FloatArray]:
        """Return times [ns] and values with the rows of long runs filled in again, but for those of zero."""
        between = np.diff(self.index) - 1
        if len(self.holes):
            between[np.searchsorted(self.index, self.holes[:, 0]) - 1] = 0
        between[(self.value[:-1] == 0) | (self.value[:-1] != self.value[1:])] = 0
        copies = np.append(between, 0) + 1
        first = np.cumsum(copies) - copies
        step = np.arange(int(copies.sum()), dtype=np.int64) - np.repeat(first, copies)
        index = np.repeat(self.index, copies) + step
        return self.start_ns + index * self.interval_ns, np.repeat(self.value, copies)


class Thinner:
    """Takes the rows of a log block by block, as long as they are plain: on one regular grid, finite, not negative."""

    def __init__(self) -> None:
        self._start_ns = self._interval_ns = self._n_rows = 0
        self._last: tuple[int, float, bool] | None = None
        self._index: list[IntArray] = []
        self._value: list[FloatArray] = []
        self._holes: list[IntArray] = []

    def add(self, ns: IntArray, value: FloatArray) -> bool:
        """Take a block of rows; return False, for good, if they aren't plain.

        Rows are plain as long as nothing about them calls for the treatment of faults: times strictly increasing on
        one grid, single holes in it shorter than a year, values finite and not negative.

        Parameters
        ----------
        ns : ndarray of int64, shape (n,)
        value : ndarray of float64, shape (n,)
        """
        if not ns.size:
            return True
        if not (np.isfinite(value).all() and value.min() >= 0):
            return False
        if self._last is None:
            if ns.size < 3 or not (np.diff(ns) > 0).all():
                return False
            self._start_ns, self._interval_ns = int(ns[0]), prevailing_interval_ns(ns)
        index, beside = np.divmod(ns - self._start_ns, self._interval_ns)
        if beside.any():
            return False
        # the last row of the block before is held back until what follows it is known
        held, fresh = self._last, True
        if held is not None:
            index, value = np.concatenate([[held[0]], index]), np.concatenate([[held[1]], value])
            fresh = held[2]
        step = np.diff(index)
        wide = step > 1
        if not self._is_plain(step, wide):
            return False
        keep = self._kept(value, wide, fresh)
        self._index.append(index[:-1][keep[:-1]])
        self._value.append(value[:-1][keep[:-1]])
        self._holes.append(np.stack([index[:-1][wide] + 1, index[1:][wide]], axis=1))
        self._last = int(index[-1]), float(value[-1]), bool(keep[-1])
        self._n_rows += ns.size
        return True

    def _is_plain(self, step: IntArray, wide: BoolArray) -> bool:
        if step.size and step.min() < 1:
            return False
        # several wide steps in a row may be a stretch of longer intervals
        if (wide[1:] & wide[:-1]).any():
            return False
        longest = STRAY_DAYS * SECONDS_PER_DAY * NS_PER_S / self._interval_ns
        return not wide.any() or (bool(step.max() < longest) and wide.sum() <= FEW_HOLES + HOLE_SHARE * wide.size)

    @staticmethod
    def _kept(value: FloatArray, wide: BoolArray, fresh: bool) -> BoolArray:
        """Tell which rows begin or end a run; the last one counts as kept only if it begins one."""
        breaks = (np.diff(value) != 0) | wide
        begins: BoolArray = np.concatenate([[fresh], breaks])
        ends: BoolArray = np.concatenate([breaks, [False]])
        return begins | ends

    def finish(self) -> ThinnedRows | None:
        """Return the thinned rows; None if there were none."""
        if self._last is None:
            return None
        index, value, _ = self._last
        return ThinnedRows(
            start_ns=self._start_ns,
            interval_ns=self._interval_ns,
            index=np.concatenate([*self._index, [index]]),
            value=np.concatenate([*self._value, [value]]),
            holes=np.concatenate(self._holes) if self._holes else np.empty((0, 2), np.int64),
            n_rows=self._n_rows,
        )
