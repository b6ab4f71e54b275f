"""Times as text: which layout a column has, and the instants or wall times it means."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from flowsift.arrays import BoolArray, IntArray
from flowsift.errors import InputError, quoted
from flowsift.ingest.instants import FIRST_YEAR, LAST_YEAR, wrong_year
from flowsift.units import NS_PER_S

_CLOCK = r"(?P<H>\d{1,2}):(?P<M>\d{2})(?::(?P<S>\d{2})(?:[.,](?P<F>\d{1,9}))?)?(?:\s*(?P<half>[AaPp]\.?[Mm]\.?))?"
_OFFSET = r"[+-](?:[01]\d|2[0-3])(?::?[0-5]\d)?"
_ZONE = rf"(?:\s*(?P<zone>Z|z|UTC|GMT|{_OFFSET}))?"
_ISO = re.compile(rf"^\s*(?P<y>\d{{4}})[-/.](?P<m>\d{{1,2}})[-/.](?P<d>\d{{1,2}})(?:[T\s,]+{_CLOCK}{_ZONE})?\s*$")
_NUMERIC_DATE = re.compile(
    rf"^\s*(?P<a>\d{{1,2}})(?P<sep>[-/.])(?P<b>\d{{1,2}})[-/.](?P<y>\d{{4}}|\d{{2}})(?:[T\s,]+{_CLOCK}{_ZONE})?\s*$"
)
_DAY_MONTH_NAME = re.compile(
    rf"^\s*(?P<d>\d{{1,2}})[-\s/](?P<m>[A-Za-z]{{3,9}})[-\s/,]+(?P<y>\d{{4}})(?:[T\s,]+{_CLOCK}{_ZONE})?\s*$"
)
_MONTH_NAME_DAY = re.compile(
    rf"^\s*(?P<m>[A-Za-z]{{3,9}})[-\s/](?P<d>\d{{1,2}})[-\s/,]+(?P<y>\d{{4}})(?:[T\s,]+{_CLOCK}{_ZONE})?\s*$"
)
_COMPACT = re.compile(
    r"^\s*(?P<y>(?:19|20)\d{2})(?P<m>0[1-9]|1[0-2])(?P<d>[0-3]\d)[T\s]?(?P<H>[0-2]\d)(?P<M>[0-5]\d)(?P<S>[0-5]\d)\s*$"
)
_CLOCK_ONLY = re.compile(rf"^\s*{_CLOCK}{_ZONE}\s*$")
_PATTERNS = (_ISO, _NUMERIC_DATE, _DAY_MONTH_NAME, _MONTH_NAME_DAY)
_MONTH_NAMES = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_MONTHS = {name: i + 1 for i, name in enumerate(_MONTH_NAMES)}


@dataclass(frozen=True, kw_only=True)
class ParsedTimes:
    """Times read from text.

    Attributes
    ----------
    ns : ndarray of int64, shape (n,)
        UTC nanoseconds where `zoned`, else wall time as if it were UTC.
    zoned : ndarray of bool, shape (n,)
        Rows that carry their own zone or offset.
    note : str
        What was assumed about the layout; empty where it leaves no doubt.
    """

    ns: IntArray
    zoned: BoolArray
    note: str = ""


def looks_like_time(field: str) -> bool:
    """Tell whether a text is a date, a date and time, or a time of day."""
    return any(pattern.match(field) for pattern in (*_PATTERNS, _COMPACT, _CLOCK_ONLY))


def is_clock(field: str) -> bool:
    """Tell whether a text is a time of day without a date."""
    return _CLOCK_ONLY.match(field) is not None


def has_clock(field: str) -> bool:
    """Tell whether a text is a date with a time of day."""
    return any((match := pattern.match(field)) is not None and match["H"] for pattern in _PATTERNS)


def zone_in_sample(fields: Iterable[str]) -> str:
    """Return the zone or offset that the first time of a sample ends with, empty where it has none."""
    first = next((field for field in fields if field.strip()), "")
    found = (pattern.match(first) for pattern in (*_PATTERNS, _CLOCK_ONLY))
    return next((match["zone"] or "" for match in found if match is not None), "")


def parse_times(text: pd.Series, *, day_first: bool | None, column: str) -> ParsedTimes:
    """Read a column of dates and times in one of the known layouts.

    Parameters
    ----------
    text : Series of str, shape (n,)
    day_first : bool, optional
        Whether ``03/04/2024`` is the third of April.
    column : str
        Name that an error gives.

    Raises
    ------
    InputError
        A text that is no time (names its row, 0 = first), or an order of day and month that nothing tells.
    """
    # times repeat their date, and files repeat their times: parts are read once each
    codes, distinct = pd.factorize(text)
    if (codes < 0).any():
        row = int(np.flatnonzero(codes < 0)[0])
        raise InputError("found an empty time, expected a date and time", row=row, column=column)
    unique = pd.Series(np.asarray(distinct, dtype=object)).astype("str")
    for pattern in (*_PATTERNS, _COMPACT):
        if pattern.match(unique.iloc[0]):
            break
    else:
        raise InputError(f"found {quoted(unique.iloc[0])}, expected a date and time", row=0, column=column)
    parts = unique.str.extract(pattern)
    bad = parts.iloc[:, 0].isna()
    if bad.any():
        # one file may mix layouts only by being broken
        first = int(np.flatnonzero(np.isin(codes, np.flatnonzero(bad)))[0])
        raise InputError(
            f"found {quoted(text.iloc[first])}, expected a time written as {unique.iloc[0]!r}", row=first, column=column
        )
    note = ""
    if pattern is _NUMERIC_DATE:
        parts, note = _with_order(parts, day_first, column)
    year = _years(parts)
    wrong = np.flatnonzero(np.isin(codes, np.flatnonzero((year < FIRST_YEAR) | (year > LAST_YEAR))))
    if wrong.size:
        row = int(wrong[0])
        raise InputError(wrong_year(repr(text.iloc[row])), row=row, column=column)
    wall, zone = _wall_ns(parts, year)
    invalid = np.flatnonzero(np.isin(codes, np.flatnonzero(wall.isna())))
    if invalid.size:
        raise InputError(f"found {text.iloc[invalid[0]]!r}, which is no date", row=int(invalid[0]), column=column)
    offset, zoned = _offset_ns(zone)
    ns = wall.to_numpy(dtype="M8[ns]").astype(np.int64) - offset
    return ParsedTimes(ns=ns[codes], zoned=zoned[codes], note=note)


def _with_order(parts: pd.DataFrame, day_first: bool | None, column: str) -> tuple[pd.DataFrame, str]:
    first, second = parts["a"].astype(int), parts["b"].astype(int)
    note = ""
    if day_first is None:
        if (first > 12).any() and (second > 12).any():
            raise InputError("found dates with the day first and with the month first", column=column)
        if (first > 12).any():
            day_first, note = True, "Dates have the day first: the first number exceeds 12."
        elif (second > 12).any():
            day_first, note = False, "Dates have the month first: the second number exceeds 12."
        elif (parts["sep"] == ".").all():
            day_first, note = True, "Dates with dots were read with the day first."
        else:
            example = f"{parts['a'].iloc[0]}/{parts['b'].iloc[0]}/{parts['y'].iloc[0]}"
            raise InputError(
                f"found dates such as {example} and none with a number above 12, so day and month can't be told: "
                "pass --day-first or --month-first (read_trace(day_first=True or False))",
                column=column,
            )
    return parts.assign(d=parts["a"] if day_first else parts["b"], m=parts["b"] if day_first else parts["a"]), note


def _years(parts: pd.DataFrame) -> pd.Series:
    year = parts["y"].astype(int)
    return year.where(parts["y"].str.len() > 2, year + 2000)


def _wall_ns(parts: pd.DataFrame, year: pd.Series) -> tuple[pd.Series, pd.Series]:
    month = parts["m"]
    if month.str.isalpha().any():
        month = month.str[:3].str.lower().map(_MONTHS).fillna(0)
    date = pd.to_datetime(
        pd.DataFrame({"year": year, "month": month.astype(int), "day": parts["d"].astype(int)}), errors="coerce"
    )
    hour, minute, second = (_whole(parts, name) for name in ("H", "M", "S"))
    fraction = parts["F"].fillna("").str.ljust(9, "0").astype("int64") if "F" in parts else 0
    if "half" in parts:
        half = parts["half"].fillna("").str.lower().str[:1]
        hour = hour.where(half == "", hour % 12 + 12 * (half == "p"))
    inside = (hour <= 24) & (minute < 60) & (second <= 60)
    ns = ((hour * 60 + minute) * 60 + second) * NS_PER_S + fraction
    wall = date.astype("M8[ns]") + pd.to_timedelta(ns, unit="ns")
    zone = parts["zone"] if "zone" in parts else pd.Series(None, index=parts.index, dtype="str")
    return wall.where(inside), zone


def _whole(parts: pd.DataFrame, name: str) -> pd.Series:
    return parts[name].fillna("0").astype("int64")


def _offset_ns(zone: pd.Series) -> tuple[IntArray, BoolArray]:
    zoned = zone.notna().to_numpy()
    plain = zone.fillna("").str.replace(":", "").str.upper().replace({"Z": "", "UTC": "", "GMT": ""})
    digits = plain.str[1:].str.ljust(4, "0").replace("", "0")
    minutes = np.where(plain == "", 0, digits.str[:2].astype(int) * 60 + digits.str[2:].replace("", "0").astype(int))
    sign = np.where(plain.str.startswith("-"), -1, 1)
    return np.asarray(sign * minutes * 60_000_000_000, dtype=np.int64), np.asarray(zoned, dtype=np.bool_)


def join_date_and_clock(date: pd.Series, clock: pd.Series) -> pd.Series:
    """Join a column of dates and one of times of day."""
    joined: Any = date.str.strip() + " " + clock.str.strip()
    return pd.Series(joined)


_STRICT_ISO = re.compile(
    rf"^\d{{4}}-\d{{2}}-\d{{2}}[T ]\d{{2}}:\d{{2}}(:\d{{2}}(\.\d{{1,9}})?)?(?P<zone>Z|{_OFFSET})?$"
)


def iso_kind(field: str) -> str | None:
    """Return ``"naive"`` or ``"zoned"`` for a text in plain ISO 8601, None for another."""
    match = _STRICT_ISO.match(field)
    if match is None:
        return None
    return "zoned" if match["zone"] else "naive"
