"""Values checked at the door."""

from __future__ import annotations

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.errors import InputError
from flowsift.ingest.gridded import FEW_SHARE
from flowsift.quality import Finding


def checked_values(ns: IntArray, value: FloatArray, column: str, findings: list[Finding]) -> FloatArray:
    """Return the values with NaN for the few negative ones; add what was found to `findings`.

    Raises
    ------
    InputError
        If there are no rows, a value is infinite, or negative values abound (names the first).
    """
    n = value.size
    if n == 0:
        raise InputError("found no rows, expected at least one", column=column)
    low = value.min()
    if np.isfinite(low) and low >= 0 and np.isfinite(value.max()):
        return value
    infinite = np.flatnonzero(np.isinf(value))
    if infinite.size:
        raise InputError(f"found {value[infinite[0]]}, expected a number", row=int(infinite[0]), column=column)
    negative = value < 0
    n_negative = int(negative.sum())
    if n_negative > FEW_SHARE * n:
        row = int(np.flatnonzero(negative)[0])
        raise InputError(
            f"found {value[row]:g}, expected a value >= 0 ({n_negative:,} of {n:,} rows are negative; "
            "a cumulative reading? read it as a register)",
            row=row,
            column=column,
        )
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
    if n_negative:
        findings.append(
            Finding(
                kind="fault",
                what="negative values",
                count=n_negative,
                treatment=f"Their intervals are missing; the values added up to {value[negative].sum():.6g}.",
                first_ns=int(ns[negative].min()),
            )
        )
        value = np.where(negative, np.nan, value)
    return value
