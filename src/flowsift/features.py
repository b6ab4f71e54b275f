"""What a use looks like: figures of each use, from its own flow and from the uses around it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import KDTree

from flowsift.grouping import greatest_by, sum_by
from flowsift.signal.segmentation import Segmentation
from flowsift.trace import FloatArray, Trace
from flowsift.units import SECONDS_PER_DAY

ALIKE_FLOW = 0.08
"""Two uses whose flows differ by less than this share may be the same fixture (see `overlap.SAME_FIXTURE`)."""

BURST_S = 3600.0
"""Fills of one load of a washer follow each other within this time [s] (common practice)."""

CLOCK_S = 300.0
"""A timer's starts on different days lie within this time [s] (assumption: a drifting controller, a delayed valve)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class UseFeatures:
    """Figures of uses, one element a use, sorted by start.

    Attributes
    ----------
    start_s : ndarray
        Start since the trace's start [s].
    duration_s, volume_l : ndarray
    flow_lpm : ndarray
        The level at which most of the volume ran [L/min].
    peak_lpm : ndarray
        Highest level [L/min].
    unsteadiness : ndarray
        Standard deviation of the flow over its levels, as a share of its mean.
    n_levels : ndarray
        Number of levels.
    tail : ndarray
        Share of the volume that runs below half of the peak.
    certainty : ndarray
        How sure the separation from overlapping uses is, 0 to 1.
    burst : ndarray
        Log ratio of uses of like flow within an hour to those expected by chance.
    clock : ndarray
        Log ratio of uses of like flow at the same time on other days to those expected by chance.
    """

    start_s: FloatArray
    duration_s: FloatArray
    volume_l: FloatArray
    flow_lpm: FloatArray
    peak_lpm: FloatArray
    unsteadiness: FloatArray
    n_levels: FloatArray
    tail: FloatArray
    certainty: FloatArray
    burst: FloatArray
    clock: FloatArray

    @property
    def n_uses(self) -> int:
        """Number of uses."""
        return int(self.start_s.size)


def describe_uses(trace: Trace, segmentation: Segmentation) -> UseFeatures:
    """Compute the figures of all uses.

    Parameters
    ----------
    trace : Trace
    segmentation : Segmentation
        Of this trace.

    Returns
    -------
    UseFeatures
    """
    seg, parts = segmentation, segmentation.parts
    n = seg.n_uses
    start_s = np.asarray(seg.start * trace.interval_s)
    length = seg.plateaus.length[parts.plateau].astype(np.float64)
    weight = np.where(parts.ramp, 0.0, length)
    # A use made of ramps alone (shorter than a valve's travel) is described by them.
    weight = np.where(sum_by(parts.use, weight, n)[parts.use] > 0, weight, length)
    total = np.maximum(sum_by(parts.use, weight, n), 1e-12)
    mean = sum_by(parts.use, weight * parts.flow_lpm, n) / total
    variance = sum_by(parts.use, weight * (parts.flow_lpm - mean[parts.use]) ** 2, n) / total
    peak = greatest_by(parts.use, np.where(weight > 0, parts.flow_lpm, 0.0), n)
    drawn = length * parts.flow_lpm
    low = sum_by(parts.use, np.where(parts.flow_lpm < 0.5 * peak[parts.use], drawn, 0.0), n)
    # The level that took most of the volume: lexsort puts it last among a use's parts.
    order = np.lexsort((weight * parts.flow_lpm, parts.use))
    last = np.cumsum(sum_by(parts.use, np.ones(parts.use.size), n)).astype(np.int64) - 1
    flow = parts.flow_lpm[order[last]]
    days = max((trace.duration_s - trace.gap_s) / SECONDS_PER_DAY, 1e-9)
    return UseFeatures(
        start_s=start_s,
        duration_s=np.asarray((seg.end - seg.start) * trace.interval_s),
        volume_l=sum_by(seg.shares.event, seg.shares.volume_l, n),
        flow_lpm=flow,
        peak_lpm=peak,
        unsteadiness=np.sqrt(variance) / np.maximum(mean, 1e-12),
        n_levels=sum_by(parts.use, weight > 0, n),
        tail=low / np.maximum(sum_by(parts.use, drawn, n), 1e-12),
        certainty=seg.certainty,
        burst=burst_score(start_s, flow, days=days),
        clock=clock_score(start_s, flow, days=days),
    )


def burst_score(start_s: FloatArray, flow_lpm: FloatArray, *, days: float) -> FloatArray:
    """Compare the uses of like flow within an hour of each use with the number expected by chance.

    Parameters
    ----------
    start_s, flow_lpm : ndarray, shape (n_uses,)
    days : float
        Length of the record [d].

    Returns
    -------
    ndarray, shape (n_uses,)
        ``log((seen + 0.5) / (expected + 0.5))``; 0 for a use like no other.
    """
    if start_s.size == 0:
        return np.empty(0)
    flow = np.log(flow_lpm) / ALIKE_FLOW
    near = _neighbours(np.column_stack([start_s / BURST_S, flow]))
    alike = _neighbours(flow[:, None])
    # People are awake two thirds of the day: chance neighbours crowd into that time.
    expected = alike * min(2 * BURST_S / (SECONDS_PER_DAY * max(days, 1.0)) * 1.5, 1.0)
    return np.log((near + 0.5) / (expected + 0.5))


def clock_score(start_s: FloatArray, flow_lpm: FloatArray, *, days: float) -> FloatArray:
    """Compare the uses of like flow at the same time of other days with the number expected by chance.

    Only the time of day relative to other uses counts, so no time zone enters.

    Parameters
    ----------
    start_s, flow_lpm : ndarray, shape (n_uses,)
    days : float
        Length of the record [d].

    Returns
    -------
    ndarray, shape (n_uses,)
        ``log((seen + 0.5) / (expected + 0.5))``; 0 where the record holds less than two days.
    """
    if start_s.size == 0 or days < 2:
        return np.zeros(start_s.size)
    flow = np.log(flow_lpm) / ALIKE_FLOW
    phase = np.mod(start_s, SECONDS_PER_DAY) / CLOCK_S
    turn = SECONDS_PER_DAY / CLOCK_S
    day = np.floor(start_s / SECONDS_PER_DAY)
    # The same moment just across midnight: repeat the first and the last of the day on the other side.
    points = np.column_stack([phase, flow])
    early, late = points[phase < 1.0], points[phase > turn - 1.0]
    ring = np.concatenate([points, early + np.array([turn, 0.0]), late - np.array([turn, 0.0])])
    same_time = KDTree(ring).query_ball_point(points, 1.0, p=np.inf, return_length=True)
    same_day = _neighbours(np.column_stack([phase, flow, day * 4.0])) + 1
    alike = _neighbours(flow[:, None])
    expected = alike * (2 * CLOCK_S / SECONDS_PER_DAY) * 1.5
    return np.log((np.maximum(same_time - same_day, 0) + 0.5) / (expected + 0.5))


def _neighbours(points: FloatArray) -> FloatArray:
    """Count the other points within 1 of each point in every coordinate."""
    if points.shape[1] == 1:
        line = np.sort(points[:, 0])
        inside = np.searchsorted(line, points[:, 0] + 1.0, "right") - np.searchsorted(line, points[:, 0] - 1.0)
        return (inside - 1).astype(np.float64)
    counts = KDTree(points).query_ball_point(points, 1.0, p=np.inf, return_length=True)
    return np.asarray(counts - 1, dtype=np.float64)
