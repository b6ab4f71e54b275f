"""Values checked at the door."""

from __future__ import annotations

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.errors import InputError
from flowsift.ingest.gridded import FEW_SHARE
from flowsift.quality import Finding


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
