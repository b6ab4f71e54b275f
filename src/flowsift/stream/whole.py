"""A whole trace through the live code: what a feed of its rows would have given."""

from __future__ import annotations

from typing import Any

import numpy as np

from flowsift.errors import OptionError
from flowsift.stream.home import LearnedHome
from flowsift.stream.notices import Notice
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
    if trace.interval_ns != home.interval_ns:
        raise OptionError(f"the trace has intervals of {trace.interval_s:g} s, the home of {home.interval_s:g} s")
    sifter = Sifter(home)
    times, volumes = rows_of(trace)
    return [*sifter.feed_ns(times, volumes), *sifter.finish()]


def rows_of(trace: Trace) -> tuple[np.ndarray[Any, np.dtype[np.int64]], np.ndarray[Any, np.dtype[np.float64]]]:
    """Return the rows that a meter would have sent: times [UTC ns] and volumes [L] of all cells outside of gaps."""
    volume = np.zeros(trace.n_cells)
    volume[trace.cell] = trace.volume_l
    known = np.ones(trace.n_cells, bool)
    for a, b in trace.gaps:
        known[a:b] = False
    cell = np.flatnonzero(known)
    return trace.start_ns + cell * trace.interval_ns, volume[cell]
