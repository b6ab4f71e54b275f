"""The fields of a trace, as the gridding modules hand them over."""

from __future__ import annotations

from dataclasses import dataclass

from flowsift.arrays import FloatArray, IntArray
from flowsift.quality import Finding


@dataclass(frozen=True, kw_only=True, eq=False)
class Gridded:
    """Fields of `flowsift.trace.Trace`, by the same names."""

    start_ns: int
    interval_ns: int
    n_cells: int
    cell: IntArray
    volume_l: FloatArray
    gaps: IntArray
    gap_volume_l: FloatArray
    pulse_l: float
    findings: tuple[Finding, ...]
