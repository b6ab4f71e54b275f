"""The form that truth and answer share before they are compared: plain arrays on the cells of one trace."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd

from flowsift.disaggregation import Disaggregation, Shares, overlapping
from flowsift.errors import InputError
from flowsift.grouping import sum_by
from flowsift.households.truth import Truth
from flowsift.labels import LABELS, PARTS, TRICKLE
from flowsift.trace import BoolArray, FloatArray, IntArray, Trace

VOLUME_LABELS: tuple[str, ...] = (*LABELS, TRICKLE)
"""Labels that a litre can carry: those of events, and the trickle."""

VOLUME_COLUMNS = PARTS
"""Columns of `Account.by_label_l`."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Account:
    """One account of a trace's water, true or answered.

    Attributes
    ----------
    trace : Trace
        The trace that it accounts for.
    start, end : ndarray of int64, shape (n_events,)
        Half-open range of cells of each event. True times are rounded outward to whole cells: no answer can be finer.
    label : ndarray of int64, shape (n_events,)
        Position in `LABELS`.
    volume_l : ndarray, shape (n_events,)
        Metered volume, the sum of the event's shares [L].
    used_l : ndarray, shape (n_events,)
        Volume that flowed, whatever the meter said [L]; equals `volume_l` in an answer.
    probability : ndarray, shape (n_events,)
    fixture : ndarray of object, shape (n_events,)
    cycle : ndarray of int64, shape (n_events,)
        -1 for none.
    overlaps : ndarray of bool, shape (n_events,)
        Shares at least one cell with another event.
    shares : Shares
        `Shares.flow` is a position in ``trace.cell``.
    trickle_start, trickle_end : ndarray of int64, shape (n_spans,)
        Half-open ranges of cells.
    trickle_lpm : ndarray, shape (n_spans,)
        Rate of each span [L/min].
    trickle_l : ndarray, shape (n_flow,)
        The trickle's part of each metered cell [L].
    """

    trace: Trace
    start: IntArray
    end: IntArray
    label: IntArray
    volume_l: FloatArray
    used_l: FloatArray
    probability: FloatArray
    fixture: npt.NDArray[np.object_]
    cycle: IntArray
    overlaps: BoolArray
    shares: Shares
    trickle_start: IntArray
    trickle_end: IntArray
    trickle_lpm: FloatArray
    trickle_l: FloatArray

    @property
    def n_events(self) -> int:
        """Number of events."""
        return int(self.start.size)

    @cached_property
    def by_label_l(self) -> FloatArray:
        """Volume of each metered cell by label [L], shape (n_flow, n_labels + 2); columns `VOLUME_COLUMNS`."""
        table = np.zeros((self.trace.n_flow, len(VOLUME_COLUMNS)))
        np.add.at(table, (self.shares.flow, self.label[self.shares.event]), self.shares.volume_l)
        table[:, -2] = self.trickle_l
        table[:, -1] = np.maximum(self.trace.volume_l - table.sum(axis=1), 0.0)
        # Rounding of the shares is no unexplained water.
        table[table[:, -1] < 1e-9 * self.trace.volume_l, -1] = 0.0
        return table


def account_of_answer(answer: Disaggregation) -> Account:
    """Return the account that a method gave."""
    trace, events, trickle = answer.trace, answer.events, answer.trickle
    volume = sum_by(answer.shares.event, answer.shares.volume_l, len(events))
    start, end = cells_of(trace, events["start"], events["end"])
    trickle_start, trickle_end = cells_of(trace, trickle["start"], trickle["end"])
    return Account(
        trace=trace,
        start=start,
        end=end,
        label=label_codes(events["label"]),
        volume_l=volume,
        used_l=volume,
        probability=events["probability"].to_numpy(dtype=np.float64),
        fixture=events["fixture"].to_numpy(dtype=object),
        cycle=events["cycle"].fillna(-1).to_numpy(dtype=np.int64),
        overlaps=events["overlaps"].to_numpy(dtype=bool),
        shares=answer.shares,
        trickle_start=trickle_start,
        trickle_end=trickle_end,
        trickle_lpm=trickle["rate_lpm"].to_numpy(dtype=np.float64),
        trickle_l=answer.trickle_l,
    )


