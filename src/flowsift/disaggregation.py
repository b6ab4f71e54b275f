"""The answer: events, trickle and what is left, adding up to the metered volume."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from flowsift.errors import InputError, OptionError
from flowsift.explanation import Cycle, Explanation, Likeness, Reasons, range_readings
from flowsift.fixtures import fixture_table
from flowsift.labels import LABELS, TRICKLE, UNEXPLAINED
from flowsift.quality import Finding, findings_table
from flowsift.tables import Table
from flowsift.trace import FloatArray, IntArray, Trace
from flowsift.units import SECONDS_PER_MINUTE, UnitSystem

BALANCE_RTOL = 1e-9
"""Largest share of the metered volume by which the parts may miss the whole (mass balance)."""


@dataclass(frozen=True, kw_only=True)
class Balance:
    """Metered volume and its parts; ``metered_l == events_l + trickle_l + unexplained_l``.

    Attributes
    ----------
    metered_l, events_l, trickle_l, unexplained_l : float
        Volumes [L]. A volume known over a gap is unexplained.
    gap_s : float
        Time without data [s].

    Examples
    --------
    >>> import flowsift as fs
    >>> result = fs.disaggregate(fs.households.read_shipped("demo").trace)
    >>> balance = result.balance
    >>> parts_l = balance.events_l + balance.trickle_l + balance.unexplained_l
    >>> abs(parts_l - balance.metered_l) < 1e-9 * balance.metered_l
    True
    """

    metered_l: float
    events_l: float
    trickle_l: float
    unexplained_l: float
    gap_s: float


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


EVENT_COLUMNS = (
    "start",
    "end",
    "duration_s",
    "volume_l",
    "mean_lpm",
    "peak_lpm",
    "label",
    "probability",
    "fixture",
    "cycle",
    "overlaps",
)
"""Columns of `Disaggregation.events`, in order."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Disaggregation:
    """What each fixture used. Build one with `assemble` (from arrays) or `from_uses` (from a table).

    Attributes
    ----------
    trace : Trace
        The trace it explains.
    events : Table, shape (n_events, 11)
        One row per use of one fixture, sorted by start; columns `EVENT_COLUMNS`.
    shares : Shares
        The events' part of each metered cell.
    trickle : Table
        Constant flow under everything: start, end, rate_lpm, low_lpm, high_lpm, volume_l.
    trickle_l : ndarray of float64, shape (trace.n_flow,)
        The trickle's part of each metered cell [L].
    findings : tuple of Finding
        What can't be told from this trace, beside `trace.findings`.
    reasons : Reasons or None
        What was thought of each event; None where the method keeps nothing but labels.

    Examples
    --------
    >>> import flowsift as fs
    >>> result = fs.disaggregate(fs.households.read_shipped("demo").trace)
    >>> sorted(set(result.events["label"]))[:3]
    ['bathtub', 'clothes_washer', 'dishwasher']
    >>> result.trickle["rate_lpm"].round(3).tolist()
    [0.117]
    >>> list(result.fixtures.columns[:4])
    ['fixture', 'label', 'uses', 'volume_l']
    """

    trace: Trace
    events: Table
    shares: Shares
    trickle: Table
    trickle_l: FloatArray
    findings: tuple[Finding, ...] = ()
    reasons: Reasons | None = None

    @cached_property
    def unexplained_by_cell_l(self) -> FloatArray:
        """Volume of each metered cell that nothing accounts for [L], shape (trace.n_flow,)."""
        explained = np.bincount(self.shares.flow, self.shares.volume_l, minlength=self.trace.n_flow)
        left = self.trace.volume_l - explained - self.trickle_l
        return np.where(left < self.trace.volume_l * BALANCE_RTOL, 0.0, left)

    @cached_property
    def balance(self) -> Balance:
        """Metered volume and its parts."""
        metered = self.trace.metered_l
        events = float(self.shares.volume_l.sum())
        trickle = float(self.trickle_l.sum())
        return Balance(
            metered_l=metered,
            events_l=events,
            trickle_l=trickle,
            unexplained_l=max(metered - events - trickle, 0.0),
            gap_s=self.trace.gap_s,
        )

    @cached_property
    def fixtures(self) -> Table:
        """One row per recognised fixture: uses, volume, typical volume and flow with its interval."""
        return fixture_table(self.events, pulse_l=self.trace.pulse_l)

    @cached_property
    def _records(self) -> list[dict[Hashable, Any]]:
        """The events, one mapping a row: explaining each of thousands looks cells up far too slowly in a frame."""
        names = ["label", "probability", "fixture", "cycle", "volume_l", "mean_lpm", "duration_s"]
        return self.events[names].to_dict("records")

    @cached_property
    def _likenesses(self) -> dict[tuple[str, str], Likeness]:
        """The table of fixtures by fixture and label."""
        names = [field.name for field in fields(Likeness)]
        return {
            (row["fixture"], row["label"]): Likeness(**{name: row[name] for name in names})
            for row in self.fixtures.to_dict("records")
        }

    @cached_property
    def _cycles(self) -> dict[tuple[str, int], Cycle]:
        """Size and volume of each cycle by label and number."""
        sizes = self.events.groupby(["label", "cycle"], as_index=False).agg(
            n_events=("volume_l", "size"), volume_l=("volume_l", "sum")
        )
        return {
            (row["label"], int(row["cycle"])): Cycle(
                number=int(row["cycle"]), n_events=int(row["n_events"]), volume_l=float(row["volume_l"])
            )
            for row in sizes.to_dict("records")
        }

    def explain(self, event: int | pd.Series, *, units: UnitSystem = "si") -> Explanation:
        """Say why an event got its label: the ranges it falls in, the fixture it resembles, the runner-up.

        Parameters
        ----------
        event : int or Series
            Row number in `events`, or a row of it (``result.events.loc[3]``).
        units : {"si", "us"}
            Units of the text; figures are in litres and litres per minute.

        Returns
        -------
        Explanation
            Figures, and a `text` in plain words. The runner-up is None where the method kept none.

        Raises
        ------
        OptionError
            If there is no such row.
        """
        row = event.name if isinstance(event, pd.Series) else event
        if not isinstance(row, int | np.integer) or not 0 <= row < len(self.events):
            raise OptionError(f"no event {row!r}; the events are rows 0 to {len(self.events) - 1}")
        use = self._records[int(row)]
        label, cycle = use["label"], use["cycle"]
        runner_up, chance = (None, np.nan) if self.reasons is None else self.reasons.runner_up(int(row), label)
        return Explanation(
            label=label,
            probability=use["probability"],
            told=self.reasons is not None and bool(self.reasons.told[row]),
            ranges=range_readings(
                label, volume_l=use["volume_l"], flow_lpm=use["mean_lpm"], duration_s=use["duration_s"]
            ),
            resembles=self._likenesses[use["fixture"], label],
            cycle=None if pd.isna(cycle) else self._cycles[label, int(cycle)],
            runner_up=runner_up,
            runner_up_probability=chance,
            units=units,
        )

    @property
    def quality(self) -> Table:
        """What was wrong with the trace, what was assumed, what can't be told, what was done."""
        return findings_table((*self.trace.findings, *self.findings))

    def flow_by_label(self) -> Table:
        """Return the flow of each label at each cell with flow [L/min].

        Returns
        -------
        Table, shape (n_flow + n_gap_cells, n_labels + 2)
            Indexed by the cell's start (UTC), one column per label, then ``trickle`` and ``unexplained``. Cells of a
            gap whose volume is known are included, their volume spread evenly and unexplained.
        """
        trace = self.trace
        to_lpm = SECONDS_PER_MINUTE / trace.interval_s
        flow = np.zeros((trace.n_flow, len(LABELS) + 2))
        column = pd.Categorical(self.events["label"], categories=list(LABELS)).codes.astype(np.int64)
        np.add.at(flow, (self.shares.flow, column[self.shares.event]), self.shares.volume_l * to_lpm)
        flow[:, -2] = self.trickle_l * to_lpm
        flow[:, -1] = self.unexplained_by_cell_l * to_lpm
        cells = trace.cell
        known = trace.gap_volume_l > 0
        if known.any():
            spans = trace.gaps[known]
            lengths = spans[:, 1] - spans[:, 0]
            gap_cells = np.concatenate([np.arange(a, b) for a, b in spans])
            gap_flow = np.zeros((gap_cells.size, flow.shape[1]))
            gap_flow[:, -1] = np.repeat(trace.gap_volume_l[known] / lengths, lengths) * to_lpm
            cells = np.concatenate([cells, gap_cells])
            order = np.argsort(cells, kind="stable")
            cells, flow = cells[order], np.concatenate([flow, gap_flow])[order]
        return Table(flow, index=trace.time_of(cells), columns=[*LABELS, TRICKLE, UNEXPLAINED])

    def __repr__(self) -> str:
        """Return span, number of events and the share that is explained."""
        b = self.balance
        share = 100.0 * (1.0 - b.unexplained_l / b.metered_l) if b.metered_l else 100.0
        return (
            f"Disaggregation({self.trace.start:%Y-%m-%d} to {self.trace.end:%Y-%m-%d}, {len(self.events):,} events, "
            f"{len(self.trickle)} trickle spans, {share:.1f} % of {b.metered_l:,.1f} L explained)"
        )


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
    label, fixture : array_like of str, shape (n_events,)
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
    volume = np.bincount(shares.event, shares.volume_l, minlength=n)
    peak = np.zeros(n)
    np.maximum.at(peak, shares.event, shares.volume_l)
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
            "peak_lpm": peak * SECONDS_PER_MINUTE / trace.interval_s,
            "label": pd.array(np.asarray(label, dtype=object)[order], dtype="str"),
            "probability": np.asarray(probability, dtype=np.float64)[order],
            "fixture": pd.array(np.asarray(fixture, dtype=object)[order], dtype="str"),
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
        Columns ``start``, ``end`` (tz-aware) and ``label``; optional ``probability``, ``fixture``, ``cycle``.

    Raises
    ------
    InputError
        If a use ends before it starts or carries an unknown label (names its row).

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
    unknown = np.flatnonzero(~uses["label"].isin(LABELS))
    if unknown.size:
        found = uses["label"].iloc[unknown[0]]
        raise InputError(f"found {found!r}, expected one of {', '.join(LABELS)}", row=int(unknown[0]), column="label")
    start = _cells(trace, uses["start"], np.floor)
    end = np.maximum(_cells(trace, uses["end"], np.ceil), start + 1)
    backward = np.flatnonzero(uses["end"].to_numpy() < uses["start"].to_numpy())
    if backward.size:
        raise InputError("a use ends before it starts", row=int(backward[0]), column="end")
    first, stop = np.searchsorted(trace.cell, start), np.searchsorted(trace.cell, end)
    count = stop - first
    event = np.repeat(np.arange(len(uses)), count)
    flow = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + np.repeat(first, count)
    claims = np.bincount(flow, minlength=trace.n_flow)
    n = len(uses)
    return assemble(
        trace,
        start_cell=start,
        end_cell=end,
        label=uses["label"].to_numpy(dtype=object),
        probability=uses["probability"].to_numpy(dtype=np.float64) if "probability" in uses else np.ones(n),
        fixture=(uses["fixture"] if "fixture" in uses else uses["label"]).to_numpy(dtype=object),
        cycle=uses["cycle"].astype("Int64").to_numpy(np.int64, na_value=-1) if "cycle" in uses else np.full(n, -1),
        shares=Shares(event=event, flow=flow, volume_l=trace.volume_l[flow] / claims[flow]),
    )


def overlapping(start: IntArray, end: IntArray) -> npt.NDArray[np.bool_]:
    """Tell which of the half-open ranges, sorted by start, share a cell with another."""
    if start.size == 0:
        return np.zeros(0, bool)
    reach = np.maximum.accumulate(end)
    with_earlier = np.concatenate([[False], start[1:] < reach[:-1]])
    with_later = np.concatenate([start[1:] < end[:-1], [False]])
    return np.asarray(with_earlier | with_later, dtype=np.bool_)


def _cells(trace: Trace, times: pd.Series, rounding: np.ufunc) -> IntArray:
    ns = pd.DatetimeIndex(times).tz_convert("UTC").as_unit("ns").asi8
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
