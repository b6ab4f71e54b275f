"""Answers built from arrays, or from a table of uses."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import numpy as np
import numpy.typing as npt
import pandas as pd

from flowsift.arrays import BoolArray, FloatArray, IntArray
from flowsift.disaggregation.answer import Disaggregation
from flowsift.disaggregation.shares import Shares, TrickleSpans, largest_l
from flowsift.errors import InputError
from flowsift.explanation import Reasons
from flowsift.grouping import expand_ranges
from flowsift.labels import LABELS
from flowsift.quality import Finding
from flowsift.tables import Table
from flowsift.trace import Trace
from flowsift.units import SECONDS_PER_MINUTE


def assemble(
    trace: Trace,
    *,
    start_cell: IntArray,
    end_cell: IntArray,
    label: npt.ArrayLike,
    probability: FloatArray,
    fixture: npt.ArrayLike,
    cycle: IntArray,
    shares: Shares,
    trickle: TrickleSpans | None = None,
    trickle_l: FloatArray | None = None,
    findings: tuple[Finding, ...] = (),
    reasons: Reasons | None = None,
) -> Disaggregation:
    """Build a `Disaggregation` from arrays, one element an event.

    Parameters
    ----------
    trace : Trace
    start_cell, end_cell : ndarray of int64, shape (n_events,)
        Half-open range of cells of each event.
    label : array_like of str, shape (n_events,)
    fixture : array_like of str, shape (n_events,)
        An event whose fixture is missing (None, NaN) is on one named as its label.
    probability : ndarray, shape (n_events,)
        Probability of the label, 0 to 1.
    cycle : ndarray of int64, shape (n_events,)
        Number of the load or irrigation cycle, -1 for none.
    shares : Shares
        Rows refer to the events as given here.
    trickle : TrickleSpans, optional
    trickle_l : ndarray, shape (trace.n_flow,), optional
        The trickle's part of each metered cell [L].
    findings : tuple of Finding, optional
    reasons : Reasons, optional
        What was thought of each event, in the order given here.

    Returns
    -------
    Disaggregation
        Events sorted by start, then end; volume, mean and peak follow from `shares`.

    Examples
    --------
    >>> import numpy as np
    >>> import flowsift as fs
    >>> from flowsift.disaggregation import Shares, assemble
    >>> trace = fs.Trace.from_volumes([0.0, 1.0, 2.0], [0.0, 3.0, 3.0])
    >>> result = assemble(
    ...     trace,
    ...     start_cell=np.array([1]),
    ...     end_cell=np.array([3]),
    ...     label=["flush"],
    ...     probability=np.array([0.9]),
    ...     fixture=["toilet-1"],
    ...     cycle=np.array([-1]),
    ...     shares=Shares(event=np.array([0, 0]), flow=np.array([0, 1]), volume_l=np.array([3.0, 2.5])),
    ... )
    >>> result.balance.events_l, result.balance.unexplained_l
    (5.5, 0.5)
    """
    n = len(start_cell)
    trickle = TrickleSpans.none() if trickle is None else trickle
    trickle_l = np.zeros(trace.n_flow) if trickle_l is None else trickle_l
    order = np.lexsort((end_cell, start_cell))
    rank = np.empty(n, np.int64)
    rank[order] = np.arange(n)
    shares = replace(shares, event=rank[shares.event])
    start, end = start_cell[order], end_cell[order]
    label, fixture = np.asarray(label, dtype=object)[order], np.asarray(fixture, dtype=object)[order]
    volume = np.bincount(shares.event, shares.volume_l, minlength=n)
    minutes = (end - start) * trace.interval_s / SECONDS_PER_MINUTE
    cycles = pd.array(np.asarray(cycle)[order], dtype="Int64")
    cycles[np.asarray(cycle)[order] < 0] = pd.NA
    events = Table(
        {
            "start": trace.time_of(start),
            "end": trace.time_of(end),
            "duration_s": minutes * SECONDS_PER_MINUTE,
            "volume_l": volume,
            "mean_lpm": volume / minutes,
            "peak_lpm": largest_l(shares, n) * SECONDS_PER_MINUTE / trace.interval_s,
            "label": pd.array(label, dtype="str"),
            "probability": np.asarray(probability, dtype=np.float64)[order],
            "fixture": pd.array(np.where(pd.isna(fixture), label, fixture), dtype="str"),
            "cycle": cycles,
            "overlaps": overlapping(start, end),
        }
    )
    return Disaggregation(
        trace=trace,
        events=events,
        shares=shares,
        trickle=_trickle_table(trace, trickle, trickle_l),
        trickle_l=trickle_l,
        findings=findings,
        reasons=None if reasons is None else reasons.reordered(order),
    )


def from_uses(trace: Trace, uses: pd.DataFrame) -> Disaggregation:
    """Build a `Disaggregation` from a table of uses, for methods that don't divide cells themselves.

    Each metered cell goes to the uses that cover it, in equal parts; what none covers is unexplained.

    Parameters
    ----------
    trace : Trace
    uses : DataFrame
        Columns ``start``, ``end`` (tz-aware) and ``label``; optional ``probability``, ``fixture``, ``cycle``. It may
        have no rows.

    Raises
    ------
    InputError
        If a column is missing, a time is none or has no time zone, a use ends before it starts, or a label is unknown
        (names the row, 0 = first, and the column).

    Examples
    --------
    >>> import pandas as pd
    >>> import flowsift as fs
    >>> from flowsift.disaggregation import from_uses
    >>> trace = fs.Trace.from_volumes([0.0, 60.0, 120.0], [0.0, 6.0, 0.0])
    >>> times = pd.to_datetime([60, 120], unit="s", utc=True)
    >>> result = from_uses(trace, pd.DataFrame({"start": times[:1], "end": times[1:], "label": "flush"}))
    >>> result.events["volume_l"].tolist()
    [6.0]
    """
    for column in ("start", "end", "label"):
        if column not in uses:
            raise InputError(f"no such column; found {', '.join(map(str, uses.columns))}", column=column)
    unknown = np.flatnonzero(~uses["label"].isin(LABELS))
    if unknown.size:
        found = uses["label"].iloc[unknown[0]]
        raise InputError(f"found {found!r}, expected one of {', '.join(LABELS)}", row=int(unknown[0]), column="label")
    start_ns, end_ns = _instants_ns(uses, "start"), _instants_ns(uses, "end")
    backward = np.flatnonzero(end_ns < start_ns)
    if backward.size:
        raise InputError("a use ends before it starts", row=int(backward[0]), column="end")
    start = _cells(trace, start_ns, np.floor)
    end = np.maximum(_cells(trace, end_ns, np.ceil), start + 1)
    first, stop = np.searchsorted(trace.cell, start), np.searchsorted(trace.cell, end)
    event, flow = expand_ranges(first, stop)
    claims = np.bincount(flow, minlength=trace.n_flow)
    n = len(uses)
    return assemble(
        trace,
        start_cell=start,
        end_cell=end,
        label=uses["label"].to_numpy(dtype=object),
        probability=uses["probability"].to_numpy(dtype=np.float64) if "probability" in uses else np.ones(n),
        fixture=uses["fixture"].to_numpy(dtype=object) if "fixture" in uses else np.full(n, None),
        cycle=np.asarray(uses["cycle"].astype("Int64").fillna(-1) if "cycle" in uses else np.full(n, -1), np.int64),
        shares=Shares(event=event, flow=flow, volume_l=trace.volume_l[flow] / claims[flow]),
    )


def overlapping(start: IntArray, end: IntArray) -> BoolArray:
    """Tell which of the half-open ranges, sorted by start, share a cell with another."""
    if start.size == 0:
        return np.zeros(0, bool)
    reach = np.maximum.accumulate(end)
    with_earlier = np.concatenate([[False], start[1:] < reach[:-1]])
    with_later = np.concatenate([start[1:] < end[:-1], [False]])
    return np.asarray(with_earlier | with_later, dtype=np.bool_)


def _instants_ns(uses: pd.DataFrame, column: str) -> IntArray:
    """Return the times of a column [UTC ns]."""
    times = uses[column]
    for row, time in enumerate(times):
        if not isinstance(time, datetime) or time.tzinfo is None:
            raise InputError(f"found {time!r}, expected a time with its time zone", row=row, column=column)
    return np.asarray(pd.DatetimeIndex(pd.to_datetime(times, utc=True)).as_unit("ns").asi8, dtype=np.int64)


def _cells(trace: Trace, ns: IntArray, rounding: np.ufunc) -> IntArray:
    return np.asarray(rounding((ns - trace.start_ns) / trace.interval_ns), dtype=np.int64)


def _trickle_table(trace: Trace, spans: TrickleSpans, trickle_l: FloatArray) -> Table:
    upto = np.concatenate([[0.0], np.cumsum(trickle_l)])
    first, stop = np.searchsorted(trace.cell, spans.start), np.searchsorted(trace.cell, spans.end)
    return Table(
        {
            "start": trace.time_of(spans.start),
            "end": trace.time_of(spans.end),
            "rate_lpm": spans.rate_lpm,
            "low_lpm": spans.low_lpm,
            "high_lpm": spans.high_lpm,
            "volume_l": upto[stop] - upto[first],
        }
    )
