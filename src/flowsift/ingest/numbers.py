"""Anything that gives numbers, as float64."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from flowsift.arrays import FloatArray
from flowsift.errors import InputError


def numbers(values: Any, *, column: str) -> FloatArray:
    """Return values as float64, shape (n,).

    Parameters
    ----------
    values : array-like, shape (n,)
        Numbers, or text that reads as such; None, masked and empty ones become NaN.
    column : str
        Name that an error gives.

    Raises
    ------
    InputError
        If one of them isn't a number (names the first row, 0 = first).
    """
    values = without_library(values)
    masked = isinstance(values, np.ma.MaskedArray)
    if isinstance(values, np.ndarray) and values.dtype == np.float64 and values.ndim == 1 and not masked:
        return values
    if not hasattr(values, "__iter__"):
        raise InputError(f"found {values!r}, expected one number a row", column=column)
    series = pd.Series(values if isinstance(values, pd.Series | pd.Index) else _listed(values))
    if pd.api.types.is_numeric_dtype(series.dtype):
        return series.to_numpy(dtype=np.float64, na_value=np.nan)
    parsed = pd.to_numeric(series, errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
    bad = np.flatnonzero(np.isnan(parsed) & ~series.isna().to_numpy())
    if bad.size:
        raise InputError(f"found {series.iloc[int(bad[0])]!r}, expected a number", row=int(bad[0]), column=column)
    return np.asarray(parsed, dtype=np.float64)


def without_library(values: Any) -> Any:
    """Return the array that a series of a library other than pandas holds; anything else as it is."""
    known = isinstance(values, np.ndarray | pd.Series | pd.Index)
    return values if known or not hasattr(values, "to_numpy") else values.to_numpy()


def _listed(values: Any) -> Any:
    if isinstance(values, np.ndarray):
        if values.ndim != 1:
            raise InputError(f"found {values.ndim} dimensions, expected one number a row")
        return values
    return list(values)