def account_of_truth(truth: Truth, trace: Trace) -> Account:
    """Return the true account of `trace`.

    Truth in cells that the trace doesn't hold (a gap, or a meter that missed the flow) has no metered volume and is
    left out; an event without any metered volume keeps its times and has a volume of zero.

    Parameters
    ----------
    truth : Truth
        ``events`` (start, end, label, fixture, cycle, volume_l), ``shares``, ``trickle_cells`` and ``trickle``.
    trace : Trace
        The trace that was given to the method.

    Raises
    ------
    InputError
        If an event carries an unknown label (names its row).
    """
    events, trickle = truth.events, truth.trickle
    order = np.lexsort((pd.DatetimeIndex(events["end"]).asi8, pd.DatetimeIndex(events["start"]).asi8))
    rank = np.empty(len(events), np.int64)
    rank[order] = np.arange(len(events))
    events = events.iloc[order]
    start, end = cells_of(trace, events["start"], events["end"])
    position, held = _positions(trace, truth.shares.cell)
    shares = Shares(
        event=rank[truth.shares.event[held]], flow=position[held], volume_l=truth.shares.volume_l[held].astype(float)
    )
    position, held = _positions(trace, truth.trickle_cells.cell)
    trickle_start, trickle_end = cells_of(trace, trickle["start"], trickle["end"])
    return Account(
        trace=trace,
        start=start,
        end=end,
        label=label_codes(events["label"]),
        volume_l=sum_by(shares.event, shares.volume_l, len(events)),
        used_l=events["volume_l"].to_numpy(dtype=np.float64),
        probability=np.ones(len(events)),
        fixture=events["fixture"].to_numpy(dtype=object),
        cycle=events["cycle"].fillna(-1).to_numpy(dtype=np.int64),
        overlaps=overlapping(start, end),
        shares=shares,
        trickle_start=trickle_start,
        trickle_end=trickle_end,
        trickle_lpm=trickle["rate_lpm"].to_numpy(dtype=np.float64),
        trickle_l=sum_by(position[held], truth.trickle_cells.volume_l[held], trace.n_flow),
    )


def cells_of(trace: Trace, start: pd.Series, end: pd.Series) -> tuple[IntArray, IntArray]:
    """Return the half-open ranges of cells that times span, rounded outward, one cell at least."""

    def ns(times: pd.Series) -> IntArray:
        return np.asarray(pd.DatetimeIndex(times).tz_convert("UTC").as_unit("ns").asi8, np.int64)

    first = (ns(start) - trace.start_ns) // trace.interval_ns
    stop = -((trace.start_ns - ns(end)) // trace.interval_ns)
    return first, np.maximum(stop, first + 1)


def label_codes(labels: Iterable[str]) -> IntArray:
    """Return the position of each label in `LABELS`.

    Raises
    ------
    InputError
        If a label is unknown (names the first and its row).
    """
    found = list(labels)
    codes = np.asarray(pd.Index(LABELS).get_indexer(pd.Index(found, dtype=object)), np.int64)
    unknown = np.flatnonzero(codes < 0)
    if unknown.size:
        row = int(unknown[0])
        raise InputError(f"found {found[row]!r}, expected one of {', '.join(LABELS)}", row=row, column="label")
    return codes


def _positions(trace: Trace, cell: IntArray) -> tuple[IntArray, BoolArray]:
    """Return the position of each cell in ``trace.cell``, and whether the trace holds it."""
    if trace.n_flow == 0:
        return np.zeros(cell.size, np.int64), np.zeros(cell.size, bool)
    position = np.minimum(np.searchsorted(trace.cell, cell), trace.n_flow - 1)
    return position, trace.cell[position] == cell
