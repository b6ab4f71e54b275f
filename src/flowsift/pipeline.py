"""The whole way from a trace to the answer."""

from __future__ import annotations

import numpy as np

from flowsift.classify.label import label_uses
from flowsift.disaggregation import Disaggregation, Shares, assemble
from flowsift.features import describe_uses
from flowsift.labels import LABELS
from flowsift.signal.segmentation import segment
from flowsift.trace import Trace
from flowsift.units import SECONDS_PER_DAY


def disaggregate(trace: Trace) -> Disaggregation:
    """Tell what each fixture used.

    Parameters
    ----------
    trace : Trace

    Returns
    -------
    Disaggregation
        Events, trickle and what is left add up to the metered volume.
    """
    segmentation = segment(trace)
    features = describe_uses(trace, segmentation)
    labelled = label_uses(
        features,
        pulse_l=trace.pulse_l,
        interval_s=trace.interval_s,
        days=(trace.duration_s - trace.gap_s) / SECONDS_PER_DAY,
    )
    n = labelled.label.size
    start, end = np.full(n, np.iinfo(np.int64).max), np.zeros(n, dtype=np.int64)
    np.minimum.at(start, labelled.event, segmentation.start)
    np.maximum.at(end, labelled.event, segmentation.end)
    shares = segmentation.shares
    return assemble(
        trace,
        start_cell=start,
        end_cell=end,
        label=np.array(LABELS, dtype=object)[labelled.label],
        probability=labelled.probability,
        fixture=np.array(labelled.fixture, dtype=object),
        cycle=labelled.cycle,
        shares=Shares(event=labelled.event[shares.event], flow=shares.flow, volume_l=shares.volume_l),
        trickle=segmentation.trickle,
        trickle_l=segmentation.trickle_l,
    )
