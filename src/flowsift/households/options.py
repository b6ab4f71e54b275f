"""Numbers that a simulation is given, checked before anything is drawn."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

import numpy as np

from flowsift.errors import OptionError


def check_number(name: str, value: float, low: float, high: float = inf) -> None:
    """Raise OptionError unless a value is a finite number from `low` to `high`."""
    if not (isinstance(value, int | float | np.number) and low <= value <= high and abs(value) < inf):
        raise OptionError(f"{name} must be a number{_range(low, high)}, got {value!r}")


def check_whole(name: str, value: int, low: int, high: float = inf) -> None:
    """Raise OptionError unless a value is a whole number from `low` to `high`."""
    if not (isinstance(value, int | np.integer) and low <= value <= high):
        raise OptionError(f"{name} must be a whole number{_range(low, high)}, got {value!r}")


def checked_spans(name: str, spans_s: Sequence[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    """Return spans of seconds since the start (OptionError unless they increase and are disjoint)."""
    expected = f"{name} must be pairs of seconds since the start, increasing and disjoint"
    try:
        spans = tuple((float(begin), float(end)) for begin, end in spans_s)
    except (TypeError, ValueError) as error:
        raise OptionError(f"{expected}, got {spans_s!r}") from error
    until_s = 0.0
    for begin, end in spans:
        if not until_s <= begin < end < inf:
            raise OptionError(f"{expected}, got {begin:g} to {end:g} after {until_s:g}")
        until_s = end
    return spans


def _range(low: float, high: float) -> str:
    if high < inf:
        return f" from {low:,.12g} to {high:,.12g}"
    return f", {low:,.12g} or more" if low > -inf else ""
