"""The flow trace: metered volume per interval, held sparsely."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from flowsift.arrays import BoolArray, FloatArray, IntArray
from flowsift.errors import InputError, OptionError
from flowsift.ingest.absence import seems_flow_only
from flowsift.ingest.carried_zone import zone_of_datetimes
from flowsift.ingest.cells import cells_outside, gaps_between
from flowsift.ingest.findings import MISSING_INTERVALS, gap_findings
from flowsift.ingest.gridded import Gridded
from flowsift.ingest.instants import instants_ns, written_instant
from flowsift.ingest.numbers import numbers
from flowsift.ingest.options import checked_absent, checked_zone, given_pulse_l
from flowsift.ingest.pulses import grid_pulses
from flowsift.ingest.register import grid_register
from flowsift.ingest.volumes import grid_volumes
from flowsift.quality import Finding
from flowsift.units import NS_PER_S, litres_per

__all__ = ["BoolArray", "FloatArray", "IntArray", "Trace"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Trace:
    """Metered volume on a regular grid of cells; only cells with flow are held.

    Cell ``i`` is the half-open interval ``[start + i * interval, start + (i + 1) * interval)``. A cell that is
    neither in `cell` nor inside a gap had no flow. Build one with a ``from_...`` constructor or `read_trace`.

    Attributes
    ----------
    start_ns : int
        UTC nanoseconds since the epoch of the start of cell 0.
    interval_ns : int
        Length of a cell [ns], > 0.
    n_cells : int
        Number of cells from the start to the end of the trace, gaps included.
    cell : ndarray of int64, shape (n_flow,)
        Cells with flow, strictly increasing.
    volume_l : ndarray of float64, shape (n_flow,)
        Metered volume of each of them [L], > 0.
    gaps : ndarray of int64, shape (n_gaps, 2)
        Half-open ranges of cells without data, increasing, disjoint.
    gap_volume_l : ndarray of float64, shape (n_gaps,)
        Volume known to have passed over each gap (cumulative readings) [L]; 0 where it is unknown.
    pulse_l : float
        Volume of one pulse of the meter, or the smallest step of its readings [L]; 0 where no step shows.
    timezone : str
        Name of the time zone in which people read this trace; all times inside are UTC.
    unit : str
        Unit of volume that the input came in, a key of `flowsift.units.L_PER_UNIT`.
    row_unit : str or None
        Unit of the values that the rows had: one of volume, of flow such as ``"gal/min"``, or ``"pulses"`` where they
        were counts; None where they were readings of a register or times of pulses, or where there were no rows.
    findings : tuple of Finding
        Faults, assumptions and limits, in the order found.

    Examples
    --------
    >>> import flowsift as fs
    >>> trace = fs.Trace.from_volumes([0.0, 10.0, 20.0, 40.0], [0.0, 1.5, 0.5, 0.0])
    >>> trace
    Trace(1970-01-01 00:00 to 1970-01-01 00:00 UTC, 10 s intervals, 2.0 L in 2 of 5, 1 gaps)
    >>> trace.metered_l, trace.gap_s
    (2.0, 10.0)
    """

    start_ns: int
    interval_ns: int
    n_cells: int
    cell: IntArray
    volume_l: FloatArray
    gaps: IntArray
    gap_volume_l: FloatArray
    pulse_l: float
    timezone: str = "UTC"
    unit: str = "L"
    row_unit: str | None = None
    findings: tuple[Finding, ...] = ()

    @classmethod
    def from_volumes(
        cls,
        times: Any,
        volume_l: Any,
        pulse_l: float | None = None,
        *,
        interval_s: float | None = None,
        timezone: str | ZoneInfo | None = None,
        unit: str = "L",
        absent: str = "missing",
    ) -> Trace:
        """Build a trace from the volume metered in each interval.

        Parameters
        ----------
        times : array-like, shape (n,)
            Starts of the intervals, in any order: datetimes (naive ones are UTC), datetime64, ISO 8601 text, or
            seconds since the epoch.
        volume_l : array-like, shape (n,)
            Volume of each interval [L]; NaN or None where a row has none (its interval is missing).
        pulse_l : float, optional
            Volume of one pulse of the meter [L], 0 where it has none; estimated from the values where it isn't given.
        interval_s : float, optional
            Length of an interval [s]; the prevailing spacing of the rows where it isn't given.
        timezone : str or ZoneInfo, optional
            Time zone in which people read this trace; it doesn't shift `times`. Where it isn't given, that
            of `times` if they are an index or a series with one, else UTC.
        unit : str
            Unit in which answers are given by default; `volume_l` is in litres whatever it says.
        absent : {"missing", "zero"}
            What an interval without a row means; loggers that write only when water runs need ``"zero"``.

        Returns
        -------
        Trace
            Its `findings` say what was wrong with the rows and what was done about it.

        Raises
        ------
        InputError
            No rows, lengths that differ, times that can't be read, infinite values, more than a few negative or
            impossible ones; it names the row (0 = first) and the column.
        OptionError
            An unknown `timezone`, `unit` or `absent`, a `pulse_l` or `interval_s` that isn't positive.

        Examples
        --------
        >>> import flowsift as fs
        >>> times = ["2024-06-12T07:00:00Z", "2024-06-12T07:00:10Z", "2024-06-12T07:00:20Z"]
        >>> fs.Trace.from_volumes(times, [0.0, 1.5, 0.5]).metered_l
        2.0
        """
        ns, volume = _rows(times, volume_l, "volume_l")
        grid = grid_volumes(
            ns,
            volume,
            pulse_l=given_pulse_l(pulse_l),
            interval_s=interval_s,
            absent=checked_absent(absent),
            column="volume_l",
        )
        return cls._from_grid(grid, times, timezone, unit, absent, row_unit=unit, row_values=volume)

    @classmethod
    def from_flow(
        cls,
        times: Any,
        flow_lpm: Any,
        *,
        pulse_l: float | None = None,
        interval_s: float | None = None,
        timezone: str | ZoneInfo | None = None,
        unit: str = "L",
        absent: str = "missing",
    ) -> Trace:
        """Build a trace from the mean flow in each interval [L/min].

        Parameters, result and errors as in `from_volumes`; the volume of an interval is its flow times its length.

        Examples
        --------
        >>> import flowsift as fs
        >>> fs.Trace.from_flow([0.0, 10.0, 20.0], [0.0, 9.0, 3.0]).metered_l
        2.0
        """
        ns, flow = _rows(times, flow_lpm, "flow_lpm")
        grid = grid_volumes(
            ns,
            flow,
            is_flow=True,
            pulse_l=given_pulse_l(pulse_l),
            interval_s=interval_s,
            absent=checked_absent(absent),
            column="flow_lpm",
        )
        return cls._from_grid(grid, times, timezone, unit, absent, row_unit=f"{unit}/min", row_values=flow)

    @classmethod
    def from_register(
        cls,
        times: Any,
        reading_l: Any,
        *,
        pulse_l: float | None = None,
        interval_s: float | None = None,
        timezone: str | ZoneInfo | None = None,
        unit: str = "L",
        absent: str = "missing",
    ) -> Trace:
        """Build a trace from readings of a cumulative register [L].

        The interval from one reading to the next gets their difference; over missing readings the difference is the
        known volume of the gap (`gap_volume_l`). Roll-overs (at a power of ten of `unit`), resets, exchanges and
        readings that dip back are found and treated as the findings say. Parameters, result and errors as in
        `from_volumes`; at least two readings are needed.

        Examples
        --------
        >>> import flowsift as fs
        >>> fs.Trace.from_register([0.0, 10.0, 20.0], [1234.0, 1235.5, 1236.0]).metered_l
        2.0
        """
        ns, reading = _rows(times, reading_l, "reading_l")
        grid = grid_register(
            ns,
            reading,
            unit_l=litres_per(unit),
            pulse_l=given_pulse_l(pulse_l),
            interval_s=interval_s,
            absent=checked_absent(absent),
            column="reading_l",
        )
        return cls._from_grid(grid, times, timezone, unit, absent)

    @classmethod
    def from_pulses(
        cls,
        pulse_times: Any,
        pulse_l: float,
        *,
        interval_s: float = 1.0,
        timezone: str | ZoneInfo | None = None,
        unit: str = "L",
    ) -> Trace:
        """Build a trace from the time of each pulse.

        Parameters
        ----------
        pulse_times : array-like, shape (n_pulses,)
            Times as in `from_volumes`, good to a fraction of a second where they carry one.
        pulse_l : float
            Volume of one pulse [L].
        interval_s : float
            Length of the cells in which pulses are counted [s].
        timezone, unit
            As in `from_volumes`.

        Raises
        ------
        InputError
            No pulses, or times that can't be read (names the row, 0 = first).
        OptionError
            A `pulse_l` or `interval_s` that isn't positive, an unknown `timezone` or `unit`.

        Examples
        --------
        >>> import flowsift as fs
        >>> fs.Trace.from_pulses([0.2, 1.7, 3.1, 8.4], 0.5).metered_l
        2.0
        """
        ns = instants_ns(pulse_times, column="pulse_times")
        grid = grid_pulses(ns, pulse_l=pulse_l, interval_s=interval_s, column="pulse_times")
        return cls._from_grid(grid, pulse_times, timezone, unit, "zero")

    @classmethod
    def _from_grid(
        cls,
        grid: Gridded,
        times: Any,
        timezone: str | ZoneInfo | None,
        unit: str,
        absent: str,
        *,
        row_unit: str | None = None,
        row_values: FloatArray | None = None,
    ) -> Trace:
        litres_per(unit)
        zone = zone_of_datetimes(times) if timezone is None else checked_zone(timezone)
        trace = cls(**vars(grid), timezone=zone, unit=unit, row_unit=row_unit)
        if absent == "zero" or row_values is None:
            return trace
        if seems_flow_only(row_values, gaps=trace.gaps, n_cells=trace.n_cells):
            return trace.with_findings(
                Finding(
                    kind="assumption",
                    what="intervals without a row",
                    treatment="Most intervals have no row and no row has zero flow. They were taken as missing; if the "
                    'logger writes only when water runs, read it again with absent="zero".',
                )
            )
        return trace

    @property
    def interval_s(self) -> float:
        """Length of a cell [s]."""
        return self.interval_ns / NS_PER_S

    @property
    def n_flow(self) -> int:
        """Number of cells with flow."""
        return int(self.cell.size)

    @property
    def metered_l(self) -> float:
        """Whole metered volume, known gap volumes included [L]."""
        # An exactly rounded sum: the last digit of numpy's depends on its version and on the processor.
        return math.fsum(self.volume_l) + math.fsum(self.gap_volume_l)

    @property
    def gap_s(self) -> float:
        """Time without data [s]."""
        return float((self.gaps[:, 1] - self.gaps[:, 0]).sum()) * self.interval_s

    @property
    def metered_s(self) -> float:
        """Time whose volume is known: with data, or a gap over which a volume is known [s]."""
        unknown = (self.gaps[:, 1] - self.gaps[:, 0])[self.gap_volume_l <= 0].sum()
        return self.duration_s - float(unknown) * self.interval_s

    @property
    def duration_s(self) -> float:
        """Time from start to end, gaps included [s]."""
        return self.n_cells * self.interval_s

    @property
    def start(self) -> pd.Timestamp:
        """Start of the first cell (UTC)."""
        return pd.Timestamp(self.start_ns, unit="ns", tz="UTC")

    @property
    def end(self) -> pd.Timestamp:
        """End of the last cell (UTC)."""
        return pd.Timestamp(self.start_ns + self.n_cells * self.interval_ns, unit="ns", tz="UTC")

    def time_of(self, cell: IntArray) -> pd.DatetimeIndex:
        """Return the start times (UTC) of cells, shape (n,)."""
        ns = self.start_ns + np.asarray(cell, dtype=np.int64) * self.interval_ns
        return pd.DatetimeIndex(ns.view("M8[ns]")).tz_localize("UTC")

    def cells_between(
        self, start: str | pd.Timestamp | None = None, end: str | pd.Timestamp | None = None
    ) -> tuple[int, int]:
        """Return the half-open range of cells that start between two times.

        Parameters
        ----------
        start, end : str or Timestamp, optional
            Half-open span; from the start, or to the end, of the trace where one isn't given. A time without an offset
            is local (`timezone`).

        Raises
        ------
        OptionError
            If a time can't be read.

        Examples
        --------
        >>> import flowsift as fs
        >>> trace = fs.Trace.from_volumes(["2024-06-12 07:00", "2024-06-12 07:01", "2024-06-12 07:02"], [0.0, 1.5, 0.5])
        >>> trace.cells_between("2024-06-12 07:01")
        (1, 3)
        """
        first = 0 if start is None else self._cell_from(start)
        stop = self.n_cells if end is None else self._cell_from(end)
        return first, max(first, stop)

    def _cell_from(self, time: str | pd.Timestamp) -> int:
        """Return the first cell that starts at a time or after it."""
        ns = written_instant(time, timezone=self.timezone).value
        return min(max(-((self.start_ns - ns) // self.interval_ns), 0), self.n_cells)

    def between(self, start: str | pd.Timestamp | None = None, end: str | pd.Timestamp | None = None) -> Trace:
        """Return the part of the trace between two times.

        Parameters
        ----------
        start, end : str or Timestamp, optional
            As in `cells_between`: the cells that start in the half-open span are kept.

        Returns
        -------
        Trace
            Of a gap that is cut through, each part keeps its share by time of the volume known over it, so that parts
            add up to the whole. Findings are those of the whole trace, but for the missing intervals.

        Raises
        ------
        OptionError
            If a time can't be read, or no cell starts between the two.

        Examples
        --------
        >>> import flowsift as fs
        >>> trace = fs.Trace.from_volumes(["2024-06-12 07:00", "2024-06-12 07:01", "2024-06-12 07:02"], [0.0, 1.5, 0.5])
        >>> trace.between("2024-06-12 07:01", "2024-06-12 07:02").metered_l
        1.5
        """
        first, stop = self.cells_between(start, end)
        if first == stop:
            span = f"from {self.start if start is None else start} to {self.end if end is None else end}"
            raise OptionError(f"nothing of the trace lies {span}: it goes from {self.start} to {self.end}")
        flow = slice(*np.searchsorted(self.cell, [first, stop]))
        gaps, gap_volume = gaps_between(self.gaps, self.gap_volume_l, first, stop)
        part = replace(
            self,
            start_ns=self.start_ns + first * self.interval_ns,
            n_cells=stop - first,
            cell=self.cell[flow] - first,
            volume_l=self.volume_l[flow],
            gaps=gaps,
            gap_volume_l=gap_volume,
            findings=tuple(finding for finding in self.findings if finding.what != MISSING_INTERVALS),
        )
        known_l = float(gap_volume.sum())
        missing = gap_findings(gaps, start_ns=part.start_ns, interval_ns=self.interval_ns, known_l=known_l)
        return part.with_findings(*missing)

    def rows(self) -> tuple[IntArray, FloatArray]:
        """Return the rows that a meter would have sent: times [UTC ns] and volumes [L] of all cells outside of gaps.

        Examples
        --------
        >>> import flowsift as fs
        >>> times_ns, volume_l = fs.Trace.from_volumes([0.0, 10.0, 20.0, 40.0], [0.0, 1.5, 0.5, 0.0]).rows()
        >>> (times_ns // 10**9).tolist(), volume_l.tolist()
        ([0, 10, 20, 40], [0.0, 1.5, 0.5, 0.0])
        """
        volume = np.zeros(self.n_cells)
        volume[self.cell] = self.volume_l
        cell = cells_outside(self.gaps, self.n_cells)
        return self.start_ns + cell * self.interval_ns, volume[cell]

    def with_findings(self, *findings: Finding) -> Trace:
        """Return the same trace with more findings listed."""
        return replace(self, findings=(*self.findings, *findings))

    def __repr__(self) -> str:
        """Return span, size and interval."""
        return (
            f"Trace({self.start:%Y-%m-%d %H:%M} to {self.end:%Y-%m-%d %H:%M} UTC, "
            f"{self.interval_s:g} s intervals, {self.metered_l:,.1f} L in {self.n_flow:,} of {self.n_cells:,}, "
            f"{len(self.gaps)} gaps)"
        )


def _rows(times: Any, values: Any, column: str) -> tuple[IntArray, FloatArray]:
    ns = instants_ns(times)
    value = numbers(values, column=column)
    if ns.size != value.size:
        raise InputError(f"found {ns.size:,} times and {value.size:,} values, expected as many of each", column=column)
    return ns, value
