"""The trickle under a feed: inside its home's record what that shows, after it what was seen since."""

from __future__ import annotations

from bisect import bisect_right

import numpy as np

from flowsift.disaggregation import TrickleSpans
from flowsift.signal.blocks import Blocks, block_cells
from flowsift.stream.arrivals import Arrivals
from flowsift.stream.home import LearnedHome
from flowsift.stream.trickle_watch import Running, TrickleWatch


class HomeTrickle:
    """Both sources of what trickles, asked by cells of the feed.

    Parameters
    ----------
    home : LearnedHome
    watch : TrickleWatch
        Of the feed.
    arrivals : Arrivals
        The feed's clock.
    """

    __slots__ = ("_arrivals", "_edges", "_home", "_watch")

    def __init__(self, home: LearnedHome, watch: TrickleWatch, arrivals: Arrivals) -> None:
        self._home, self._watch, self._arrivals = home, watch, arrivals
        self._edges: list[int] = []

    def begin(self) -> None:
        """Lay the record's last blocks before the feed where it carries on from it."""
        home, cells = self._home, block_cells(self._home.interval_s)
        start_ns = self._arrivals.ns_of(0)
        apart = (start_ns - home.end_ns) / home.interval_ns
        n_blocks = home.blocks.volume_l.size
        left = (home.end_ns - home.start_ns) // home.interval_ns % cells
        n_between = round((left + apart) / cells)
        if apart < 0 or n_between > n_blocks:
            return
        past = Blocks(
            volume_l=np.append(home.blocks.volume_l, np.zeros(n_between))[n_between:],
            pause_s=np.append(home.blocks.pause_s, np.zeros(n_between))[n_between:],
            known=np.append(home.blocks.known, np.zeros(n_between))[n_between:],
        )
        running = None
        if home.trickle and home.trickle[-1].end_ns >= home.end_ns - cells * home.interval_ns:
            last = home.trickle[-1]
            running = Running(
                since=(last.start_ns - start_ns) // home.interval_ns,
                rate_lpm=last.rate_lpm,
                low_lpm=last.low_lpm,
                high_lpm=last.high_lpm,
            )
        self._watch.start_from(past, running)

    def next_edge(self, now: int) -> int | None:
        """Cell after `now` at which the record's trickle begins or ends; None after the record's time."""
        if self._arrivals.ns_of(now) >= self._home.end_ns:
            return None
        if not self._edges:
            times = {self._home.end_ns, *(ns for t in self._home.trickle for ns in (t.start_ns, t.end_ns))}
            self._edges = sorted(self._arrivals.cell_of(ns) for ns in times)
        k = bisect_right(self._edges, now)
        return self._edges[k] if k < len(self._edges) else None

    def rate_at(self, cell: int) -> float:
        """Rate of the trickle at a cell [L/min]: inside the record what it shows, after it what was seen since."""
        at_ns = self._arrivals.ns_of(cell)
        if at_ns < self._home.end_ns:
            return next((t.rate_lpm for t in self._home.trickle if t.start_ns <= at_ns < t.end_ns), 0.0)
        return 0.0 if self._watch.running is None else self._watch.running.rate_lpm

    def spans(self, first: int, stop: int) -> TrickleSpans:
        """Trickles under cells ``[first, stop)``, counted from `first`, from the same two sources."""
        seen, home, cell_of = self._watch.spans(first, stop), self._home, self._arrivals.cell_of
        if self._arrivals.ns_of(first) >= home.end_ns:
            return seen
        record_stop = (home.end_ns - self._arrivals.ns_of(0)) // home.interval_ns
        rows = [
            (start, end, t.rate_lpm, t.low_lpm, t.high_lpm)
            for t in home.trickle
            for start, end in [(cell_of(t.start_ns) - first, min(cell_of(t.end_ns), stop) - first)]
            if end > 0 and start < stop - first
        ]
        rows += [
            (max(a, record_stop - first), b, rate, low, high)
            for a, b, rate, low, high in zip(*(column.tolist() for column in vars(seen).values()), strict=True)
            if b > record_stop - first
        ]
        if not rows:
            return TrickleSpans.none()
        start, end, rate, low, high = (np.array(column) for column in zip(*rows, strict=True))
        return TrickleSpans(start=start, end=end, rate_lpm=rate, low_lpm=low, high_lpm=high)
