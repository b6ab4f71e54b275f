"""What happens around a use: how its like cluster, keep time and fill the home's day."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.features import UseFeatures
from flowsift.neighbours import count_in_boxes, count_within
from flowsift.units import SECONDS_PER_DAY

ALIKE_FLOW = 0.08
"""Two uses whose flows differ by less than this share may be the same fixture (see
`flowsift.signal.overlap_moves.SAME_FIXTURE`)."""

BURST_S = 3600.0
"""Fills of one load of a washer follow each other within this time [s] (common practice)."""

CLOCK_S = 300.0
"""A timer's starts on different days lie within this time [s] (assumption: a drifting controller, a delayed valve)."""

TIGHT_FLOW = 0.02
"""A valve with its own flow limiter repeats its flow within this share (assumption)."""

LOOK_BACK = 40
"""Uses before and after among which the nearest of like flow is sought."""

ACTIVITY_BINS = 96
"""Bins of the day in which the home's activity is counted."""

ALL = slice(None)
"""All uses of a record."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Surroundings:
    """Figures of the uses around each use, one element a use, sorted by start.

    Attributes
    ----------
    burst : ndarray
        Log ratio of uses of like flow within an hour to those expected by chance.
    clock : ndarray
        Log ratio of uses of like flow at the same time on other days to those expected by chance.
    flow_peak : ndarray
        Log ratio of uses within `TIGHT_FLOW` of the flow to those expected from uses within ten times that.
    alike_per_day : ndarray
        Uses of like flow a day.
    since_alike_s, until_alike_s : ndarray
        Time from the end of the last use of like flow, and to the start of the next [s]; a day where none is near.
    since_any_s, until_any_s : ndarray
        The same for any use.
    activity : ndarray
        Log of the home's uses at this time of day over the mean of the day.
    running : ndarray
        Other uses that run at the same time.
    """

    burst: FloatArray
    clock: FloatArray
    flow_peak: FloatArray
    alike_per_day: FloatArray
    since_alike_s: FloatArray
    until_alike_s: FloatArray
    since_any_s: FloatArray
    until_any_s: FloatArray
    activity: FloatArray
    running: FloatArray


def describe_surroundings(features: UseFeatures, *, days: float, wanted: IntArray | slice = ALL) -> Surroundings:
    """Compute the figures of the uses around each use.

    Parameters
    ----------
    features : UseFeatures
    days : float
        Length of the record [d].
    wanted : ndarray of int64 or slice
        Uses that the figures are wanted of; those around them are counted whether they are wanted or not.

    Returns
    -------
    Surroundings
        Of the uses wanted.
    """
    start_s, log_flow = features.start_s, np.log(features.flow_lpm)
    end_s = start_s + features.duration_s
    tight, loose, alike = (
        count_within(log_flow, log_flow[wanted], reach=reach) - 1 for reach in (TIGHT_FLOW, 10 * TIGHT_FLOW, ALIKE_FLOW)
    )
    since_alike, until_alike = _nearest_alike(start_s, end_s, log_flow)
    gap = np.maximum(start_s[1:] - np.maximum.accumulate(end_s)[:-1], 0.0)
    return Surroundings(
        burst=_burst_score(start_s, log_flow, alike, days=days, wanted=wanted),
        clock=_clock_score(start_s, log_flow, alike, days=days, wanted=wanted),
        flow_peak=np.log((tight + 0.5) / (loose / 10 + 0.5)),
        alike_per_day=alike / max(days, 1.0),
        since_alike_s=since_alike[wanted],
        until_alike_s=until_alike[wanted],
        since_any_s=np.append(SECONDS_PER_DAY, gap)[: start_s.size][wanted],
        until_any_s=np.append(gap, SECONDS_PER_DAY)[: start_s.size][wanted],
        activity=_activity(start_s)[wanted],
        running=_running(start_s, end_s)[wanted],
    )


def _nearest_alike(start_s: FloatArray, end_s: FloatArray, log_flow: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Time since the last and until the next use of like flow [s], a day at most."""
    n = start_s.size
    since, until = np.full(n, SECONDS_PER_DAY), np.full(n, SECONDS_PER_DAY)
    for apart in range(1, min(LOOK_BACK + 1, n)):
        alike = np.abs(log_flow[apart:] - log_flow[:-apart]) < ALIKE_FLOW
        pause = np.where(alike, np.maximum(start_s[apart:] - end_s[:-apart], 0.0), SECONDS_PER_DAY)
        since[apart:] = np.minimum(since[apart:], pause)
        until[:-apart] = np.minimum(until[:-apart], pause)
    return since, until


