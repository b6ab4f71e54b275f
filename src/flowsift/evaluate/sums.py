"""Sums of values by a group number."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flowsift.trace import FloatArray, IntArray


def sum_by(group: IntArray, values: npt.NDArray[np.generic], n_groups: int) -> FloatArray:
    """Return the sum of the values of each group 0 to `n_groups` - 1, shape (n_groups,)."""
    return np.bincount(group, np.asarray(values, np.float64), minlength=n_groups).astype(np.float64)


def sum_rows_by(group: IntArray, values: FloatArray) -> FloatArray:
    """Return the sums of rows by group, shape (n_distinct_groups, n_columns), in increasing order of the group."""
    names, row = np.unique(group, return_inverse=True)
    sums = np.zeros((names.size, values.shape[1]))
    np.add.at(sums, row, values)
    return sums
