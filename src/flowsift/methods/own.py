"""The library's own method, as the benchmark sees it."""

from __future__ import annotations

from importlib.resources import as_file, files

import numpy as np
import pandas as pd

import flowsift
from flowsift.disaggregation import Disaggregation
from flowsift.pipeline import label_cuts
from flowsift.trace import Trace


class FlowsiftMethod:
    """`flowsift.disaggregate` with its defaults."""

    @property
    def training_data(self) -> str:
        """What the shipped network says it was trained on; the rest of the method isn't trained."""
        with as_file(files("flowsift.classify").joinpath("network.npz")) as path, np.load(path) as stored:
            return f"{stored['trained_on']}, many varied; published ranges; the home's own repetition"

    def disaggregate(self, trace: Trace) -> Disaggregation:
        """Return `flowsift.disaggregate` of the trace."""
        return flowsift.disaggregate(trace)

    def label_events(self, trace: Trace, uses: pd.DataFrame) -> list[str]:
        """Return `flowsift.pipeline.label_cuts` of given cuts."""
        return label_cuts(trace, uses)