def _activity(start_s: FloatArray) -> FloatArray:
    """Log of the home's uses around each use's time of day over the day's mean; no time zone enters."""
    if start_s.size == 0:
        return np.empty(0)
    bin_of = (np.mod(start_s, SECONDS_PER_DAY) / SECONDS_PER_DAY * ACTIVITY_BINS).astype(np.int64)
    count = np.bincount(bin_of, minlength=ACTIVITY_BINS).astype(np.float64)
    around = np.sum([np.roll(count, k) for k in range(-4, 5)], axis=0)
    return np.asarray(np.log((around[bin_of] + 1.0) / (count.sum() * 9 / ACTIVITY_BINS + 1.0)))


def _running(start_s: FloatArray, end_s: FloatArray) -> FloatArray:
    """Count the other uses that share time with each use."""
    begun = np.searchsorted(start_s, end_s, side="left")
    ended = np.searchsorted(np.sort(end_s), start_s, side="right")
    return (begun - ended - 1).astype(np.float64)


def _burst_score(
    start_s: FloatArray, log_flow: FloatArray, alike: IntArray, *, days: float, wanted: IntArray | slice
) -> FloatArray:
    """Compare the uses of like flow within an hour of each use with the number expected by chance.

    ``log((seen + 0.5) / (expected + 0.5))``; 0 for a use like no other.
    """
    points = np.column_stack([start_s, log_flow])
    near = count_in_boxes(points, points[wanted], reach=(BURST_S, ALIKE_FLOW)) - 1
    # People are awake two thirds of the day: chance neighbours crowd into that time.
    expected = alike * min(2 * BURST_S / (SECONDS_PER_DAY * max(days, 1.0)) * 1.5, 1.0)
    return np.asarray(np.log((near + 0.5) / (expected + 0.5)))


def _clock_score(
    start_s: FloatArray, log_flow: FloatArray, alike: IntArray, *, days: float, wanted: IntArray | slice
) -> FloatArray:
    """Compare the uses of like flow at the same time of other days with the number expected by chance.

    Only the time of day relative to other uses counts, so no time zone enters.
    ``log((seen + 0.5) / (expected + 0.5))``; 0 where the record holds less than two days.
    """
    if days < 2:
        return np.zeros(alike.size)
    reach = (CLOCK_S, ALIKE_FLOW)
    points = np.column_stack([start_s, log_flow])
    now = count_in_boxes(points, points[wanted], reach=reach)
    points[:, 0] = np.mod(start_s, SECONDS_PER_DAY)
    # The same moment just across midnight: repeat the first and the last of the day on the other side.
    early, late = points[points[:, 0] <= CLOCK_S], points[points[:, 0] >= SECONDS_PER_DAY - CLOCK_S]
    turn = np.array([SECONDS_PER_DAY, 0.0])
    ring = np.concatenate([points, early + turn, late - turn])
    same_time = count_in_boxes(ring, points[wanted], reach=reach)
    expected = alike * (2 * CLOCK_S / SECONDS_PER_DAY) * 1.5
    return np.asarray(np.log((np.maximum(same_time - now, 0) + 0.5) / (expected + 0.5)))
