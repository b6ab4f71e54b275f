"""`read_trace`: a file of a real meter goes in, a trace comes out."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from flowsift.arrays import FloatArray, IntArray
from flowsift.errors import InputError, OptionError
from flowsift.ingest.absence import seems_flow_only
from flowsift.ingest.carried_zone import carried_zone
from flowsift.ingest.checking import require_values
from flowsift.ingest.options import checked_absent, checked_zone
from flowsift.quality import Finding
from flowsift.readers.columns import Chosen, choose_columns, listed
from flowsift.readers.explain import broken_row, line_of_row
from flowsift.readers.instants import column_instants_ns
from flowsift.readers.large import is_large, thinned_log, thinned_values, trace_of_thinned
from flowsift.readers.layout import TextLayout, find_layout, printable
from flowsift.readers.meaning import KINDS, Meaning, meaning_of
from flowsift.readers.sources import Source, open_source
from flowsift.readers.table import Columns, ParquetFile, csv_blocks, filled_rows, numbers_of, read_csv_columns
from flowsift.readers.time_layouts import zone_in_sample
from flowsift.trace import Trace
from flowsift.units import NS_PER_S

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
    r"""Read a meter's file (CSV, CSV.gz or Parquet) as a trace.

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
        Zone of the tz database, in which days and hours of the answer are told. Times without a zone of their own are
        wall time in it. Where it isn't given, those are UTC, and others are told in the zone or at the offset that the
        first of them carries.
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

    Examples
    --------
    >>> from pathlib import Path
    >>> import flowsift as fs
    >>> rows = "time,gallons\n2024-06-12 07:00:00,0\n2024-06-12 07:01:00,1.5\n2024-06-12 07:02:00,0\n"
    >>> _ = Path("meter.csv").write_text(rows)
    >>> trace = fs.read_trace("meter.csv", timezone="America/Denver")
    >>> trace.unit, round(trace.metered_l, 2)
    ('gal', 5.68)
    """
    source = open_source(path)
    zone = None if timezone is None else checked_zone(timezone)
    if absent is not None:
        checked_absent(absent)
    locate: Callable[[int], int]
    blocks: Callable[[], Iterator[Columns]]
    whole: Callable[[], Columns]
    if source.form == "parquet":
        parquet = ParquetFile(source)
        names, n_titles = parquet.names, 0
        sample = parquet.sampler()
        chosen = choose_columns(
            names,
            sample,
            named=True,
            time_column=time_column,
            value_column=value_column,
            file=source.name,
        )
        blocks, whole = partial(parquet.blocks, chosen), partial(parquet.columns, chosen)
        locate = _one_based
        written = parquet.zone(chosen.time[-1]) or zone_in_sample(sample(chosen.time[-1]))
    else:
        layout = find_layout(source, delimiter=delimiter, decimal=decimal)
        names, n_titles = layout.names, layout.n_titles
        chosen = choose_columns(
            names,
            lambda i: [row[i] for row in layout.sample if i < len(row)],
            named=layout.has_header,
            time_column=time_column,
            value_column=value_column,
            file=source.name,
        )
        blocks, whole = partial(csv_blocks, source, layout, chosen), partial(_whole_csv, source, layout, chosen)
        locate = lambda row: line_of_row(source, layout, row)  # noqa: E731
        written = zone_in_sample(row[chosen.time[-1]] for row in layout.sample if chosen.time[-1] < len(row))
    time_name = printable(" + ".join(names[i] for i in chosen.time))
    value_name = time_name if chosen.value is None else printable(names[chosen.value])
    shown_in, zone_findings = carried_zone(written) if zone is None else (zone, ())
    asked = _Asked(
        value_name=value_name,
        file=source.name,
        unit=unit,
        kind=kind,
        zone=zone,
        shown_in=shown_in,
        pulse_l=pulse_l,
        interval_s=interval_s,
        absent=absent,
        day_first=day_first,
    )
    trace = _trace_by_blocks(blocks(), asked) if is_large(source) else None
    if trace is None:
        columns = whole()
        filled = filled_rows(columns)
        try:
            trace = _trace(columns if filled is None else columns.at(filled), asked)
        except InputError as error:
            row = error.row if error.row is None or filled is None else int(filled[error.row])
            row = None if row is None else locate(row)
            column = {"time": time_name, "pulse_times": time_name, None: None}.get(error.column, value_name)
            raise InputError(error.problem, file=source.name, row=row, column=column) from error
        if filled is not None:
            trace = trace.with_findings(_empty_rows(len(columns.value) - filled.size))
    logger.debug("read %s: %r", source.name, trace)
    columns_findings = _column_findings(chosen, time_name, value_name, n_titles)
    return replace(trace, findings=(*columns_findings, *zone_findings, *trace.findings))


def _one_based(row: int) -> int:
    return row + 1


def _whole_csv(source: Source, layout: TextLayout, chosen: Chosen) -> Columns:
    try:
        return read_csv_columns(source, layout, chosen)
    except (pa.ArrowInvalid, pa.ArrowTypeError, pa.ArrowNotImplementedError, OSError, UnicodeError) as error:
        raise broken_row(source, layout, chosen, str(error).splitlines()[0]) from error


@dataclass(frozen=True, kw_only=True)
class _Asked:
    """Names of the file and its values, and what the caller said of them."""

    value_name: str
    file: str
    unit: str | None
    kind: str | None
    zone: str | None
    shown_in: str
    pulse_l: float | None
    interval_s: float | None
    absent: str | None
    day_first: bool | None

    def meaning(self, value: FloatArray | None, ns: IntArray) -> Meaning:
        return meaning_of(
            self.value_name, value, ns, kind=self.kind, unit=self.unit, pulse_l=self.pulse_l, file=self.file
        )

    def constructor(self, meaning: Meaning) -> Any:
        return {"volume": Trace.from_volumes, "flow": Trace.from_flow, "register": Trace.from_register}[meaning.kind]

    def options(self, meaning: Meaning) -> dict[str, Any]:
        return {"timezone": self.shown_in, "unit": meaning.unit, "pulse_l": meaning.pulse_l}

    def require_stated_absence(self, trace: Trace, litres: FloatArray, ns: IntArray, meaning: Meaning) -> None:
        rises = _changes(litres, ns) if meaning.kind == "register" else litres
        if self.absent is None and seems_flow_only(rises, gaps=trace.gaps, n_cells=trace.n_cells):
            raise OptionError(
                f"{self.file}: most intervals have no row, and no row has zero flow, so a missing row may mean no flow "
                "or no data: pass --absent zero or --absent missing (read_trace(absent=...))"
            )


def _trace(columns: Columns, asked: _Asked) -> Trace:
    ns, time_findings = column_instants_ns(columns.time, timezone=asked.zone, day_first=asked.day_first)
    value = None if columns.value is None else numbers_of(columns.value)
    if ns.size == 0:
        raise InputError("found no rows")
    if value is not None:
        # before the unit is changed, so that an error shows the number of the file
        require_values(value, column="value")
    meaning = asked.meaning(value, ns)
    times = pd.DatetimeIndex(ns.view("M8[ns]"))
    options = asked.options(meaning)
    if meaning.kind == "pulses":
        pulse_l = options.pop("pulse_l")
        trace = Trace.from_pulses(
            times, pulse_l, interval_s=1.0 if asked.interval_s is None else asked.interval_s, **options
        )
    else:
        assert value is not None
        litres: FloatArray = value if meaning.factor == 1.0 else value * meaning.factor
        options |= {"interval_s": asked.interval_s, "absent": asked.absent or "missing"}
        trace = asked.constructor(meaning)(times, litres, **options)
        asked.require_stated_absence(trace, litres, ns, meaning)
    return replace(trace, row_unit=meaning.row_unit, findings=(*time_findings, *meaning.findings, *trace.findings))


def _trace_by_blocks(blocks: Iterator[Columns], asked: _Asked) -> Trace | None:
    """Return the trace of a plain regular log read block by block, None for another."""
    log = thinned_log(blocks, timezone=asked.zone)
    if log is None or log.rows.n_rows < 1_000 or asked.kind == "pulses":
        return None
    rows = log.rows
    if asked.interval_s is not None and round(asked.interval_s * NS_PER_S) != rows.interval_ns:
        return None
    meaning = asked.meaning(*rows.telling())
    if meaning.kind == "pulses":
        return None
    ns, value = thinned_values(rows, meaning.kind)
    litres: FloatArray = value if meaning.factor == 1.0 else value * meaning.factor
    try:
        trace = trace_of_thinned(
            rows,
            ns,
            litres,
            build=asked.constructor(meaning),
            absent=asked.absent or "missing",
            shared=asked.options(meaning),
        )
    except InputError:
        # its row is one of those that were kept: all rows have to be read to name the right one
        return None
    if trace is None:
        return None
    asked.require_stated_absence(trace, litres, ns, meaning)
    return replace(trace, row_unit=meaning.row_unit, findings=(*log.findings, *meaning.findings, *trace.findings))


def _changes(reading: FloatArray, ns: IntArray) -> FloatArray:
    return np.diff(reading[np.argsort(ns, kind="stable")])


def _empty_rows(count: int) -> Finding:
    return Finding(kind="fault", what="empty rows", count=count, treatment="Rows of empty fields were left out.")


def _column_findings(chosen: Chosen, time_name: str, value_name: str, n_titles: int) -> tuple[Finding, ...]:
    read = f'Times were read from "{time_name}"'
    read += "." if chosen.value is None else f' and values from "{value_name}".'
    if chosen.ignored:
        read += f" Ignored: {listed(list(map(printable, chosen.ignored)))}."
    if n_titles:
        read += f" Left out: {n_titles} {'lines' if n_titles > 1 else 'line'} above the header."
    return (Finding(kind="assumption", what="columns", count=len(chosen.ignored), treatment=read),)
