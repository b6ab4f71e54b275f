"""The library's own method, as the benchmark sees it."""

from __future__ import annotations

import flowsift
from flowsift.disaggregation import Disaggregation
from flowsift.trace import Trace


class FlowsiftMethod:
    """`flowsift.disaggregate` with its defaults."""

    training_data = "none: published ranges and the home's own repetition"

    def disaggregate(self, trace: Trace) -> Disaggregation:
        """Return `flowsift.disaggregate` of the trace."""
        return flowsift.disaggregate(trace)
