"""The answer: events, trickle and what is left, adding up to the metered volume."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, fields
from functools import cached_property
from typing import Any, get_args

import numpy as np
import pandas as pd

from flowsift.arrays import FloatArray
from flowsift.disaggregation.flow_table import flow_table
from flowsift.disaggregation.shares import Shares
from flowsift.errors import OptionError
from flowsift.explanation import Cycle, Explanation, Likeness, Reasons, range_readings
from flowsift.fixtures import fixture_table
from flowsift.quality import Finding, findings_table
from flowsift.tables import Table
from flowsift.trace import Trace
from flowsift.units import UnitSystem

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
    >>> {"faucet", "flush", "shower"} <= set(result.events["label"])
    True
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
        """One row per recognised fixture: uses, volume, typical volume and flow with its interval.

        The interval is of the median use, with what else was drawn in it, such as hands washed while a toilet refills:
        `flowsift.study.flushes` has the volume of a flush alone.
        """
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
            Row number in `events`, or a row of it (``result.events.loc[3]``) under its number.
        units : {"si", "us"}
            Units of the text; figures are in litres and litres per minute.

        Returns
        -------
        Explanation
            Figures, and a `text` in plain words. The runner-up is None where the method kept none.

        Raises
        ------
        OptionError
            If there is no such row, a row was renumbered and its start and end are those of another, or the units are
            unknown.
        """
        if units not in get_args(UnitSystem):
            raise OptionError(f"units must be one of {', '.join(get_args(UnitSystem))}, got {units!r}")
        row = event.name if isinstance(event, pd.Series) else event
        if isinstance(row, bool) or not isinstance(row, int | np.integer) or not 0 <= row < len(self.events):
            raise OptionError(f"no event {row!r}; the events are rows 0 to {len(self.events) - 1}")
        if isinstance(event, pd.Series):
            here = self.events.iloc[int(row)]
            if any(name in event and event[name] != here[name] for name in ("start", "end")):
                raise OptionError(
                    f"event {row} goes from {here['start']} to {here['end']}, the row given as event {row} does not; "
                    "give it under the number that it has in `events`"
                )
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

    def flow_by_label(self, *, start: str | pd.Timestamp | None = None, end: str | pd.Timestamp | None = None) -> Table:
        """Return the flow of each label at each cell with flow [L/min].

        Parameters
        ----------
        start, end : str or Timestamp, optional
            Half-open span of time; the whole trace where they aren't given. A time without an offset is local.

        Returns
        -------
        Table, shape (n_flow + n_gap_cells, n_labels + 2)
            Indexed by the cell's start (UTC), one column per label, then ``trickle`` and ``unexplained``; their axis is
            named ``flow_lpm``. Cells of a gap whose volume is known are included, their volume spread evenly and
            unexplained.

        Raises
        ------
        OptionError
            If the span has more than `MOST_ROWS` cells with flow or in such gaps: ask for a shorter one.
        """
        trace = self.trace
        first, stop = trace.cells_between(start, end)
        return flow_table(
            trace,
            first=first,
            stop=stop,
            label=self.events["label"],
            shares=self.shares,
            trickle_l=self.trickle_l,
            unexplained_l=self.unexplained_by_cell_l,
        )

    def __repr__(self) -> str:
        """Return span, number of events and the share that is explained."""
        b = self.balance
        share = 100.0 * (1.0 - b.unexplained_l / b.metered_l) if b.metered_l else 100.0
        return (
            f"Disaggregation({self.trace.start:%Y-%m-%d} to {self.trace.end:%Y-%m-%d}, {len(self.events):,} events, "
            f"{len(self.trickle)} trickle spans, {share:.1f} % of {b.metered_l:,.1f} L explained)"
        )
