"""The answer, and how one is built."""

from flowsift.disaggregation.answer import BALANCE_RTOL, EVENT_COLUMNS, Balance, Disaggregation
from flowsift.disaggregation.assembling import assemble, from_uses, overlapping
from flowsift.disaggregation.shares import Shares, TrickleSpans

__all__ = [
    "BALANCE_RTOL",
    "EVENT_COLUMNS",
    "Balance",
    "Disaggregation",
    "Shares",
    "TrickleSpans",
    "assemble",
    "from_uses",
    "overlapping",
]
