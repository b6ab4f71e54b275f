"""Whether rows are left out where no water runs."""

from __future__ import annotations

from flowsift.arrays import FloatArray, IntArray

MOSTLY_ABSENT = 0.5
"""With more than this share of the intervals absent, and no row of zero flow, the logger seems to write flow only."""

MOSTLY_ABSENT_ROWS = 100
"""Rows needed before that is said."""


def seems_flow_only(value: FloatArray, *, gaps: IntArray, n_cells: int) -> bool:
    """Tell whether the rows look like those of a logger that writes only when water runs.

    Parameters
    ----------
    value : ndarray, shape (n_rows,)
        Volume or flow of each row.
    gaps : ndarray of int64, shape (n_gaps, 2)
        Ranges of cells that no row covers.
    n_cells : int
    """
    absent = float((gaps[:, 1] - gaps[:, 0]).sum())
    return absent > MOSTLY_ABSENT * n_cells and value.size >= MOSTLY_ABSENT_ROWS and not bool((value == 0).any())
