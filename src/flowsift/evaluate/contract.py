"""What every method has to keep to; a plug-in's author calls `check_method` from a test."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pandas as pd

from flowsift.disaggregation import BALANCE_RTOL, Disaggregation
from flowsift.evaluate.account import cells_of
from flowsift.evaluate.method import Method, prepare
from flowsift.households import simulate
from flowsift.labels import LABELS
from flowsift.trace import IntArray, Trace
from flowsift.units import NS_PER_S


def check_method(method: Method) -> None:
    """Check that a method keeps the contract of a disaggregation.

    Runs it on an empty trace, a single pulse, a lone long draw, pulses at a steady spacing, two simulated homes (1 s
    and coarse), and one with missing data; twice each.

    Parameters
    ----------
    method : Method

    Raises
    ------
    AssertionError
        Names the trace and what is broken: the answer is for another trace; the mass balance doesn't close or a part
        is negative; an event is out of order, out of the trace, in a gap, of unknown label, without a fixture or of a
        probability beyond 0 to 1; a span of trickle is out of order, out of the trace, over another or not of a rate
        within its interval; the second answer differs from the first; the trace was changed.

    Examples
    --------
    >>> from flowsift.evaluate.contract import check_method
    >>> from flowsift.methods.floor import FloorMethod
    >>> check_method(FloorMethod())
    """
    prepare(method)
    for name, trace in contract_traces():
        before = trace.cell.copy(), trace.volume_l.copy()
        first = method.disaggregate(trace)
        if not (np.array_equal(before[0], trace.cell) and np.array_equal(before[1], trace.volume_l)):
            raise AssertionError(f"{name}: the method changed the trace")
        broken = broken_invariant(first, trace) or _in_a_gap(first.events, trace)
        if broken:
            raise AssertionError(f"{name}: {broken}")
        second = method.disaggregate(trace)
        if not first.events.equals(second.events) or not first.trickle.equals(second.trickle):
            raise AssertionError(f"{name}: a second call gives another answer")


def broken_invariant(answer: Disaggregation, trace: Trace) -> str:
    """Return the first way in which an answer breaks the contract, or an empty string."""
    if not isinstance(answer, Disaggregation):
        return f"expected a Disaggregation, got {type(answer).__name__}"
    if answer.trace is not trace and (
        answer.trace.start_ns != trace.start_ns
        or answer.trace.interval_ns != trace.interval_ns
        or not np.array_equal(answer.trace.cell, trace.cell)
        or not np.array_equal(answer.trace.volume_l, trace.volume_l)
    ):
        return "the answer is for another trace"
    return _broken_balance(answer, trace) or _broken_events(answer.events, trace) or _broken_trickle(answer, trace)


def _broken_balance(answer: Disaggregation, trace: Trace) -> str:
    shares = answer.shares
    if not np.isfinite(shares.volume_l).all() or not np.isfinite(answer.trickle_l).all():
        return "a volume is not finite"
    slack = BALANCE_RTOL * max(trace.metered_l, 1e-12)
    if (shares.volume_l < -slack).any() or (answer.trickle_l < -slack).any():
        return "a volume is negative"
    if shares.flow.size and not (shares.flow.min() >= 0 and shares.flow.max() < trace.n_flow):
        return "a share lies in a cell that the trace doesn't hold"
    explained = np.bincount(shares.flow, shares.volume_l, minlength=trace.n_flow) + answer.trickle_l
    over = explained - trace.volume_l * (1.0 + BALANCE_RTOL)
    if over.size and over.max() > 1e-12:
        return f"{int((over > 1e-12).sum())} cells hold more than was metered"
    b = answer.balance
    if abs(b.metered_l - b.events_l - b.trickle_l - b.unexplained_l) > slack:
        return f"the balance misses by {b.metered_l - b.events_l - b.trickle_l - b.unexplained_l:.3g} L"
    return ""


def _broken_events(events: pd.DataFrame, trace: Trace) -> str:
    if not len(events):
        return ""
    if not events["start"].is_monotonic_increasing:
        return "events are not sorted by start"
    if events["start"].iloc[0] < trace.start or events["end"].max() > trace.end:
        return "an event lies outside the trace"
    if not (events["end"] > events["start"]).all():
        return "an event ends no later than it starts"
    if not events["label"].isin(LABELS).all():
        return f"unknown label {events.loc[~events['label'].isin(LABELS), 'label'].iloc[0]!r}"
    if events["fixture"].isna().any():
        return "an event has no fixture"
    if not events["probability"].between(0.0, 1.0).all():
        return "a probability is not between 0 and 1"
    return ""


def _in_a_gap(events: pd.DataFrame, trace: Trace) -> str:
    # No part of `broken_invariant`: the truth knows uses in a gap, whose water a meter may book after it.
    start, end = cells_of(trace, events["start"], events["end"])
    last_gap_end = np.append(0, trace.gaps[:, 1])[np.searchsorted(trace.gaps[:, 0], start, side="right")]
    return "an event lies in a gap" if (end <= last_gap_end).any() else ""


def _broken_trickle(answer: Disaggregation, trace: Trace) -> str:
    spans = answer.trickle
    start, end = spans["start"], spans["end"]
    if not (end > start).all():
        return "a span of trickle ends no later than it starts"
    if (start < trace.start).any() or (end > trace.end).any():
        return "a span of trickle lies outside the trace"
    if (start < end.shift()).any():
        return "spans of trickle are not sorted and disjoint"
    rate, low, high = spans["rate_lpm"], spans["low_lpm"], spans["high_lpm"]
    if not ((low >= 0.0) & (low <= rate) & (rate <= high) & (high < np.inf)).all():
        return "a trickle's rate is not within its interval, at least 0 and finite"
    return ""


def contract_traces() -> Iterator[tuple[str, Trace]]:
    """Yield named traces that have tripped methods before."""
    yield "empty trace", _trace([], [], n_cells=86_400)
    yield "trace of no length", _trace([], [], n_cells=0)
    yield "single pulse", _trace([43_200], [0.1], n_cells=86_400)
    yield "pulse in the last second", _trace([86_399], [0.1], n_cells=86_400)
    yield "one long draw", _trace(range(1_000, 4_000), [0.1] * 3_000, n_cells=86_400)
    yield "steady lone pulses", _trace(range(0, 86_400, 600), [0.1] * 144, n_cells=86_400)
    home = simulate(1, days=2).trace
    yield "home at 1 s", home
    yield "home at 30 s and 1 L", simulate(2, days=3, interval_s=30.0, pulse_l=1.0).trace
    yield "home with missing data", _without_spans(home, np.array([[20_000, 30_000], [90_000, 90_001]], np.int64))


def _without_spans(trace: Trace, spans: IntArray) -> Trace:
    """Return the trace with spans of cells missing; their volume is lost."""
    inside = np.searchsorted(spans[:, 0], trace.cell, side="right") - 1
    lost = (inside >= 0) & (trace.cell < spans[np.maximum(inside, 0), 1])
    return replace(
        trace, cell=trace.cell[~lost], volume_l=trace.volume_l[~lost], gaps=spans, gap_volume_l=np.zeros(len(spans))
    )


def _trace(cells: object, volume_l: list[float], *, n_cells: int) -> Trace:
    return Trace(
        start_ns=1_700_006_400 * NS_PER_S,
        interval_ns=NS_PER_S,
        n_cells=n_cells,
        cell=np.array(list(cells), np.int64),  # type: ignore[call-overload]
        volume_l=np.array(volume_l, np.float64),
        gaps=np.empty((0, 2), np.int64),
        gap_volume_l=np.empty(0),
        pulse_l=0.1,
    )
