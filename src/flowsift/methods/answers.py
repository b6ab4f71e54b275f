"""An answer made from spans and their labels, for methods that don't see through overlaps."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from flowsift.arrays import FloatArray
from flowsift.disaggregation import Disaggregation, from_uses
from flowsift.evaluate.account import cells_of
from flowsift.methods.cuts import Cuts
from flowsift.trace import Trace


def answer_from_labels(trace: Trace, cuts: Cuts, *, label: Sequence[str], probability: FloatArray) -> Disaggregation:
    """Return the spans as events, each label one fixture."""
    uses = pd.DataFrame(
        {
            "start": trace.time_of(cuts.start),
            "end": trace.time_of(cuts.end),
            "label": pd.array(list(label), dtype="str"),
            "probability": probability,
        }
    )
    return from_uses(trace, uses)


def cuts_of_uses(trace: Trace, uses: pd.DataFrame) -> Cuts:
    """Measure events whose cuts are given: start, end (tz-aware) and the volume that is theirs (``volume_l``)."""
    start, end = cells_of(trace, uses["start"], uses["end"])
    return Cuts(
        start=start,
        end=end,
        volume_l=uses["volume_l"].to_numpy(dtype=np.float64),
        peak_lpm=uses["peak_lpm"].to_numpy(dtype=np.float64),
        interval_s=trace.interval_s,
    )
