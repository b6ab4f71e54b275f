"""Values checked at the door."""

from __future__ import annotations

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.errors import InputError
from flowsift.ingest.limits import FEW_SHARE
from flowsift.quality import Finding
from flowsift.units import NS_PER_S, SECONDS_PER_DAY

LONGEST_SPAN_YEARS = 30
"""Longest trace: longer than a meter stays in service (assumption); times further apart come from a wrong clock."""


def require_values(value: FloatArray, *, column: str, unit: str = "") -> None:
    """Raise the error for values that can't be treated: none, infinite ones, or many negative ones.

    Parameters
    ----------
    value : ndarray, shape (n,)
        NaN where a row has none.
    column, unit : str
        Name of the values and their unit, for the message.

    Raises
    ------
    InputError
        Names the first row (0 = first).
    """
    n = value.size
    if n == 0:
        raise InputError("found no rows, expected at least one", column=column)
    infinite = np.flatnonzero(np.isinf(value))
    if infinite.size:
        raise InputError(f"found {value[infinite[0]]}, expected a number", row=int(infinite[0]), column=column)
    negative = np.flatnonzero(value < 0)
    if negative.size > FEW_SHARE * n:
        raise InputError(
            f"found {value[negative[0]]:g}{unit}, expected a value >= 0 ({negative.size:,} of {n:,} rows are negative)",
            row=int(negative[0]),
            column=column,
        )


def require_span(ns: IntArray, *, column: str = "time", position: IntArray | None = None) -> None:
    """Raise the error for times further apart than any trace is long.

    Parameters
    ----------
    ns : ndarray of int64, shape (n,)
        Times, n >= 1.
    column : str
        Name of the times, for the message.
    position : ndarray of int64, shape (n,), optional
        Row of the input of each; its place where it isn't given.

    Raises
    ------
    InputError
        Names the row furthest from the middle one (0 = first).
    """
    year_ns = 365.25 * SECONDS_PER_DAY * NS_PER_S
    if (int(ns.max()) - int(ns.min())) / year_ns <= LONGEST_SPAN_YEARS:
        return
    middle = int(np.partition(ns, ns.size // 2)[ns.size // 2])
    row = int(np.abs(ns - middle).argmax())
    found, usual = (str(np.datetime64(int(t), "ns"))[:10] for t in (ns[row], middle))
    raise InputError(
        f"found a time in {found} among times around {usual}, expected at most {LONGEST_SPAN_YEARS} years from first "
        "to last (a clock that was wrong?)",
        row=row if position is None else int(position[row]),
        column=column,
    )


def checked_values(ns: IntArray, value: FloatArray, column: str, unit: str, findings: list[Finding]) -> FloatArray:
    """Return the values with NaN for the few negative ones; add what was found to `findings`.

    Raises
    ------
    InputError
        As `require_values`.
    """
    if value.size and value.min() >= 0 and np.isfinite(value.max()):
        return value
    require_values(value, column=column, unit=unit)
    empty = np.isnan(value)
    if empty.any():
        findings.append(
            Finding(
                kind="fault",
                what="rows without a value",
                count=int(empty.sum()),
                treatment="Their intervals are missing.",
                first_ns=int(ns[empty].min()),
            )
        )
    negative = value < 0
    if negative.any():
        findings.append(
            Finding(
                kind="fault",
                what="negative values",
                count=int(negative.sum()),
                treatment=f"Their intervals are missing; the values added up to {value[negative].sum():.6g}{unit}.",
                first_ns=int(ns[negative].min()),
            )
        )
        value = np.where(negative, np.nan, value)
    return value
