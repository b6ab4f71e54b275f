"""How metered volume is divided: among events cell by cell, and into spans of constant flow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.grouping import stretch_starts

EVENTS_AT_ONCE = 4096
"""Events whose shares are put in order at once: a year of them needs little memory so."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Shares:
    """How the volume of each metered cell is divided among events.

    Attributes
    ----------
    event : ndarray of int64, shape (n_shares,)
        Row of the events table.
    flow : ndarray of int64, shape (n_shares,)
        Position in `Trace.cell` of the cell that is divided.
    volume_l : ndarray of float64, shape (n_shares,)
        Volume of that cell that the event took [L], >= 0.

    Examples
    --------
    >>> import numpy as np
    >>> from flowsift.disaggregation import Shares
    >>> Shares(event=np.array([0, 1]), flow=np.array([0, 0]), volume_l=np.array([0.5, 0.25])).volume_l.tolist()
    [0.5, 0.25]
    """

    event: IntArray
    flow: IntArray
    volume_l: FloatArray


@dataclass(frozen=True, kw_only=True, eq=False)
class TrickleSpans:
    """Spans of constant flow under everything, in cells of the trace.

    Attributes
    ----------
    start, end : ndarray of int64, shape (n_spans,)
        Half-open ranges of cells, increasing, disjoint.
    rate_lpm, low_lpm, high_lpm : ndarray of float64, shape (n_spans,)
        Rate and its 90 % interval [L/min].

    Examples
    --------
    >>> from flowsift.disaggregation import TrickleSpans
    >>> TrickleSpans.none().rate_lpm.size
    0
    """

    start: IntArray
    end: IntArray
    rate_lpm: FloatArray
    low_lpm: FloatArray
    high_lpm: FloatArray

    @classmethod
    def none(cls) -> TrickleSpans:
        """Return no spans."""
        cells, rates = np.empty(0, np.int64), np.empty(0)
        return cls(start=cells, end=cells, rate_lpm=rates, low_lpm=rates, high_lpm=rates)


def merged(shares: Shares) -> Shares:
    """Return the shares sorted by event and cell, one for each: pieces of one use may lie in one cell."""
    place = shares.event * (int(shares.flow.max(initial=0)) + 1) + shares.flow
    # Nearly sorted as they are, which this sort is fast on.
    order = np.argsort(place, kind="stable")
    opens = stretch_starts(place[order])
    first = order[opens]
    volume_l = np.add.reduceat(shares.volume_l[order], opens) if opens.size else np.empty(0)
    return Shares(event=shares.event[first], flow=shares.flow[first], volume_l=volume_l)


def largest_l(shares: Shares, n_events: int) -> FloatArray:
    """Return the largest volume that each event took of one cell, shape (n_events,) [L]; 0 for an event without shares.

    Pieces of one use may overlap, such as a tap that was turned further: what they took of one cell ran together.
    """
    largest = np.zeros(n_events)
    for first in range(0, n_events, EVENTS_AT_ONCE):
        some = np.flatnonzero((shares.event >= first) & (shares.event < first + EVENTS_AT_ONCE))
        part = merged(Shares(event=shares.event[some], flow=shares.flow[some], volume_l=shares.volume_l[some]))
        opens = stretch_starts(part.event)
        if opens.size:
            largest[part.event[opens]] = np.maximum.reduceat(part.volume_l, opens)
    return largest
