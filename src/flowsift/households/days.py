"""The days of a simulation: local midnights, weekdays and seasons."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from flowsift.errors import OptionError
from flowsift.households.options import check_whole
from flowsift.ingest.checking import LONGEST_SPAN_YEARS
from flowsift.ingest.instants import FIRST_YEAR, LAST_YEAR
from flowsift.ingest.options import checked_zone
from flowsift.trace import FloatArray, IntArray
from flowsift.units import NS_PER_S

MOST_DAYS = 365 * LONGEST_SPAN_YEARS
"""Longest simulation [d]: as long as a trace may be."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Days:
    """Whole local days, in seconds since the first local midnight.

    Attributes
    ----------
    start : Timestamp
        First local midnight, tz-aware.
    midnight_s : ndarray, shape (n + 1,)
        Seconds from `start` to each local midnight, the end included (days of 23 and 25 hours occur).
    weekday : ndarray of int64, shape (n,)
        0 is Monday.
    warmth : ndarray, shape (n,)
        Season, 0 in mid-January to 1 in mid-July (northern hemisphere).
    """

    start: pd.Timestamp
    midnight_s: FloatArray
    weekday: IntArray
    warmth: FloatArray

    @property
    def n(self) -> int:
        """Number of days."""
        return int(self.weekday.size)

    @property
    def end_s(self) -> float:
        """Seconds from the start to the end."""
        return float(self.midnight_s[-1])

    def at(self, day: int, hour: float) -> float:
        """Return the seconds from the start to an hour (0 to 24 and beyond) of a day."""
        return float(self.midnight_s[day]) + 3600.0 * hour

    def hour_of(self, second: FloatArray | IntArray) -> FloatArray:
        """Return the local hour of day (0 to 24) of seconds since the start."""
        day = np.clip(np.searchsorted(self.midnight_s, second, side="right") - 1, 0, self.n - 1)
        return np.asarray((second - self.midnight_s[day]) / 3600.0, dtype=np.float64)


def days_from(start: str | pd.Timestamp, *, n: int, timezone: str) -> Days:
    """Return `n` whole local days beginning on the date of `start`.

    Raises
    ------
    OptionError
        If `n` is not 1 to `MOST_DAYS`, the date can't be read or lies outside the years of a trace, or the time zone
        is unknown.
    """
    check_whole("days", n, 1, MOST_DAYS)
    timezone = checked_zone(timezone)
    try:
        first = pd.Timestamp(start)
        if not FIRST_YEAR < first.year < LAST_YEAR - LONGEST_SPAN_YEARS:
            raise ValueError("no date of a trace")
    except (ValueError, TypeError) as error:
        raise OptionError(f"start must be a date such as 2024-06-03, got {start!r}") from error
    date = (first.tz_convert(timezone).tz_localize(None) if first.tzinfo else first).normalize()
    dates = pd.DatetimeIndex(date + pd.to_timedelta(np.arange(n + 1), unit="D")).as_unit("ns")
    # A day begins at the first of two midnights, and at 01:00 where there is none.
    midnights = dates.tz_localize(timezone, ambiguous=np.ones(n + 1, dtype=bool), nonexistent="shift_forward")
    ns = midnights.tz_convert("UTC").asi8
    day_of_year = dates[:-1].day_of_year.to_numpy(dtype=np.float64)
    return Days(
        start=midnights[0],
        midnight_s=np.asarray((ns - ns[0]) / NS_PER_S, dtype=np.float64),
        weekday=dates[:-1].day_of_week.to_numpy(dtype=np.int64),
        warmth=0.5 - 0.5 * np.cos(2 * np.pi * (day_of_year - 15.0) / 365.25),
    )
