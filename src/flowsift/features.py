"""What a use looks like: figures of each use, from its own flow."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.grouping import greatest_by, sum_by
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
    n_levels = sum_by(parts.use, weight > 0, n)
    turning = sum_by(parts.use, np.where(parts.ramp, length, 0.0), n) * trace.interval_s
    return UseFeatures(
        start_s=start_s,
        duration_s=np.asarray((seg.end - seg.start) * trace.interval_s),
        volume_l=sum_by(seg.shares.event, seg.shares.volume_l, n),
        flow_lpm=flow,
        peak_lpm=peak,
        unsteadiness=np.sqrt(variance) / np.maximum(mean, 1e-12),
        n_levels=n_levels,
        valve_s=turning / (n_levels + 1),
        tail=low / np.maximum(sum_by(parts.use, drawn, n), 1e-12),
        certainty=seg.certainty,
    )


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
    )
