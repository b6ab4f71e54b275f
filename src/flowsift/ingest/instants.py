"""Anything that names instants, as integer nanoseconds since the epoch (UTC)."""

from __future__ import annotations

from numbers import Number
from typing import Any

import numpy as np
import pandas as pd

from flowsift.arrays import IntArray
from flowsift.errors import InputError, OptionError
from flowsift.ingest.numbers import without_library
from flowsift.units import NS_PER_S

FIRST_YEAR, LAST_YEAR = 1900, 2149
"""Times outside these years are errors: no meter wrote them, and within them every difference of two times, and every
sum of a time and a trace's length, is an int64 number of nanoseconds (which reaches 292 years)."""

EARLIEST_S, LATEST_S = -2_208_988_800, 5_680_281_600
"""The start of the first of these years and the end of the last [s since 1970]."""

EMPTY = "found an empty time, expected an instant"


def instants_ns(times: Any, *, column: str = "time") -> IntArray:
    """Return instants as UTC nanoseconds, shape (n,).

    Parameters
    ----------
    times : array-like, shape (n,)
        Tz-aware datetimes, naive datetimes (taken as UTC), datetime64, ISO 8601 text, or seconds since the epoch
        (int or float; floats are good to a microsecond).
    column : str
        Name that an error gives.

    Raises
    ------
    InputError
        If one of them isn't an instant, or lies outside the years 1900 to 2149 (names the first).
    """
    times = without_library(times)
    dtype = getattr(times, "dtype", None)
    if dtype is not None and pd.api.types.is_float_dtype(dtype) and dtype.itemsize < np.dtype(np.float64).itemsize:
        raise InputError(f"found times as {dtype}, which is a minute off, expected float64", column=column)
    values = (times if isinstance(times, pd.Index) else pd.Index(_plain(times, column))).infer_objects()
    if isinstance(values, pd.DatetimeIndex):
        return _from_datetimes(values, column)
    if pd.api.types.is_bool_dtype(values.dtype):
        raise InputError("found true/false values, expected times", column=column)
    if pd.api.types.is_integer_dtype(values.dtype):
        return _from_integers(values, column)
    if pd.api.types.is_float_dtype(values.dtype):
        return _from_floats(values.to_numpy(dtype=np.float64, na_value=np.nan), column)
    return _from_objects(values, column)


def written_instant(time: str | pd.Timestamp, *, timezone: str) -> pd.Timestamp:
    """Return a time that somebody wrote, in a zone.

    Without an offset it is local; of a local time that a change of the clock skips or repeats, the later one is meant.

    Raises
    ------
    OptionError
        If it can't be read.
    """
    try:
        at = pd.Timestamp(time)
        if pd.isna(at):
            raise ValueError("no time")
        at = at.tz_localize(timezone, ambiguous=False, nonexistent="shift_forward") if at.tz is None else at
        return at.as_unit("ns").tz_convert(timezone)
    except (ValueError, TypeError) as error:
        raise OptionError(f"found {time!r}, expected a time such as 2024-06-12 06:00") from error


def _plain(times: Any, column: str) -> Any:
    if isinstance(times, np.ma.MaskedArray):
        _first_bad(np.ma.getmaskarray(times), EMPTY, column)
    if isinstance(times, pd.Series | np.ndarray) or not hasattr(times, "__iter__"):
        if np.ndim(times) != 1:
            raise InputError(f"found {np.ndim(times)} dimensions, expected one time a row", column=column)
        return times
    return list(times)


def _first_bad(bad: Any, problem: str, column: str) -> None:
    rows = np.flatnonzero(bad)
    if rows.size:
        raise InputError(problem, row=int(rows[0]), column=column)


def _from_datetimes(values: pd.DatetimeIndex, column: str) -> IntArray:
    _first_bad(values.isna(), EMPTY, column)
    utc = values.tz_convert("UTC") if values.tz is not None else values
    year = np.asarray(utc.year)
    outside = np.flatnonzero((year < FIRST_YEAR) | (year > LAST_YEAR))
    if outside.size:
        row = int(outside[0])
        raise InputError(wrong_year(f"the year {year[row]}"), row=row, column=column)
    return np.asarray(utc.as_unit("ns").asi8, dtype=np.int64)


def wrong_year(found: str) -> str:
    """Return the problem of a time outside the years that are read."""
    return f"found {found}, expected a time from {FIRST_YEAR} to {LAST_YEAR}"


def _from_integers(values: pd.Index, column: str) -> IntArray:
    _first_bad(values.isna(), EMPTY, column)
    seconds = values.to_numpy(dtype=np.int64)
    _check_range(seconds, column)
    return seconds * NS_PER_S


def _from_floats(seconds: Any, column: str) -> IntArray:
    _first_bad(~np.isfinite(seconds), "found a time that is empty or not finite, expected seconds since 1970", column)
    _check_range(seconds, column)
    whole = np.floor(seconds)
    # a double of today's epoch seconds resolves 0.24 microseconds: finer digits are noise that would look like jitter
    micros = np.rint((seconds - whole) * 1e6).astype(np.int64)
    return np.asarray(whole.astype(np.int64) * NS_PER_S + micros * 1000, dtype=np.int64)


def _check_range(seconds: Any, column: str) -> None:
    outside = np.flatnonzero((seconds >= LATEST_S) | (seconds < EARLIEST_S))
    if outside.size:
        row = int(outside[0])
        raise InputError(
            f"found {seconds[row]}, expected seconds since 1970 (milliseconds? divide them by 1000)",
            row=row,
            column=column,
        )


def _from_objects(values: pd.Index, column: str) -> IntArray:
    _first_bad(values.isna(), EMPTY, column)
    _first_bad(
        [isinstance(value, Number) for value in values], "found numbers among other times, expected one kind", column
    )
    try:
        # utc=True also takes rows that carry different offsets each
        parsed = pd.to_datetime(values, utc=True, format="ISO8601")
    except (ValueError, TypeError, OverflowError) as error:
        for row, value in enumerate(values):
            try:
                one = pd.to_datetime(value, utc=True, format="ISO8601")
            except (ValueError, TypeError, OverflowError):
                one = pd.NaT
            if pd.isna(one):
                raise InputError(f"found {value!r}, expected a time", row=row, column=column) from error
        raise InputError(f"found times that can't be read ({error})", column=column) from error
    return _from_datetimes(pd.DatetimeIndex(parsed), column)
