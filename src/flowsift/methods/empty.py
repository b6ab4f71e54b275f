"""The answer of a method that explains nothing: the lowest score the harness can give."""

from __future__ import annotations

import numpy as np

from flowsift.disaggregation import Disaggregation
from flowsift.methods.answers import answer_from_labels
from flowsift.methods.cuts import cuts_at
from flowsift.trace import Trace


class EmptyMethod:
    """Answers that nothing is known."""

    def disaggregate(self, trace: Trace) -> Disaggregation:
        """Return an answer without events: all water is unexplained."""
        nothing = np.empty(0, np.int64)
        return answer_from_labels(trace, cuts_at(trace, nothing, nothing), label=[])
