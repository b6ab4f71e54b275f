"""Numbers as people read them: the digits that count, never powers of ten."""

from __future__ import annotations

import math

MOST_MORE_DIGITS = 3
"""Bounds that read alike with fewer than so many digits more are written alike."""


def plain(value: float, *, more: int = 0) -> str:
    """Return a small number with three digits that count, and so many more, never in powers of ten."""
    if not math.isfinite(value):
        return "-"
    if value == 0:
        return "0"
    size = abs(value)
    decimals = 0 if size >= 100 else 1 if size >= 10 else 2 if size >= 1 else 3 if size >= 0.1 else 4
    return f"{value:,.{decimals + more}f}"


def plain_pair(low: float, high: float) -> tuple[str, str]:
    """Return two numbers as `plain` does, with up to two digits more where they would read alike."""
    for more in range(MOST_MORE_DIGITS):
        pair = plain(low, more=more), plain(high, more=more)
        if pair[0] != pair[1]:
            return pair
    return plain(low), plain(high)
