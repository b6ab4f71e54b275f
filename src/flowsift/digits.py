"""Numbers as people read them: the digits that count, never powers of ten."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

ROUNDING = 1e-9
"""What is smaller is left behind by sums of floats: no meter tells it."""

MOST_MORE_DIGITS = 3
"""Bounds that read alike with fewer than so many digits more are written alike."""


def plain(value: float, *, more: int = 0) -> str:
    """Return a number with three digits that count, and so many more, never in powers of ten.

    From 0.1 down there are four decimals, as long as two of their digits count.
    """
    if not math.isfinite(value):
        return "-"
    size = abs(value)
    if size < ROUNDING:
        return "0"
    decimals = 0 if size >= 100 else 1 if size >= 10 else 2 if size >= 1 else 3 if size >= 0.1 else 4
    decimals = max(decimals, 1 - math.floor(math.log10(size)))
    return f"{value:,.{decimals + more}f}"


def plain_pair(low: float, high: float) -> tuple[str, str]:
    """Return two numbers as `plain` does, with up to two digits more where they would read alike."""
    for more in range(MOST_MORE_DIGITS):
        pair = plain(low, more=more), plain(high, more=more)
        if pair[0] != pair[1]:
            return pair
    return plain(low), plain(high)


def round_to_sum(values: Iterable[float], *, total: float, decimals: int) -> list[float]:
    """Round numbers so that they still add up to their rounded total (largest remainder).

    Parameters
    ----------
    values : iterable of float
        Numbers >= 0.
    total : float
        Their sum as it is written elsewhere: added up anew, it may differ in the last bit and round the other way.
    decimals : int
        Digits after the point.

    Returns
    -------
    list of float
        Each differs from its value by less than one unit of the last digit.
    """
    step = 10.0**-decimals
    scaled = np.asarray(list(values), dtype=np.float64) / step
    whole = np.floor(scaled + 1e-9)
    missing = round(round(total, decimals) / step) - int(whole.sum())
    order = np.argsort(whole - scaled, kind="stable")
    whole[order[: max(missing, 0)]] += 1
    return [float(round(w * step, decimals)) for w in whole]
