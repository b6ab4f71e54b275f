"""Large files of a regular log, read block by block: memory follows the flow in them, not their length."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from flowsift.arrays import FloatArray, IntArray
from flowsift.errors import InputError
from flowsift.ingest.cells import volume_into_gaps
from flowsift.ingest.findings import forward_findings, gap_findings
from flowsift.ingest.thinning import ThinnedRows, Thinner
from flowsift.quality import Finding
from flowsift.readers.instants import column_instants_ns
from flowsift.readers.sources import Source
from flowsift.readers.table import Columns, numbers_of
from flowsift.trace import Trace

LARGE_BYTES = 32_000_000
"""Files from this size are read block by block."""

PACKED_SHARE = 64
"""A packed file counts as so many times its size: logs shrink to a tenth, and what was made to harm to a thousandth."""


@dataclass(frozen=True, kw_only=True)
class ThinnedLog:
    """Rows of a large log, and what was assumed about their times."""

    rows: ThinnedRows
    findings: list[Finding]


def is_large(source: Source) -> bool:
    """Tell whether a file is to be read block by block."""
    size = source.path.stat().st_size
    return size * (PACKED_SHARE if source.packed or source.form == "parquet" else 1) >= LARGE_BYTES


def thinned_log(blocks: Iterable[Columns], *, timezone: str | None) -> ThinnedLog | None:
    """Return the thinned rows of a log; None if it isn't a plain regular one, whose faults need all rows at once.

    Parameters
    ----------
    blocks : iterable of Columns
    timezone : str, optional
        Zone of times without one: where it is given, such times aren't plain, since two hours of a year need care.
    """
    thinner = Thinner()
    findings: list[Finding] | None = None
    try:
        for block in blocks:
            if block.value is None or not _has_plain_times(block, timezone):
                return None
            ns, found = column_instants_ns(block.time, timezone=None, day_first=None)
            findings = found if findings is None else findings
            if not thinner.add(ns, numbers_of(block.value)):
                return None
    except (InputError, pa.ArrowException, OSError, UnicodeError):
        # what is broken is found again, with its row, when all rows are read
        return None
    rows = thinner.finish()
    return None if rows is None else ThinnedLog(rows=rows, findings=findings or [])


def _has_plain_times(block: Columns, timezone: str | None) -> bool:
    kind = block.time[0].type
    if len(block.time) != 1 or block.time[0].null_count:
        return False
    if pa.types.is_timestamp(kind):
        return timezone is None or kind.tz is not None
    return bool(pa.types.is_integer(kind) or pa.types.is_floating(kind))


def thinned_values(rows: ThinnedRows, kind: str) -> tuple[IntArray, FloatArray]:
    """Return the times [ns] and values that a constructor of `Trace` needs: changes of a register, else all flow."""
    return (rows.ns, rows.value) if kind == "register" else rows.with_every_flow()


def trace_of_thinned(
    rows: ThinnedRows, ns: IntArray, litres: FloatArray, *, build: Any, absent: str, shared: dict[str, Any]
) -> Trace | None:
    """Build the trace of thinned rows, as if all rows had been given.

    Parameters
    ----------
    rows : ThinnedRows
    ns, litres : ndarray, shape (n,)
        From `thinned_values`, the values in litres or litres per minute.
    build : callable
        ``Trace.from_volumes``, ``from_flow`` or ``from_register``.
    absent : {"missing", "zero"}
        What a hole in the grid means.
    shared : dict
        Other options of the constructor.

    Returns
    -------
    Trace or None
        None where faults were found whose treatment needs all rows.
    """
    interval_s = rows.interval_ns / 1e9
    times = pd.DatetimeIndex(ns.view("M8[ns]"))
    trace: Trace = build(times, litres, **(shared | {"interval_s": interval_s, "absent": "zero"}))
    if trace.interval_ns != rows.interval_ns or len(trace.gaps) or trace.start_ns != rows.start_ns:
        return None
    # rows left out by thinning look like a clock set forward
    found = [f for f in trace.findings if f.what != "clock set forward"]
    before = rows.holes[:, 0] - 1
    found[:0] = forward_findings(
        (rows.holes[:, 1] - before) * rows.interval_ns, rows.start_ns + before * rows.interval_ns, rows.interval_ns
    )
    if absent == "zero" or not len(rows.holes):
        return replace(trace, findings=tuple(found))
    register = build == Trace.from_register
    # a register passes the volume of a gap from the reading before it to the one after it
    gaps = np.stack([before if register else rows.holes[:, 0], rows.holes[:, 1]], axis=1)
    cell, volume, known = volume_into_gaps(trace.cell, trace.volume_l, gaps, np.zeros(len(gaps)))
    n_limits = sum(f.kind == "limit" for f in found)
    at = len(found) - n_limits
    found[at:at] = gap_findings(
        gaps, start_ns=trace.start_ns, interval_ns=trace.interval_ns, known_l=float(known.sum())
    )
    return replace(trace, cell=cell, volume_l=volume, gaps=gaps, gap_volume_l=known, findings=tuple(found))
