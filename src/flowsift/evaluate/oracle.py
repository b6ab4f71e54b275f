"""The perfect answer, made from the truth: it shows that the harness gives full marks where they are due."""

from __future__ import annotations

from flowsift.disaggregation import Disaggregation, TrickleSpans, assemble
from flowsift.errors import OptionError
from flowsift.evaluate.account import account_of_truth
from flowsift.households.truth import Truth
from flowsift.labels import LABELS
from flowsift.trace import Trace


class Oracle:
    """Answers with the truth. The runner hands it over to this class alone; no other method ever gets to see it."""

    def answer(self, trace: Trace, truth: Truth) -> Disaggregation:
        """Return the truth as an answer."""
        true = account_of_truth(truth, trace)
        return assemble(
            trace,
            start_cell=true.start,
            end_cell=true.end,
            label=[LABELS[code] for code in true.label],
            probability=true.probability,
            fixture=true.fixture,
            cycle=true.cycle,
            shares=true.shares,
            trickle=TrickleSpans(
                start=true.trickle_start,
                end=true.trickle_end,
                rate_lpm=true.trickle_lpm,
                low_lpm=true.trickle_lpm,
                high_lpm=true.trickle_lpm,
            ),
            trickle_l=true.trickle_l,
        )

    def disaggregate(self, trace: Trace) -> Disaggregation:
        """Refuse: a trace alone doesn't tell the truth."""
        raise OptionError(f"the oracle needs the truth beside {trace!r}; run it through `flowsift score`")
