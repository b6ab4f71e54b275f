"""A whole trace through the live code: what a feed of its rows would have given."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from flowsift.disaggregation import Disaggregation, Shares, TrickleSpans, assemble
from flowsift.errors import OptionError
from flowsift.signal.resolution import limits
from flowsift.stream.clockwork import Settled
from flowsift.stream.home import LearnedHome
from flowsift.stream.notices import Notice, SettledEvent
from flowsift.stream.sifter import Sifter
from flowsift.trace import Trace


def sift_whole(trace: Trace, home: LearnedHome) -> list[Notice]:
    """Feed a whole trace at once: batch is the live code fed once.

    Parameters
    ----------
    trace : Trace
        On the home's interval.
    home : LearnedHome

    Returns
    -------
    list of Notice

    Raises
    ------
    OptionError
        If the trace has another interval than the home.

    Examples
    --------
    >>> import flowsift as fs
    >>> from flowsift.households import read_shipped
    >>> from flowsift.stream import learn_home, sift_whole
    >>> home = learn_home(read_shipped("demo").trace)
    >>> later = fs.Trace.from_volumes([0.0, 5.0, 10.0, 15.0], [0.0, 0.5, 0.5, 0.0])
    >>> [notice.volume_l for notice in sift_whole(later, home)]
    [1.0]
    """
    return _fed(trace, Sifter(home))


def disaggregate_known(trace: Trace, home: LearnedHome) -> Disaggregation:
    """Disaggregate a whole trace by what is known of its home: the answer that live feeding gives event by event.

    `flowsift.disaggregate` learns the home anew from the trace that it is given, and so knows more of it; here the home
    is as it was learned, and every use is judged when a `Sifter` would judge it. Whatever the chunks in which the same
    rows are fed, and however often the feed is saved and taken up again, its settled events are the rows of this
    answer.

    Parameters
    ----------
    trace : Trace
        On the home's interval.
    home : LearnedHome

    Returns
    -------
    Disaggregation
        Its trickle is that known when each stretch of flow was explained.

    Raises
    ------
    OptionError
        If the trace has another interval than the home.

    Examples
    --------
    >>> import flowsift as fs
    >>> from flowsift.households import read_shipped
    >>> from flowsift.stream import disaggregate_known, learn_home, sift_whole
    >>> home = learn_home(read_shipped("demo").trace)
    >>> later = fs.Trace.from_volumes([0.0, 5.0, 10.0, 15.0], [0.0, 0.5, 0.5, 0.0])
    >>> disaggregate_known(later, home).events["volume_l"].tolist()
    [1.0]
    """
    parts: list[Settled] = []
    notices = _fed(trace, Sifter(home, on_settled=parts.append))
    events = [notice for notice in notices if isinstance(notice, SettledEvent)]
    before = first_known_cell(trace)
    n_uses = np.cumsum([0, *(part.uses.n_uses for part in parts)])
    place = [np.searchsorted(trace.cell, part.cell + before) for part in parts]
    trickle_l = np.zeros(trace.n_flow)
    for part, at in zip(parts, place, strict=True):
        trickle_l[at] = part.uses.trickle_l
    shares = [part.uses.shares for part in parts]
    start, end = (
        np.array([(getattr(e, name) - trace.start_ns) // trace.interval_ns for e in events], np.int64)
        for name in ("start_ns", "end_ns")
    )
    return assemble(
        trace,
        start_cell=start,
        end_cell=end,
        label=np.array([e.label for e in events], dtype=object),
        probability=np.array([e.probability for e in events], np.float64),
        fixture=np.array([e.fixture for e in events], dtype=object),
        cycle=np.array([-1 if e.cycle is None else e.cycle for e in events], np.int64),
        shares=Shares(
            event=_joined([s.event + n for s, n in zip(shares, n_uses, strict=False)], np.int64),
            flow=_joined([at[s.flow] for s, at in zip(shares, place, strict=True)], np.int64),
            volume_l=_joined([s.volume_l for s in shares], np.float64),
        ),
        trickle=_trickle(parts, before),
        trickle_l=trickle_l,
        findings=limits(trace),
    )


def _fed(trace: Trace, sifter: Sifter) -> list[Notice]:
    interval_s = sifter.home.interval_s
    if trace.interval_ns != sifter.home.interval_ns:
        raise OptionError(f"the trace has intervals of {trace.interval_s:g} s, the home of {interval_s:g} s")
    return [*sifter.feed_ns(*trace.rows()), *sifter.finish()]


def _trickle(parts: list[Settled], before: int) -> TrickleSpans:
    """Spans of the trickle under all stretches; one that has the same rate in the next stretch runs on to it."""
    rows: list[list[float]] = []
    for part in parts:
        spans = part.uses.trickle
        shift = part.first + before
        for start, end, *rates in zip(*(column.tolist() for column in vars(spans).values()), strict=True):
            if rows and rows[-1][2:] == rates:
                rows[-1][1] = end + shift
            else:
                rows.append([start + shift, end + shift, *rates])
    if not rows:
        return TrickleSpans.none()
    start, end, rate, low, high = np.array(rows).T
    return TrickleSpans(
        start=start.astype(np.int64), end=end.astype(np.int64), rate_lpm=rate, low_lpm=low, high_lpm=high
    )


def _joined(parts: list[NDArray[Any]], dtype: type) -> NDArray[Any]:
    return np.concatenate([np.empty(0, dtype), *parts])


def first_known_cell(trace: Trace) -> int:
    """Return the first cell that isn't missing: where a feed of the trace begins."""
    return int(trace.gaps[0, 1]) if len(trace.gaps) and trace.gaps[0, 0] == 0 else 0
