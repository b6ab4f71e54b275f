"""What a use looks like: figures of each use, from its own flow."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.grouping import first_by, greatest_by, sum_by
from flowsift.signal.segmentation import Segmentation
from flowsift.trace import Trace


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
    valve_s : ndarray
        Time that its flow takes from one level to the next [s]: solenoid valves snap, hands turn.
    tail : ndarray
        Share of the volume that runs below half of the peak.
    certainty : ndarray
        How sure the separation from overlapping uses is, 0 to 1.
    n_stretches : ndarray
        Number of stretches of flow with pauses between them: a nozzle is let go time and again.
    paused_s : ndarray
        Time in those pauses [s].
    first_lpm, last_lpm : ndarray
        Levels that it begins and ends with [L/min]: a shower's purge, a float that closes.
    main_share : ndarray
        Share of the time on levels that is spent on the one of `flow_lpm`.
    restlessness : ndarray
        Mean absolute step of the log of the flow from one level to the next.
    """

    start_s: FloatArray
    duration_s: FloatArray
    volume_l: FloatArray
    flow_lpm: FloatArray
    peak_lpm: FloatArray
    unsteadiness: FloatArray
    n_levels: FloatArray
    valve_s: FloatArray
    tail: FloatArray
    certainty: FloatArray
    n_stretches: FloatArray
    paused_s: FloatArray
    first_lpm: FloatArray
    last_lpm: FloatArray
    main_share: FloatArray
    restlessness: FloatArray

    @property
    def n_uses(self) -> int:
        """Number of uses."""
        return int(self.start_s.size)

    def at(self, which: IntArray) -> UseFeatures:
        """Return the figures of some of the uses, given by their numbers."""
        return UseFeatures(**{field.name: getattr(self, field.name)[which] for field in fields(self)})


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
    length = seg.plateaus.length[parts.plateau].astype(np.float64)
    stretch, pause = _stretches(seg)
    n_stretches = int(stretch[-1]) + 1 if stretch.size else 0
    weight = np.where(parts.ramp, 0.0, length)
    # A stretch made of ramps alone (shorter than a valve's travel) is described by them.
    weight = np.where(sum_by(stretch, weight, n_stretches)[stretch] > 0, weight, length)
    total = np.maximum(sum_by(parts.use, weight, n), 1e-12)
    mean = sum_by(parts.use, weight * parts.flow_lpm, n) / total
    variance = sum_by(parts.use, weight * (parts.flow_lpm - mean[parts.use]) ** 2, n) / total
    peak = greatest_by(parts.use, np.where(weight > 0, parts.flow_lpm, 0.0), n)
    drawn = length * parts.flow_lpm
    low = sum_by(parts.use, np.where(parts.flow_lpm < 0.5 * peak[parts.use], drawn, 0.0), n)
    # The level that took most of the volume: lexsort puts it last among a use's parts.
    main = np.lexsort((weight * parts.flow_lpm, parts.use))[_last_of_each(parts.use)]
    flow = parts.flow_lpm[main]
    level = np.flatnonzero(weight > 0)
    level_lpm, use_of_level = parts.flow_lpm[level], parts.use[level]
    n_levels = sum_by(use_of_level, np.ones(level.size), n)
    step = np.where(np.diff(use_of_level) == 0, np.abs(np.diff(np.log(level_lpm))), 0.0)
    turning = sum_by(parts.use, np.where(parts.ramp, length, 0.0), n) * trace.interval_s
    return UseFeatures(
        start_s=np.asarray(seg.start * trace.interval_s),
        duration_s=np.asarray((seg.end - seg.start) * trace.interval_s),
        volume_l=sum_by(seg.shares.event, seg.shares.volume_l, n),
        flow_lpm=flow,
        peak_lpm=peak,
        unsteadiness=np.sqrt(variance) / np.maximum(mean, 1e-12),
        n_levels=n_levels,
        valve_s=turning / (n_levels + 1),
        tail=low / np.maximum(sum_by(parts.use, drawn, n), 1e-12),
        certainty=seg.certainty,
        n_stretches=1.0 + sum_by(parts.use, pause > 0, n),
        paused_s=sum_by(parts.use, pause, n) * trace.interval_s,
        first_lpm=level_lpm[first_by(use_of_level, n)],
        last_lpm=level_lpm[_last_of_each(use_of_level)],
        main_share=weight[main] / total,
        restlessness=sum_by(use_of_level[1:], step, n) / np.maximum(n_levels - 1, 1.0),
    )


def _stretches(seg: Segmentation) -> tuple[IntArray, FloatArray]:
    """Number the stretches of unbroken flow of all uses, and return the pause before each part [cells], by part."""
    parts = seg.parts
    begin = seg.plateau_cell[parts.plateau]
    end = begin + seg.plateaus.length[parts.plateau]
    same = np.diff(parts.use, prepend=-1) == 0
    pause = np.where(same, np.maximum(begin - np.roll(end, 1), 0), 0)
    return np.cumsum(~same | (pause > 0)) - 1, pause.astype(np.float64)


def _last_of_each(group: IntArray) -> IntArray:
    """Return the position of the last member of each group, of sorted groups none of which is empty."""
    return np.flatnonzero(np.diff(group, append=-1) != 0)


def features_of_cuts(
    start_s: FloatArray, duration_s: FloatArray, volume_l: FloatArray, flow_lpm: FloatArray
) -> UseFeatures:
    """Describe uses of which only times, volumes and mean flows are known: each as one steady level.

    Parameters
    ----------
    start_s, duration_s, volume_l, flow_lpm : ndarray, shape (n_uses,)
        Sorted by start.

    Returns
    -------
    UseFeatures
    """
    none, one = np.zeros(start_s.size), np.ones(start_s.size)
    return UseFeatures(
        start_s=start_s,
        duration_s=duration_s,
        volume_l=volume_l,
        flow_lpm=flow_lpm,
        peak_lpm=flow_lpm,
        unsteadiness=none,
        n_levels=one,
        valve_s=none,
        tail=none,
        certainty=one,
        n_stretches=one,
        paused_s=none,
        first_lpm=flow_lpm,
        last_lpm=flow_lpm,
        main_share=one,
        restlessness=none,
    )
