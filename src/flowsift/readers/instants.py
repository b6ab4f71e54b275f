"""A column of times of a file, as instants."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from flowsift.arrays import IntArray
from flowsift.errors import InputError
from flowsift.ingest.instants import EARLIEST_S, LATEST_S, wrong_year
from flowsift.quality import Finding
from flowsift.readers.time_layouts import ParsedTimes, join_date_and_clock, parse_times
from flowsift.readers.wall_time import wall_to_utc_ns
from flowsift.units import NS_PER_S, SECONDS_PER_DAY

EPOCH_UNITS = ((1e11, "seconds", NS_PER_S), (1e14, "milliseconds", 1_000_000), (1e17, "microseconds", 1_000))
"""Numbers below each bound count this unit since 1970: in seconds the first would be the year 5138."""

EARLY_S = 3.0e8
"""Seconds since 1970 below this (mid 1979) are older than any logger: they count from a start that isn't known."""


def column_instants_ns(
    columns: list[Any], *, timezone: str | None, day_first: bool | None
) -> tuple[IntArray, list[Finding]]:
    """Return the instants of a column of times (UTC ns), shape (n,), and what was assumed about them.

    Parameters
    ----------
    columns : list of pyarrow ChunkedArray
        One column, or dates and times of day.
    timezone : str, optional
        Zone of times without one; UTC where it isn't given.
    day_first : bool, optional
        Order of numeric dates.

    Raises
    ------
    InputError
        A time that can't be read (names its row, 0 = first).
    """
    findings: list[Finding] = []
    column = columns[0]
    if len(columns) == 1 and pa.types.is_dictionary(column.type):
        column = column.cast(column.type.value_type)
    if column.null_count:
        row = int(np.flatnonzero(pc.is_null(column).to_numpy())[0])
        raise InputError("found an empty time, expected an instant", row=row, column="time")
    if len(columns) == 1 and pa.types.is_timestamp(column.type):
        ns = _timestamp_ns(column)
        return (ns, findings) if _has_zone(column.type) else _localised(ns, timezone, findings)
    if len(columns) == 1 and (pa.types.is_integer(column.type) or pa.types.is_floating(column.type)):
        return _epoch_ns(column, findings), findings
    if len(columns) == 1 and pa.types.is_date(column.type):
        # days of 1900 or 2149 and milliseconds both fit the milliseconds of a timestamp
        return _localised(_timestamp_ns(column.cast(pa.date64()).cast(pa.timestamp("ms"))), timezone, findings)
    text = _text(column)
    if len(columns) == 2:
        text = join_date_and_clock(text, _text(columns[1]))
    parsed = parse_times(text, day_first=day_first, column="time")
    if parsed.note:
        findings.append(Finding(kind="assumption", what="layout of dates", treatment=parsed.note))
    return _mixed(parsed, timezone, findings)


def _has_zone(kind: Any) -> bool:
    try:
        return kind.tz is not None
    except UnicodeDecodeError:
        raise InputError("found a zone whose name isn't text, expected one such as UTC", column="time") from None


def _text(column: Any) -> pd.Series:
    if column.null_count:
        row = int(np.flatnonzero(pc.is_null(column).to_numpy())[0])
        raise InputError("found an empty time, expected a date and time", row=row, column="time")
    try:
        return pd.Series(column.cast(pa.string()).to_pandas().astype("str"))
    except (pa.ArrowNotImplementedError, pa.ArrowInvalid) as error:
        raise InputError(f"found values of type {column.type}, expected times", column="time") from error


def _timestamp_ns(column: Any) -> IntArray:
    per_s = {"s": 1, "ms": 1_000, "us": 1_000_000, "ns": NS_PER_S}[column.type.unit]
    counts = np.asarray(column.cast(pa.int64()).to_numpy(), dtype=np.int64)
    outside = np.flatnonzero((counts < EARLIEST_S * per_s) | (counts >= LATEST_S * per_s))
    if outside.size:
        row = int(outside[0])
        year = 1970 + int(counts[row]) / per_s / SECONDS_PER_DAY / 365.2425
        raise InputError(wrong_year(f"a time about the year {year:.0f}"), row=row, column="time")
    return counts * (NS_PER_S // per_s)


def _localised(wall: IntArray, timezone: str | None, findings: list[Finding]) -> tuple[IntArray, list[Finding]]:
    if timezone is None:
        findings.append(
            Finding(
                kind="assumption",
                what="time zone",
                treatment="Times carry no zone and were taken as UTC: pass --timezone (timezone=...) if that is wrong.",
            )
        )
        return wall, findings
    utc, more = wall_to_utc_ns(wall, timezone)
    return utc, [*findings, *more]


def _mixed(parsed: ParsedTimes, timezone: str | None, findings: list[Finding]) -> tuple[IntArray, list[Finding]]:
    if parsed.zoned.all():
        return parsed.ns, findings
    if not parsed.zoned.any():
        return _localised(parsed.ns, timezone, findings)
    row = int(np.flatnonzero(~parsed.zoned)[0] if parsed.zoned[0] else np.flatnonzero(parsed.zoned)[0])
    found = "without a zone among times with one" if parsed.zoned[0] else "with a zone among times without one"
    raise InputError(f"found a time {found}", row=row, column="time")


def _epoch_ns(column: Any, findings: list[Finding]) -> IntArray:
    values = column.to_numpy()
    if not np.isfinite(values).all():
        row = int(np.flatnonzero(~np.isfinite(values))[0])
        raise InputError("found a time that isn't finite", row=row, column="time")
    size = float(np.median(np.abs(values.astype(np.float64))))
    word, per_unit = next(((w, ns) for bound, w, ns in EPOCH_UNITS if size < bound), ("nanoseconds", 1))
    seconds = values.astype(np.float64) * (per_unit / NS_PER_S)
    outside = np.flatnonzero((seconds < EARLIEST_S) | (seconds >= LATEST_S))
    if outside.size:
        row = int(outside[0])
        problem = wrong_year(f"{values[row]} among {word} since 1970")
        raise InputError(problem, row=row, column="time")
    early = (
        " (they lie before mid 1979, so their true date isn't known)" if size * per_unit < EARLY_S * NS_PER_S else ""
    )
    findings.append(
        Finding(
            kind="assumption",
            what="epoch times",
            treatment=f"Times were read as {word} since 1970-01-01 00:00 UTC{early}.",
        )
    )
    if pa.types.is_integer(column.type):
        return np.asarray(values.astype(np.int64) * per_unit, dtype=np.int64)
    whole = np.floor(values)
    # digits below a microsecond of a double are noise
    part = np.rint((values - whole) * per_unit / 1000.0).astype(np.int64) * 1000
    return np.asarray(whole.astype(np.int64) * per_unit + part, dtype=np.int64)
