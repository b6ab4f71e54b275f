"""`read_trace`: a file of a real meter goes in, a trace comes out."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from flowsift.arrays import FloatArray, IntArray
from flowsift.errors import InputError, OptionError
from flowsift.ingest.checking import require_values
from flowsift.ingest.gridded import checked_absent
from flowsift.quality import Finding
from flowsift.readers.columns import Chosen, choose_columns
from flowsift.readers.explain import broken_row, line_of_row
from flowsift.readers.instants import column_instants_ns
from flowsift.readers.layout import find_layout
from flowsift.readers.meaning import KINDS, meaning_of
from flowsift.readers.sources import open_source
from flowsift.readers.table import Columns, ParquetFile, read_csv_columns
from flowsift.trace import Trace, checked_zone, seems_flow_only

__all__ = ["KINDS", "read_trace"]

logger = logging.getLogger(__name__)


def read_trace(
    path: str | Path,
    *,
    unit: str | None = None,
    kind: str | None = None,
    time_column: str | int | None = None,
    value_column: str | int | None = None,
    timezone: str | None = None,
    pulse_l: float | None = None,
    interval_s: float | None = None,
    absent: str | None = None,
    delimiter: str | None = None,
    decimal: str | None = None,
    day_first: bool | None = None,
) -> Trace:
    """Read a meter's file (CSV, CSV.gz or Parquet) as a trace.

    Columns, kind, unit, layout of times and delimiter are recognised; what was assumed is among the findings of the
    trace. Where a guess would change the answer (the unit, the order of day and month, what absent rows mean) and
    nothing tells, an error asks for the option.

    Parameters
    ----------
    path : str or Path
        File, recognised by its content.
    unit : str, optional
        Unit of the values: L, mL, m3, gal (US), ft3, CCF, or one of them per s, min, h or d (``"L/min"``, ``"gpm"``).
    kind : {"volume", "flow", "register", "counts", "pulses"}, optional
        Volume of each interval, flow, cumulative reading, pulses in each interval, or one row per pulse.
    time_column, value_column : str or int, optional
        Name of the column, or its number from 1.
    timezone : str, optional
        Zone of the tz database. Times without a zone of their own are wall time in it; without it they are UTC.
    pulse_l : float, optional
        Volume of one pulse of the meter [L].
    interval_s : float, optional
        Length of an interval [s]; the prevailing spacing of the rows where it isn't given.
    absent : {"missing", "zero"}, optional
        What an interval without a row means.
    delimiter, decimal : str, optional
        One character each.
    day_first : bool, optional
        Whether ``03/04/2024`` is the third of April.

    Returns
    -------
    Trace

    Raises
    ------
    InputError
        A file that can't be read; one line that names the file, the row (1 = first line) and the column.
    OptionError
        An option that is wrong, or that is needed and wasn't given.
    """
    source = open_source(path)
    zone = None if timezone is None else checked_zone(timezone)
    if absent is not None:
        checked_absent(absent)
    locate: Callable[[int], int]
    if source.form == "parquet":
        parquet = ParquetFile(source)
        names = parquet.names
        chosen = choose_columns(
            names,
            parquet.sampler(),
            named=True,
            time_column=time_column,
            value_column=value_column,
            file=source.name,
        )
        columns = parquet.columns(chosen)
        locate = _one_based
    else:
        layout = find_layout(source, delimiter=delimiter, decimal=decimal)
        names = layout.names
        chosen = choose_columns(
            names,
            lambda i: [row[i] for row in layout.sample if i < len(row)],
            named=layout.has_header,
            time_column=time_column,
            value_column=value_column,
            file=source.name,
        )
        try:
            columns = read_csv_columns(source, layout, chosen)
        except (pa.ArrowInvalid, pa.ArrowTypeError, pa.ArrowNotImplementedError, OSError, UnicodeError) as error:
            raise broken_row(source, layout, chosen, str(error).splitlines()[0]) from error
        locate = lambda row: line_of_row(source, layout, row)  # noqa: E731
    time_name = " + ".join(names[i] for i in chosen.time)
    value_name = time_name if chosen.value is None else names[chosen.value]
    try:
        trace = _trace(
            columns,
            names=(time_name, value_name),
            file=source.name,
            unit=unit,
            kind=kind,
            zone=zone,
            pulse_l=pulse_l,
            interval_s=interval_s,
            absent=absent,
            day_first=day_first,
        )
    except InputError as error:
        row = None if error.row is None else locate(error.row)
        column = {"time": time_name, "pulse_times": time_name, None: None}.get(error.column, value_name)
        raise InputError(error.problem, file=source.name, row=row, column=column) from error
    logger.debug("read %s: %r", source.name, trace)
    return replace(trace, findings=(*_column_findings(chosen, time_name, value_name), *trace.findings))


def _one_based(row: int) -> int:
    return row + 1


def _trace(
    columns: Columns,
    *,
    names: tuple[str, str],
    file: str,
    unit: str | None,
    kind: str | None,
    zone: str | None,
    pulse_l: float | None,
    interval_s: float | None,
    absent: str | None,
    day_first: bool | None,
) -> Trace:
    ns, time_findings = column_instants_ns(columns.time, timezone=zone, day_first=day_first)
    value = None if columns.value is None else _numbers(columns.value)
    if ns.size == 0:
        raise InputError("found no rows")
    if value is not None:
        # before the unit is changed, so that an error shows the number of the file
        require_values(value, column="value")
    meaning = meaning_of(names[1], value, ns, kind=kind, unit=unit, pulse_l=pulse_l, file=file)
    times = pd.DatetimeIndex(ns.view("M8[ns]"))
    shared: dict[str, Any] = {"timezone": zone or "UTC", "unit": meaning.unit}
    if meaning.kind == "pulses":
        assert meaning.pulse_l is not None
        trace = Trace.from_pulses(times, meaning.pulse_l, interval_s=interval_s or 1.0, **shared)
    else:
        assert value is not None
        litres: FloatArray = value if meaning.factor == 1.0 else value * meaning.factor
        shared |= {"pulse_l": meaning.pulse_l, "interval_s": interval_s, "absent": absent or "missing"}
        build = {"volume": Trace.from_volumes, "flow": Trace.from_flow, "register": Trace.from_register}[meaning.kind]
        trace = build(times, litres, **shared)
        if absent is None and seems_flow_only(trace, _changes(litres, ns) if meaning.kind == "register" else litres):
            raise OptionError(
                f"{file}: most intervals have no row, and no row has zero flow, so a missing row may mean no flow or "
                "no data: pass --absent zero or --absent missing (read_trace(absent=...))"
            )
    return replace(trace, findings=(*time_findings, *meaning.findings, *trace.findings))


def _changes(reading: FloatArray, ns: IntArray) -> FloatArray:
    return np.diff(reading[np.argsort(ns, kind="stable")])


def _numbers(column: Any) -> FloatArray:
    kind = column.type
    if pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_dictionary(kind):
        text = column.to_pandas().astype("str")
        numbers = pd.to_numeric(text, errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
        bad = np.flatnonzero(np.isnan(numbers) & text.notna().to_numpy())
        if bad.size:
            raise InputError(f"found {text.iloc[bad[0]]!r}, expected a number", row=int(bad[0]), column="value")
        return np.asarray(numbers, dtype=np.float64)
    try:
        column = column.cast(pa.float64())
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError) as error:
        raise InputError(f"found values of type {kind}, expected numbers", column="value") from error
    return np.asarray(column.to_numpy(), dtype=np.float64)


def _column_findings(chosen: Chosen, time_name: str, value_name: str) -> tuple[Finding, ...]:
    read = f'Times were read from "{time_name}"'
    read += "." if chosen.value is None else f' and values from "{value_name}".'
    if chosen.ignored:
        read += f" Ignored: {', '.join(chosen.ignored)}."
    return (Finding(kind="assumption", what="columns", count=len(chosen.ignored), treatment=read),)
