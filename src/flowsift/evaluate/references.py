"""The best and the worst answer there is: they show that the harness gives full marks and none where they are due."""

from __future__ import annotations

import numpy as np

from flowsift.disaggregation import Disaggregation, Shares, TrickleSpans, assemble
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
        # Of several rates in one cell, the last has it.
        trickle_end = np.minimum(true.trickle_end, np.append(true.trickle_start[1:], trace.n_cells))
        kept = trickle_end > true.trickle_start
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
                start=true.trickle_start[kept],
                end=trickle_end[kept],
                rate_lpm=true.trickle_lpm[kept],
                low_lpm=true.trickle_lpm[kept],
                high_lpm=true.trickle_lpm[kept],
            ),
            trickle_l=true.trickle_l,
        )

    def disaggregate(self, trace: Trace) -> Disaggregation:
        """Refuse: a trace alone doesn't tell the truth."""
        raise OptionError(f"the oracle needs the truth beside {trace!r}; run it through `flowsift score`")


class EmptyMethod:
    """Answers that nothing is known: all water is unexplained."""

    def disaggregate(self, trace: Trace) -> Disaggregation:
        """Return an answer without events."""
        none, nothing = np.empty(0, np.int64), np.empty(0)
        return assemble(
            trace,
            start_cell=none,
            end_cell=none,
            label=[],
            probability=nothing,
            fixture=[],
            cycle=none,
            shares=Shares(event=none, flow=none, volume_l=nothing),
        )
