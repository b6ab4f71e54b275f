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
    ordered = np.sort(line)
    inside = np.searchsorted(ordered, at + reach, "right") - np.searchsorted(ordered, at - reach)
    return np.asarray(inside, dtype=np.int64)


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
    low = np.searchsorted(y, at[:, 1] - reach[1])
    high = np.searchsorted(y, at[:, 1] + reach[1], "right")
    below = np.concatenate([low, high])
    first = np.searchsorted(x, at[:, 0] - reach[0])
    stop = np.searchsorted(x, at[:, 0] + reach[0], "right")
    ends = np.tile(np.stack([first, stop]), 2)
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
