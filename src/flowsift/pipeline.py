"""The whole way from a trace to the answer."""

from __future__ import annotations

import numpy as np

from flowsift.classify.joining import join_uses
from flowsift.classify.label import label_uses
from flowsift.classify.mixture import fit_home
from flowsift.disaggregation import Disaggregation, assemble
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
    pieces = segment(trace)
    days = (trace.duration_s - trace.gap_s) / SECONDS_PER_DAY
    meter = {"pulse_l": trace.pulse_l, "interval_s": trace.interval_s}
    # Twice: what repeats in the home tells which pieces belong together, and whole uses tell more of the home.
    features = describe_uses(trace, pieces)
    use = join_uses(features, fit_home(features, days=days, **meter), interval_s=trace.interval_s)
    uses = pieces.joined(use)
    features = describe_uses(trace, uses)
    labels = label_uses(features, fit_home(features, days=days, **meter))
    return assemble(
        trace,
        start_cell=uses.start,
        end_cell=uses.end,
        label=np.array(LABELS, dtype=object)[labels.label],
        probability=labels.probability,
        fixture=np.array(labels.fixture, dtype=object),
        cycle=labels.cycle,
        shares=uses.shares,
        trickle=uses.trickle,
        trickle_l=uses.trickle_l,
    )
