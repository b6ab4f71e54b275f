"""What an answer costs: seconds and memory."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, TypeVar

from flowsift.evaluate.definition import Definition
from flowsift.evaluate.totals import Counts, Figures, Totals, ratio
from flowsift.trace import Trace
from flowsift.units import SECONDS_PER_DAY

T = TypeVar("T")

DEFINITIONS = (
    Definition(
        name="cost.ms_per_day",
        title="time for a day of data",
        better="lower",
        unit="ms",
        meaning="Wall-clock time of disaggregate(trace) over the days of the trace.",
    ),
    Definition(
        name="cost.peak_mb",
        title="peak memory",
        better="lower",
        unit="MB",
        meaning="Mean over homes of the largest memory that the process added while it ran disaggregate(trace); on "
        "Linux only, else not defined.",
    ),
)


@dataclass(frozen=True, kw_only=True)
class Measured(Generic[T]):
    """A result with the seconds it took and the memory its making added at most (NaN where that can't be told)."""

    result: T
    took_s: float
    peak_mb: float


def measure(call: Callable[[], T]) -> Measured[T]:
    """Run a call; measure its wall-clock time and the peak of the process's resident memory above the start."""
    before = _reset_peak_mb()
    began = time.perf_counter()
    result = call()
    took_s = time.perf_counter() - began
    return Measured(result=result, took_s=took_s, peak_mb=max(_status_mb("VmHWM") - before, 0.0))


def count_cost(measured: Measured[T], trace: Trace) -> Counts:
    """Return the costs of one home's answer."""
    counts = {"cost.s": measured.took_s, "cost.days": trace.duration_s / SECONDS_PER_DAY}
    if measured.peak_mb == measured.peak_mb:
        counts |= {"cost.peak_mb": measured.peak_mb, "cost.homes": 1.0}
    return counts


def figures(totals: Totals) -> Figures:
    """Return time by day of data and memory by home; NaN where they weren't measured."""
    return {
        "cost.ms_per_day": 1e3 * ratio(totals["cost.s"], totals["cost.days"]),
        "cost.peak_mb": ratio(totals["cost.peak_mb"], totals["cost.homes"]),
    }


def _reset_peak_mb() -> float:
    """Set the process's peak memory back to what it holds now, and return that [MB]."""
    if sys.platform != "linux":
        return float("nan")
    try:
        Path("/proc/self/clear_refs").write_text("5")
    except OSError:
        return float("nan")
    return _status_mb("VmRSS")


def _status_mb(field: str) -> float:
    if sys.platform != "linux":
        return float("nan")
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(f"{field}:"):
            return float(line.split()[1]) / 1e3
    return float("nan")
