"""Rows in the order of time: disorder, clocks set back, exact duplicates, stray times."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsift.arrays import BoolArray, FloatArray, IntArray
from flowsift.quality import Finding
from flowsift.units import NS_PER_S, SECONDS_PER_DAY

MAX_CLOCK_STEPS = 20
"""More backward steps than this, and more than one row in a thousand: the rows are shuffled, it isn't the clock."""

STRAY_DAYS = 365.0
"""A few rows further than this from all others carry the time of a clock that lost its battery."""

STRAY_SHARE = 0.01
"""Largest share of the rows that may be stray."""


@dataclass(frozen=True, kw_only=True)
class OrderedRows:
    """Rows sorted by time.

    Attributes
    ----------
    ns : ndarray of int64, shape (n,)
        Times, not decreasing.
    value : ndarray of float64, shape (n,)
        Volume, flow or reading; NaN where the row has none.
    position : ndarray of int64, shape (n,), or None
        Row of the input each came from; None where nothing moved or was dropped.
    segment : ndarray of int64, shape (n,), or None
        Number of times the clock had been set back before the row was written; None where it never was.
    findings : tuple of Finding
    regular_ns : int or None
        Spacing of the rows where all have the same [ns]: most work can then be left out.
    """

    ns: IntArray
    value: FloatArray
    position: IntArray | None
    segment: IntArray | None
    findings: tuple[Finding, ...]
    regular_ns: int | None = None

    def at(self, row: int) -> int:
        """Return the row of the input that an ordered row came from."""
        return row if self.position is None else int(self.position[row])


def order_rows(ns: IntArray, value: FloatArray) -> OrderedRows:
    """Sort rows by time, and drop exact duplicates and stray times.

    Parameters
    ----------
    ns : ndarray of int64, shape (n,)
        Times in the order of the input, n >= 1.
    value : ndarray of float64, shape (n,)
        NaN where the row has no value.
    """
    step = np.diff(ns)
    shortest = int(step.min()) if step.size else 1
    if shortest > 0:
        regular = shortest if step.size and int(step.max()) == shortest else None
        rows = OrderedRows(ns=ns, value=value, position=None, segment=None, findings=(), regular_ns=regular)
        return rows if regular else _without_strays(rows)
    findings: list[Finding] = []
    back = step < 0
    n_back = int(back.sum())
    segment = None
    if n_back:
        order = np.argsort(ns, kind="stable")
        if n_back <= max(MAX_CLOCK_STEPS, ns.size // 1000):
            segment = np.concatenate([[0], np.cumsum(back)])[order]
        late = ns < np.maximum.accumulate(ns)
        findings.append(
            Finding(
                kind="fault",
                what="rows out of order",
                count=int(late.sum()),
                treatment=f"Rows that came after a later one were sorted by time (times step back {_times(n_back)}).",
                first_ns=int(ns[late].min()),
            )
        )
    else:
        order = np.arange(ns.size)
    keep = ~_repeats(ns[order], value[order])
    dropped = order[~keep]
    if dropped.size:
        findings.append(
            Finding(
                kind="fault",
                what="duplicate rows",
                count=int(dropped.size),
                treatment="Rows with the time and the value of another row were dropped.",
                first_ns=int(ns[dropped].min()),
            )
        )
    order = order[keep]
    return _without_strays(
        OrderedRows(
            ns=ns[order],
            value=value[order],
            position=order,
            segment=None if segment is None else segment[keep],
            findings=tuple(findings),
        )
    )


def _times(n: int) -> str:
    return "once" if n == 1 else f"{n:,} times"


def _repeats(ns: IntArray, value: FloatArray) -> BoolArray:
    """Tell which rows, sorted by time, repeat the time and the value of an earlier one (no value repeats any)."""
    tied = np.concatenate([[False], ns[1:] == ns[:-1]])
    repeats = np.zeros(ns.size, bool)
    if not tied.any():
        return repeats
    member = np.flatnonzero(tied | np.concatenate([tied[1:], [False]]))
    # NaN sorts last within a tie, so an empty row goes where another row has the same time
    by_value = member[np.lexsort((member, value[member], ns[member]))]
    same_time = ns[by_value][1:] == ns[by_value][:-1]
    later = value[by_value][1:]
    repeats[by_value[1:]] = same_time & ((later == value[by_value][:-1]) | np.isnan(later))
    return repeats


def _without_strays(rows: OrderedRows) -> OrderedRows:
    n = rows.ns.size
    if n < 3 or rows.ns[-1] - rows.ns[0] < STRAY_DAYS * SECONDS_PER_DAY * NS_PER_S:
        return rows
    apart = np.flatnonzero(np.diff(rows.ns) > STRAY_DAYS * SECONDS_PER_DAY * NS_PER_S) + 1
    if not apart.size:
        return rows
    bounds = np.concatenate([[0], apart, [n]])
    size = np.diff(bounds)
    stray = np.repeat(size < STRAY_SHARE * n, size)
    if not stray.any():
        return rows
    keep = ~stray
    lost = float(np.nansum(rows.value[stray]))
    return OrderedRows(
        ns=rows.ns[keep],
        value=rows.value[keep],
        position=np.flatnonzero(keep) if rows.position is None else rows.position[keep],
        segment=None if rows.segment is None else rows.segment[keep],
        findings=(
            *rows.findings,
            Finding(
                kind="fault",
                what="stray times",
                count=int(stray.sum()),
                treatment=f"Rows more than a year from all others (a clock that lost its time) were dropped; "
                f"their values add up to {lost:g}.",
                first_ns=int(rows.ns[stray][0]),
            ),
        ),
    )
