"""The usual week: litres an hour at each hour of each weekday."""

from __future__ import annotations

import numpy as np
import pandas as pd

from flowsift.disaggregation import Disaggregation
from flowsift.tables import Table

WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")

_QUARTER_NS = 900_000_000_000
"""Step of which hours are put together: clocks are whole quarters of an hour off UTC."""


def usual_week(result: Disaggregation) -> Table:
    """Return the mean metered volume in each hour of the week.

    Parameters
    ----------
    result : Disaggregation

    Returns
    -------
    Table, shape (168, 4)
        Columns ``weekday`` (0 is Monday), ``hour``, ``hours_seen`` and ``volume_l``: mean over the hours with data
        [L]; NaN where none was seen. Hours are those of the trace's time zone; a gap is not zero, and a volume known
        over a gap doesn't count.
    """
    trace = result.trace
    first = trace.start_ns // _QUARTER_NS
    quarters = np.arange(first, -(-trace.end.value // _QUARTER_NS))
    edges = np.clip(quarters * _QUARTER_NS - trace.start_ns, 0, trace.n_cells * trace.interval_ns)
    stop = np.clip((quarters + 1) * _QUARTER_NS - trace.start_ns, 0, trace.n_cells * trace.interval_ns)
    seen_ns = (stop - edges).astype(np.float64)
    for a, b in (trace.gaps * trace.interval_ns).tolist():
        seen_ns -= np.clip(np.minimum(stop, b) - np.maximum(edges, a), 0, None)
    position = (trace.start_ns + trace.cell * trace.interval_ns) // _QUARTER_NS - first
    volume = np.bincount(position, trace.volume_l, minlength=quarters.size)
    local = pd.DatetimeIndex((quarters * _QUARTER_NS).view("M8[ns]")).tz_localize("UTC").tz_convert(trace.timezone)
    slot = np.asarray(local.day_of_week, dtype=np.int64) * 24 + np.asarray(local.hour, dtype=np.int64)
    total = np.bincount(slot, volume, minlength=168)
    seen = np.bincount(slot, seen_ns / (4 * _QUARTER_NS), minlength=168)
    mean = np.divide(total, seen, out=np.full(168, np.nan), where=seen > 1e-9)
    return Table({"weekday": np.arange(168) // 24, "hour": np.arange(168) % 24, "hours_seen": seen, "volume_l": mean})
