"""The trivial baseline: cut on pauses, then take the label whose published range is nearest."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from flowsift.arrays import FloatArray
from flowsift.disaggregation import Disaggregation
from flowsift.methods.answers import answer_from_labels, cuts_of_uses
from flowsift.methods.cuts import Cuts, cut_on_pauses
from flowsift.standards import Spread, typical_ranges
from flowsift.trace import Trace

COMMON_LABELS = ("flush", "shower", "bathtub", "faucet", "clothes_washer", "dishwasher", "irrigation")
"""Labels that it chooses among: what most homes have. A range says nothing about how rare a use is."""


class FloorMethod:
    """Cut on pauses, label by the nearest published range. No training, no memory, no overlaps, no trickle."""

    training_data = "none: published ranges"

    def disaggregate(self, trace: Trace) -> Disaggregation:
        """Return every span of flow as one event."""
        cuts = cut_on_pauses(trace)
        probability = range_probabilities(cuts)
        best = probability.argmax(axis=1)
        return answer_from_labels(
            trace,
            cuts,
            label=[COMMON_LABELS[i] for i in best],
            probability=probability[np.arange(best.size), best],
        )

    def label_events(self, trace: Trace, uses: pd.DataFrame) -> Sequence[str]:
        """Return the label of the nearest range for events whose cuts are given."""
        best = range_probabilities(cuts_of_uses(trace, uses)).argmax(axis=1)
        return [COMMON_LABELS[i] for i in best]


def range_probabilities(cuts: Cuts) -> FloatArray:
    """Return the probability of each of `COMMON_LABELS` for each span, shape (n_cuts, n_labels).

    Volume, flow and duration are taken as independent and log-normal around the typical value, two standard deviations
    from it to either end of the range, all labels as frequent as each other.
    """
    score = np.zeros((cuts.start.size, len(COMMON_LABELS)))
    for i, label in enumerate(COMMON_LABELS):
        typical = typical_ranges()[label]
        score[:, i] = (
            _log_density(cuts.volume_l, typical.volume_l)
            + _log_density(cuts.mean_lpm, typical.flow_lpm)
            + _log_density(cuts.duration_s, typical.duration_s)
        )
    weight = np.exp(score - score.max(axis=1, keepdims=True))
    return np.asarray(weight / weight.sum(axis=1, keepdims=True), np.float64)


def _log_density(value: FloatArray, spread: Spread) -> FloatArray:
    value = np.maximum(value, 1e-9)
    above, below = np.log(spread.high / spread.typical), np.log(spread.typical / spread.low)
    side: FloatArray = np.where(np.asarray(value >= spread.typical), float(above), float(below))
    deviation = np.log(value / spread.typical) / (side / 2.0)
    width = (above + below) / 4.0
    return np.asarray(-0.5 * deviation**2 - np.log(width), np.float64)
