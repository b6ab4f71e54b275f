"""Volume of each label on each local day."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from flowsift.disaggregation import Disaggregation
from flowsift.labels import LABELS, PARTS, TRICKLE
from flowsift.tables import Table
from flowsift.trace import BoolArray, FloatArray, Trace

LOSSES = (TRICKLE, "toilet_leak")
"""Parts that a repair stops."""

OUTDOORS = ("irrigation", "hose", "pool_fill")
"""Parts that follow the weather rather than the household."""

LARGEST_GAP = 0.02
"""A day with more than this share missing is no complete day (half an hour)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class DailyVolumes:
    """Volumes by local day.

    Attributes
    ----------
    dates : DatetimeIndex, shape (n_days,)
        Midnights at which the days start, in the time zone of the trace.
    volume_l : ndarray, shape (n_days, len(PARTS))
        Volume of each of `PARTS` [L]; a volume known over a gap is spread evenly and not explained.
    complete : ndarray of bool, shape (n_days,)
        Days that the trace covers, but for `LARGEST_GAP`.
    """

    dates: pd.DatetimeIndex
    volume_l: FloatArray
    complete: BoolArray

    @property
    def n_complete(self) -> int:
        """Number of complete days."""
        return int(self.complete.sum())

    @property
    def total_l(self) -> FloatArray:
        """Metered volume of each day [L]."""
        return np.asarray(self.volume_l.sum(axis=1))

    def of(self, *labels: str) -> FloatArray:
        """Return the volume of some labels together, by day [L]."""
        return np.asarray(self.volume_l[:, [PARTS.index(label) for label in labels]].sum(axis=1))

    def chosen(self, days: BoolArray) -> DailyVolumes:
        """Return some of the days."""
        return DailyVolumes(dates=self.dates[days], volume_l=self.volume_l[days], complete=self.complete[days])

    def table(self) -> Table:
        """Return one row a day: date, complete, total, and a column a label."""
        columns = {f"{name}_l": self.volume_l[:, k] for k, name in enumerate(PARTS)}
        dates = pd.Series(self.dates.strftime("%Y-%m-%d"), dtype="str")
        return Table({"date": dates, "complete": self.complete, "total_l": self.total_l, **columns})


def daily_volumes(result: Disaggregation, *, without: BoolArray | None = None) -> DailyVolumes:
    """Add up the volume of each label by local day.

    Parameters
    ----------
    result : Disaggregation
    without : ndarray of bool, shape (n_events,), optional
        Events to leave out.

    Returns
    -------
    DailyVolumes
        Every day that the trace touches; days are 23 or 25 hours long where clocks change.
    """
    trace = result.trace
    midnights = _midnights(trace)
    edge = (midnights.tz_convert("UTC").as_unit("ns").asi8 - trace.start_ns) / trace.interval_ns
    n_days = edge.size - 1
    day = np.clip(np.searchsorted(edge, trace.cell, side="right") - 1, 0, n_days - 1)
    volume = np.zeros((n_days, len(PARTS)))
    label = pd.Categorical(result.events["label"], categories=list(LABELS)).codes.astype(np.int64)
    shares = result.shares
    taken_l = shares.volume_l if without is None else np.where(without[shares.event], 0.0, shares.volume_l)
    np.add.at(volume, (day[shares.flow], label[shares.event]), taken_l)
    np.add.at(volume[:, -2], day, result.trickle_l)
    np.add.at(volume[:, -1], day, result.unexplained_by_cell_l)
    missing = np.zeros(n_days)
    for (a, b), known_l in zip(trace.gaps, trace.gap_volume_l, strict=True):
        within = np.clip(np.minimum(edge[1:], b) - np.maximum(edge[:-1], a), 0.0, None)
        missing += within
        volume[:, -1] += known_l * within / (b - a)
    covered = np.clip(np.minimum(edge[1:], trace.n_cells) - np.maximum(edge[:-1], 0.0), 0.0, None) - missing
    complete = covered >= (1.0 - LARGEST_GAP) * np.diff(edge)
    return DailyVolumes(dates=midnights[:-1], volume_l=volume, complete=complete)


def _midnights(trace: Trace) -> pd.DatetimeIndex:
    first = trace.start.tz_convert(trace.timezone).tz_localize(None).normalize()
    last = (trace.end - pd.Timedelta(1, "ns")).tz_convert(trace.timezone).tz_localize(None).normalize()
    days = pd.date_range(first, max(last, first) + pd.Timedelta(1, "D"), freq="D")
    return days.tz_localize(trace.timezone, ambiguous=np.ones(len(days), dtype=bool), nonexistent="shift_forward")
