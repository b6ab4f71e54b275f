"""What a classifier sees of an event: its size and shape, the clock, its neighbours, and how often the like recurs."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

from flowsift.arrays import FloatArray
from flowsift.trace import Trace

FEATURES = (
    "log_volume",
    "log_duration",
    "log_mean",
    "log_peak",
    "peak_to_mean",
    "hour_sin",
    "hour_cos",
    "log_since_last",
    "log_to_next",
    "alike_per_day",
    "alike_near_per_hour",
)
"""Columns of `event_features`, in order."""

ALIKE = 0.06
"""Events are alike if logarithms of volume and of mean flow differ by less than this (about 6 per cent). Assumption."""

NEAR_S = 5_400.0
"""Time around an event in which its like are counted again: the length of a load [s]. Assumption."""


def event_features(trace: Trace, events: pd.DataFrame) -> FloatArray:
    """Return the features of events, shape (n_events, n_features).

    Parameters
    ----------
    trace : Trace
        For its time zone and length.
    events : DataFrame
        start, end, duration_s, volume_l, mean_lpm, peak_lpm; sorted by start.
    """
    n = len(events)
    if n == 0:
        return np.empty((0, len(FEATURES)))
    start = pd.DatetimeIndex(events["start"])
    start_s = start.as_unit("ms").asi8 / 1e3
    end_s = pd.DatetimeIndex(events["end"]).as_unit("ms").asi8 / 1e3
    local = start.tz_convert(trace.timezone)
    hour = (local.hour + local.minute / 60.0).to_numpy() * (2.0 * np.pi / 24.0)
    log_volume, log_duration, log_mean, log_peak = (
        np.log(np.maximum(events[name].to_numpy(dtype=np.float64), 1e-4))
        for name in ("volume_l", "duration_s", "mean_lpm", "peak_lpm")
    )
    reach = np.maximum.accumulate(end_s)
    since_last = np.concatenate([[86_400.0], start_s[1:] - reach[:-1]])
    to_next = np.concatenate([start_s[1:] - end_s[:-1], [86_400.0]])
    size = np.column_stack([log_volume, log_mean]) / ALIKE
    alike = cKDTree(size).query_ball_point(size, 1.0, p=np.inf, return_length=True) - 1
    placed = np.column_stack([size, start_s / NEAR_S])
    near = cKDTree(placed).query_ball_point(placed, 1.0, p=np.inf, return_length=True) - 1
    return np.column_stack(
        [
            log_volume,
            log_duration,
            log_mean,
            log_peak,
            np.exp(np.clip(log_peak - log_mean, 0.0, 5.0)),
            np.sin(hour),
            np.cos(hour),
            np.log1p(np.clip(since_last, 0.0, 86_400.0)),
            np.log1p(np.clip(to_next, 0.0, 86_400.0)),
            alike / max(trace.duration_s / 86_400.0, 1e-9),
            near,
        ]
    ).astype(np.float64)
