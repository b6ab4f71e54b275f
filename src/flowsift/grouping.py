"""Sums, extents and ranges by a group number, on plain arrays."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flowsift.arrays import FloatArray, IntArray


def sum_by(group: IntArray, values: npt.ArrayLike, n_groups: int) -> FloatArray:
    """Return the sum of the values of each group 0 to `n_groups` - 1, shape (n_groups,)."""
    return np.bincount(group, np.asarray(values, np.float64), minlength=n_groups).astype(np.float64)


def sum_rows_by(group: IntArray, values: FloatArray) -> FloatArray:
    """Return the sums of rows by group, shape (n_distinct_groups, n_columns), in increasing order of the group."""
    names, row = np.unique(group, return_inverse=True)
    sums = np.zeros((names.size, values.shape[1]))
    np.add.at(sums, row, values)
    return sums


def least_by(group: IntArray, values: FloatArray, n_groups: int) -> FloatArray:
    """Return the least value of each group, infinity for a group without, shape (n_groups,)."""
    least = np.full(n_groups, np.inf)
    np.minimum.at(least, group, values)
    return least


def greatest_by(group: IntArray, values: FloatArray, n_groups: int) -> FloatArray:
    """Return the greatest value of each group, minus infinity for a group without, shape (n_groups,)."""
    greatest = np.full(n_groups, -np.inf)
    np.maximum.at(greatest, group, values)
    return greatest


def first_by(group: IntArray, n_groups: int) -> IntArray:
    """Return the position of the first member of each group, shape (n_groups,); no group is empty."""
    first = np.full(n_groups, group.size, dtype=np.int64)
    np.minimum.at(first, group, np.arange(group.size))
    return first


def stretch_starts(group: IntArray) -> IntArray:
    """Return where each stretch of one group number, all >= 0, begins."""
    return np.flatnonzero(np.diff(group, prepend=-1))


def expand_ranges(first: IntArray, stop: IntArray) -> tuple[IntArray, IntArray]:
    """Lay half-open ranges out one behind the other.

    Returns
    -------
    owner : ndarray of int64, shape (total length,)
        The range that each place comes from.
    value : ndarray of int64, shape (total length,)
        The number at each place, ``first[k]`` to ``stop[k] - 1``.
    """
    count = np.maximum(stop - first, 0)
    owner = np.repeat(np.arange(count.size), count)
    return owner, np.repeat(first - np.cumsum(count) + count, count) + np.arange(owner.size)
