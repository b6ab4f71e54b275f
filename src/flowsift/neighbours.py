"""Points counted in boxes around other points, in time that grows with the number of points and not of neighbours."""

from __future__ import annotations

import numpy as np

from flowsift.arrays import FloatArray, IntArray


def count_within(line: FloatArray, at: FloatArray, *, reach: float) -> IntArray:
    """Count the points of a line within a distance of each place.

    Parameters
    ----------
    line : ndarray, shape (n_points,)
    at : ndarray, shape (n_places,)
    reach : float
        Points exactly this far away count.

    Returns
    -------
    ndarray of int64, shape (n_places,)
    """
    first, stop = _ranges_within(np.sort(line), at, reach)
    return stop - first


def count_in_boxes(points: FloatArray, at: FloatArray, *, reach: tuple[float, float]) -> IntArray:
    """Count the points of a plane in a box around each place.

    The points are sorted by their first coordinate and their ranks in the second one sorted by it bit by bit, the
    highest first (a wavelet matrix); how many of a range of points lie below a rank is read off on the way. The work
    doesn't depend on how many points the boxes hold.

    Parameters
    ----------
    points : ndarray, shape (n_points, 2)
    at : ndarray, shape (n_places, 2)
    reach : tuple of float
        Half of the box's sides; points exactly on its rim count.

    Returns
    -------
    ndarray of int64, shape (n_places,)
    """
    n = len(points)
    order = np.argsort(points[:, 0], kind="stable")
    across = np.argsort(points[order, 1], kind="stable")
    x, y = points[order, 0], points[order[across], 1]
    rank = np.empty(n, np.int64)
    rank[across] = np.arange(n)
    low, high = _ranges_within(y, at[:, 1], reach[1])
    below = np.concatenate([low, high])
    ends = np.tile(np.stack(_ranges_within(x, at[:, 0], reach[0])), 2)
    count = np.zeros(below.size, np.int64)
    for bit in range(n.bit_length() - 1, -1, -1):
        in_upper = (rank >> bit & 1).astype(bool)
        lower_upto = np.append(0, np.cumsum(~in_upper))
        lower = lower_upto[ends]
        # A range goes on among the upper half if the rank sought is there; all of its lower half lies below that rank.
        upper = below >> bit & 1
        count += upper * (lower[1] - lower[0])
        ends = lower + upper * (lower_upto[-1] + ends - 2 * lower)
        rank = np.concatenate([rank[~in_upper], rank[in_upper]])
    return count[low.size :] - count[: low.size]


def _ranges_within(ordered: FloatArray, at: FloatArray, reach: float) -> tuple[IntArray, IntArray]:
    """Return the range of the ordered numbers within a distance of each place, first and one after the last."""
    # Places in order are found several times faster than places at random.
    order = np.argsort(at, kind="stable")
    first, stop = np.empty(at.size, np.int64), np.empty(at.size, np.int64)
    first[order] = np.searchsorted(ordered, at[order] - reach)
    stop[order] = np.searchsorted(ordered, at[order] + reach, "right")
    return first, stop
