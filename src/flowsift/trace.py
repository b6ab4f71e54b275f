"""The flow trace: metered volume per interval, held sparsely."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
import pandas as pd

from flowsift.quality import Finding
from flowsift.units import NS_PER_S

FloatArray: TypeAlias = npt.NDArray[np.float64]
IntArray: TypeAlias = npt.NDArray[np.int64]
BoolArray: TypeAlias = npt.NDArray[np.bool_]


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
    findings : tuple of Finding
        Faults, assumptions and limits, in the order found.
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
    findings: tuple[Finding, ...] = ()

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
        return float(self.volume_l.sum() + self.gap_volume_l.sum())

    @property
    def gap_s(self) -> float:
        """Time without data [s]."""
        return float((self.gaps[:, 1] - self.gaps[:, 0]).sum()) * self.interval_s

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
