"""The irrigation programme behind the zones: days, start time, minutes and flow of each zone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from flowsift.arrays import FloatArray, IntArray
from flowsift.disaggregation import Disaggregation
from flowsift.study.leaks_zones import clock_time_s, rise, timed_runs
from flowsift.tables import Table
from flowsift.units import SECONDS_PER_DAY, SECONDS_PER_MINUTE

LEAST_RUNS = 2
"""Runs at one time of the day that make a zone of a programme; a single one may be by hand."""

BETWEEN_ZONES_S = 900.0
"""Longest time between two zones of one programme [s] (common practice: a valve's delay, a well that recovers)."""

REGULAR = 0.75
"""Share of a weekday's dates, or of the steps between runs, from which a rule is seen behind them (a rain sensor
cancels some; assumption)."""

WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")

ZONE_COLUMNS = {
    "programme": "int64",
    "zone": "int64",
    "fixture": "str",
    "start_time": "str",
    "days": "str",
    "minutes": "float64",
    "runs": "int64",
    "typical_lpm": "float64",
    "typical_volume_l": "float64",
    "volume_l": "float64",
    "raised_from_lpm": "float64",
}
"""Columns of `Programme.zones` and their types, but for the times ``first``, ``last`` and ``raised_since``."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Programme:
    """What a controller does, as far as the meter shows it.

    Attributes
    ----------
    zones : Table
        One row a zone in the order of watering. ``programme`` numbers zones that follow one another; ``start_time``
        (local, HH:MM), ``days`` (``Mon Thu``, ``daily``, ``every 3 days``, ``irregular``), ``minutes``, ``runs``,
        ``typical_lpm`` and ``typical_volume_l`` of a run as of late, ``volume_l`` in all, ``first`` and ``last`` run.
        Where the flow rose above the zone's own history (a broken head, a split pipe), ``raised_from_lpm`` is the flow
        before and ``raised_since`` the first run with more; else NaN and NaT.
    by_hand_l : float
        Volume of irrigation outside any programme [L].

    Examples
    --------
    >>> import flowsift as fs
    >>> result = fs.disaggregate(fs.households.read_shipped("demo").trace)
    >>> found = fs.study.programme(result)
    >>> len(found.raised) <= len(found.zones)
    True
    """

    zones: Table
    by_hand_l: float

    @property
    def raised(self) -> Table:
        """The zones whose flow rose."""
        return Table(self.zones[self.zones["raised_since"].notna()])


def programme(result: Disaggregation) -> Programme:
    """Read the irrigation programme from an answer.

    A zone is what starts at one time of the day and runs for one time, so that a zone keeps its row when its flow
    rises. Times are those of the trace's time zone.

    Parameters
    ----------
    result : Disaggregation

    Returns
    -------
    Programme
        Without zones where nothing is irrigated by a clock.

    Examples
    --------
    >>> import flowsift as fs
    >>> result = fs.disaggregate(fs.households.read_shipped("demo").trace)
    >>> list(fs.study.programme(result).zones.columns[:6])
    ['programme', 'zone', 'fixture', 'start_time', 'days', 'minutes']
    """
    trace = result.trace
    runs = result.events[result.events["label"] == "irrigation"].sort_values("start")
    local = runs["start"].dt.tz_convert(trace.timezone)
    clock_s = clock_time_s(local)
    length_s = runs["duration_s"].to_numpy(dtype=np.float64)
    member = timed_runs(clock_s, length_s, slack_s=2.0 * trace.interval_s)
    rows = [
        _zone(runs[member == g], local[member == g], clock_s[member == g])
        for g in range(int(member.max(initial=-1)) + 1)
        if (member == g).sum() >= LEAST_RUNS
    ]
    zones = pd.DataFrame(rows, columns=["clock_s", *ZONE_COLUMNS, "first", "last", "raised_since"])
    zones = zones.sort_values("clock_s", kind="stable").reset_index(drop=True)
    zones["programme"] = _follow_on(zones["clock_s"].to_numpy(np.float64), zones["minutes"].to_numpy(np.float64))
    zones["zone"] = zones.groupby("programme").cumcount() + 1
    for name in ("first", "last", "raised_since"):
        zones[name] = pd.to_datetime(zones[name], utc=True).dt.as_unit("ns").dt.tz_convert(trace.timezone)
    table = Table(zones.drop(columns="clock_s").astype(ZONE_COLUMNS))
    return Programme(zones=table, by_hand_l=float(runs["volume_l"].sum() - table["volume_l"].sum()))


def _zone(runs: pd.DataFrame, local: pd.Series, clock_s: FloatArray) -> dict[str, object]:
    """Sum up the runs of one zone."""
    flow = runs["mean_lpm"].to_numpy(dtype=np.float64)
    split = rise(flow)
    of_late = slice(split or 0, None)
    # Times either side of midnight are one time: turn the clock so that the first run is at noon.
    half = SECONDS_PER_DAY / 2
    middle_s = (np.median(np.mod(clock_s - clock_s[0] + half, SECONDS_PER_DAY)) + clock_s[0] - half) % SECONDS_PER_DAY
    minute = round(middle_s / SECONDS_PER_MINUTE) % 1440
    # A run that is early for midnight is the next day's.
    off_s = np.mod(clock_s - minute * SECONDS_PER_MINUTE + half, SECONDS_PER_DAY) - half
    return {
        "clock_s": middle_s,
        "programme": 0,
        "zone": 0,
        "fixture": str(runs["fixture"].mode().iloc[0]),
        "start_time": f"{minute // 60:02d}:{minute % 60:02d}",
        "days": days_in_words(local - pd.to_timedelta(off_s, unit="s")),
        "minutes": float(np.median(runs["duration_s"].iloc[of_late])) / SECONDS_PER_MINUTE,
        "runs": len(runs),
        "typical_lpm": float(np.median(flow[of_late])),
        "typical_volume_l": float(np.median(runs["volume_l"].iloc[of_late])),
        "volume_l": float(runs["volume_l"].sum()),
        "raised_from_lpm": np.nan if split is None else float(np.median(flow[:split])),
        "first": local.iloc[0],
        "last": local.iloc[-1],
        "raised_since": pd.NaT if split is None else local.iloc[split],
    }


def days_in_words(local: pd.Series) -> str:
    """Tell the rule behind the days of some runs: ``daily``, ``Mon Thu``, ``every 3 days`` or ``irregular``.

    Parameters
    ----------
    local : Series of Timestamp
        Local starts, in order of time.
    """
    dates = pd.DatetimeIndex(local.dt.tz_localize(None).dt.normalize().unique())
    if len(dates) < LEAST_RUNS:
        return "irregular"
    step = np.diff(dates.to_numpy()) // np.timedelta64(1, "D")
    every, count = np.unique(step, return_counts=True)
    usual = int(every[count.argmax()])
    # A run that rain cancelled leaves a step of twice the usual.
    in_step = (step % usual == 0).mean() >= REGULAR and count.max() >= REGULAR * step.size
    if in_step and usual != 7:
        return "daily" if usual == 1 else f"every {usual} days"
    possible = np.bincount(pd.date_range(dates[0], dates[-1]).day_of_week, minlength=7)
    seen = np.bincount(dates.day_of_week, minlength=7)
    on = np.flatnonzero(seen >= REGULAR * np.maximum(possible, 1))
    if seen[on].sum() < REGULAR * seen.sum():
        return "irregular"
    return " ".join(WEEKDAYS[k] for k in on)


def _follow_on(clock_s: FloatArray, minutes: FloatArray) -> IntArray:
    """Number the programmes: zones that follow one another within `BETWEEN_ZONES_S` share a number."""
    end_s = clock_s + minutes * SECONDS_PER_MINUTE
    apart = clock_s[1:] - end_s[:-1] > BETWEEN_ZONES_S
    return np.asarray(np.concatenate([[1], 1 + np.cumsum(apart)])[: clock_s.size], dtype=np.int64)
