"""When a home's uses of each label begin: showers at seven and at ten, a hose after work.

Times of day are compared with the home's own. The evidence is the same whatever zone a clock is set to, and a night
worker's morning is a morning. Daylight saving moves it by an hour, about as much as habits vary.
"""

from __future__ import annotations

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.grouping import sum_by
from flowsift.labels import LABELS
from flowsift.units import SECONDS_PER_DAY

N_BINS = 48
"""Bins of the day in which beginnings are counted (assumption: half an hour is near)."""

REACH = 2
"""Bins on either side within which uses begin at the same time of day (assumption: habits keep to an hour or so)."""

PEOPLE = np.array([name in ("flush", "shower", "faucet") for name in LABELS])
"""Labels that tell when people are at home and awake."""

FEW = 0.2
"""Uses added to a count before it is compared with the count expected."""

LEAST_SHARE = 0.01
"""Share added before its logarithm is taken."""

NAMES: tuple[str, ...] = (
    *("day_cos", "day_sin", "day_cos_twice", "day_sin_twice", "day_focus"),
    *(f"{figure}_{name}" for figure in ("clock_near", "clock_focus", "clock_excess", "clock_share") for name in LABELS),
)
"""Names of the columns of `clock_evidence`."""


def count_by_clock(start_s: FloatArray, probability: FloatArray) -> FloatArray:
    """Count uses by the time of day at which they begin.

    Parameters
    ----------
    start_s : ndarray, shape (n_uses,)
        Since a fixed instant [s]: any midnight or none.
    probability : ndarray, shape (n_uses, n_labels)
        What they are taken for.

    Returns
    -------
    ndarray, shape (N_BINS, n_labels)
    """
    at = _bin_of(start_s)
    return np.column_stack([sum_by(at, column, N_BINS) for column in probability.T])


def clock_evidence(count: FloatArray, start_s: FloatArray, own: FloatArray) -> FloatArray:
    """Compare the times of day at which uses begin with the home's others.

    Parameters
    ----------
    count : ndarray, shape (N_BINS, n_labels)
        From `count_by_clock`.
    start_s : ndarray, shape (n_uses,)
        Since the same instant as those counted [s].
    own : ndarray, shape (n_uses, n_labels)
        What is counted of the use itself, to be left out of what it is compared with.

    Returns
    -------
    ndarray, shape (n_uses, len(NAMES))
        The angle of the day since the mean of what people use, and twice it, as cosines and sines; how far people's
        uses keep to one part of the day, 0 to 1. Then for each label: how near its mean time is, -1 to 1, and how far
        it keeps to it, 0 to 1; the log of its uses at this time of day over those expected of the whole day; the log of
        its share of the uses at this time of day.
    """
    at = _bin_of(start_s)
    angle = 2 * np.pi * (np.arange(N_BINS) + 0.5) / N_BINS
    x, y = np.cos(angle), np.sin(angle)
    people = count[:, PEOPLE].sum(axis=1)
    day_x, day_y = x @ people, y @ people
    since = (angle - np.arctan2(day_y, day_x))[at]
    day_focus = np.hypot(day_x, day_y) / max(float(people.sum()), 1e-9)
    # A use's own part is taken off sums that are worked out once for each time of day.
    whole = np.maximum(count.sum(axis=0) - own, 0.0)
    toward = (np.cos(angle[:, None] - angle) @ count)[at] - own
    length = (x @ count) ** 2 + (y @ count) ** 2 - 2 * own * toward - own**2
    about = (np.arange(N_BINS)[:, None] + np.arange(-REACH, REACH + 1)) % N_BINS
    near = np.maximum(count[about].sum(axis=1)[at] - own, 0.0)
    expected = whole * ((2 * REACH + 1) / N_BINS)
    return np.column_stack(
        [
            *(np.cos(since), np.sin(since), np.cos(2 * since), np.sin(2 * since), np.full(at.size, day_focus)),
            toward / (whole + 1.0),
            np.sqrt(np.maximum(length, 0.0)) / (whole + 1.0),
            np.log((near + FEW) / (expected + FEW)),
            np.log(near / (near.sum(axis=1, keepdims=True) + FEW) + LEAST_SHARE),
        ]
    )


def _bin_of(start_s: FloatArray) -> IntArray:
    return np.floor(start_s % SECONDS_PER_DAY * (N_BINS / SECONDS_PER_DAY)).astype(np.int64) % N_BINS
