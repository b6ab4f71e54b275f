"""Truth and answer side by side: which events pair up, and which count."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from flowsift.errors import InputError
from flowsift.evaluate.account import Account
from flowsift.evaluate.matching import Pairs, assign, candidate_pairs
from flowsift.trace import BoolArray, IntArray

SMALLEST_EVENT_L = 0.02
"""Smallest metered volume of an event that counts [L]. Assumption: ten pulses of the finest common meter (2 mL)."""

LOOSE_AGREEMENT = 0.1
"""Least agreement (mean of the overlaps in time and in volume) of a pair that is the same use at all. Assumption."""

STRICT_AGREEMENT = 0.5
"""Least agreement of a pair under the strict rule; 0.5 is common practice for intersection over union."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Match:
    """A one-to-one matching, and the events that count under it.

    Attributes
    ----------
    truth, answer : ndarray of int64, shape (n_matched,)
        Rows of the matched events whose true event counts.
    truth_counts, answer_counts : ndarray of bool, shape (n_events,)
        Whether each event counts, matched or not.
    """

    truth: IntArray
    answer: IntArray
    truth_counts: BoolArray
    answer_counts: BoolArray


@dataclass(frozen=True, kw_only=True, eq=False)
class Comparison:
    """Truth and answer on the same trace.

    An event whose metered volume is below `smallest_event_l` is no evidence either way: the meter didn't show it. Such
    a true event is neither missed when it isn't found nor invented when it is; such an answered event is ignored
    unless it matches a true event that counts. Its volume still counts in every measure by volume.
    """

    truth: Account
    answer: Account

    def __post_init__(self) -> None:
        """Refuse accounts of different traces."""
        a, b = self.truth.trace, self.answer.trace
        if (a.start_ns, a.interval_ns, a.n_flow) != (b.start_ns, b.interval_ns, b.n_flow):
            raise InputError("truth and answer stand on different traces; score an answer against its own trace")

    @property
    def smallest_event_l(self) -> float:
        """Smallest metered volume of an event that counts: one pulse, and `SMALLEST_EVENT_L` at least [L]."""
        return max(SMALLEST_EVENT_L, self.truth.trace.pulse_l)

    @cached_property
    def pairs(self) -> Pairs:
        """Every pair of events that share time."""
        return candidate_pairs(self.truth, self.answer)

    @cached_property
    def loose(self) -> Match:
        """The matching that labels, fixtures and volumes are scored on."""
        return self.match(self.pairs.agreement >= LOOSE_AGREEMENT)

    @cached_property
    def strict(self) -> Match:
        """The matching under the strict rule."""
        return self.match(self.pairs.agreement >= STRICT_AGREEMENT)

    def match(self, eligible: BoolArray) -> Match:
        """Match events one to one over the eligible pairs, so that the total agreement is largest."""
        rows = np.flatnonzero(eligible)
        pairs = self.pairs
        rows = rows[assign(pairs.truth[rows], pairs.answer[rows], pairs.agreement[rows])]
        t, a = pairs.truth[rows], pairs.answer[rows]
        limit = self.smallest_event_l * (1.0 - 1e-9)
        truth_counts = self.truth.volume_l >= limit
        answer_counts = self.answer.volume_l >= limit
        answer_counts[a] = truth_counts[t]
        keep = truth_counts[t]
        return Match(truth=t[keep], answer=a[keep], truth_counts=truth_counts, answer_counts=answer_counts)
