"""Anything that names instants, as integer nanoseconds since the epoch (UTC)."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from flowsift.arrays import IntArray
from flowsift.errors import InputError
from flowsift.units import NS_PER_S

LARGEST_EPOCH_S = 9_223_372_036
"""Largest second since the epoch that int64 nanoseconds can hold (year 2262)."""


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
        If one of them isn't an instant (names the first).
    """
    values = times if isinstance(times, pd.Index) else pd.Index(_plain(times))
    if isinstance(values, pd.DatetimeIndex):
        return _from_datetimes(values, column)
    if pd.api.types.is_bool_dtype(values.dtype):
        raise InputError("found true/false values, expected times", column=column)
    if pd.api.types.is_integer_dtype(values.dtype):
        return _from_integers(values, column)
    if pd.api.types.is_float_dtype(values.dtype):
        return _from_floats(values.to_numpy(dtype=np.float64, na_value=np.nan), column)
    return _from_objects(values, column)


def _plain(times: Any) -> Any:
    if isinstance(times, pd.Series | np.ndarray) or not hasattr(times, "__iter__"):
        if np.ndim(times) != 1:
            raise InputError(f"found {np.ndim(times)} dimensions, expected one time a row", column="time")
        return times
    return list(times)


def _first_bad(bad: Any, problem: str, column: str) -> None:
    rows = np.flatnonzero(bad)
    if rows.size:
        raise InputError(problem, row=int(rows[0]), column=column)


def _from_datetimes(values: pd.DatetimeIndex, column: str) -> IntArray:
    _first_bad(values.isna(), "found an empty time, expected an instant", column)
    utc = values.tz_convert("UTC") if values.tz is not None else values
    try:
        return np.asarray(utc.as_unit("ns").asi8, dtype=np.int64)
    except pd.errors.OutOfBoundsDatetime as error:
        raise InputError(f"found a time outside the years 1677 to 2262 ({error})", column=column) from error


def _from_integers(values: pd.Index, column: str) -> IntArray:
    _first_bad(values.isna(), "found an empty time, expected an instant", column)
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
    if seconds.size and (seconds.max() > LARGEST_EPOCH_S or seconds.min() < -LARGEST_EPOCH_S):
        row = int(np.flatnonzero(np.abs(seconds.astype(np.float64)) > LARGEST_EPOCH_S)[0])
        raise InputError(
            f"found {seconds[row]}, expected seconds since 1970 (milliseconds? divide them by 1000)",
            row=row,
            column=column,
        )


def _from_objects(values: pd.Index, column: str) -> IntArray:
    try:
        # utc=True also takes rows that carry different offsets each
        parsed = pd.to_datetime(values, utc=True, format="ISO8601" if _is_text(values) else None)
    except (ValueError, TypeError, OverflowError) as error:
        for row, value in enumerate(values):
            try:
                one = pd.to_datetime(value, utc=True)
            except (ValueError, TypeError, OverflowError):
                one = pd.NaT
            if pd.isna(one):
                raise InputError(f"found {value!r}, expected a time", row=row, column=column) from error
        raise InputError(f"found times that can't be read ({error})", column=column) from error
    return _from_datetimes(pd.DatetimeIndex(parsed), column)


def _is_text(values: pd.Index) -> bool:
    return len(values) > 0 and isinstance(values[0], str)
