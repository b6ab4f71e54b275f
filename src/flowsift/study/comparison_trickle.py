"""The constant flow of a part of the record."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from flowsift.disaggregation import Disaggregation


@dataclass(frozen=True, kw_only=True)
class TricklePeriod:
    """The constant flow of one period.

    Attributes
    ----------
    rate_lpm, low_lpm, high_lpm : float
        Mean rate while it ran [L/min]; 0 where it didn't.
    running : float
        Part of the time with data in which it ran, 0 to 1.
    """

    rate_lpm: float
    low_lpm: float
    high_lpm: float
    running: float


def trickle_between(
    result: Disaggregation, start: pd.Timestamp | None = None, end: pd.Timestamp | None = None
) -> TricklePeriod:
    """Return the constant flow of a period, by default the whole record."""
    trace, spans = result.trace, result.trickle
    start = trace.start if start is None else start.tz_convert("UTC")
    end = trace.end if end is None else end.tz_convert("UTC")
    inside = [(min(b, end) - max(a, start)).total_seconds() for a, b in zip(spans["start"], spans["end"], strict=True)]
    seconds = np.clip(np.array(inside, dtype=np.float64), 0.0, None)
    whole = max((end - start).total_seconds(), 1.0)
    if seconds.sum() < 1.0:
        return TricklePeriod(rate_lpm=0.0, low_lpm=0.0, high_lpm=0.0, running=0.0)
    rate, low, high = (
        float(np.average(spans[c].to_numpy(np.float64), weights=seconds)) for c in ("rate_lpm", "low_lpm", "high_lpm")
    )
    a, b = ((moment - trace.start).total_seconds() for moment in (start, end))
    gaps_s = trace.gaps * trace.interval_s
    missing = float(np.clip(np.minimum(gaps_s[:, 1], b) - np.maximum(gaps_s[:, 0], a), 0.0, None).sum())
    running = min(float(seconds.sum()) / max(whole - missing, 1.0), 1.0)
    return TricklePeriod(rate_lpm=rate, low_lpm=low, high_lpm=high, running=running)
