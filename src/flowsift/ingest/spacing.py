"""The interval of rows: the one that is given, or their prevailing spacing."""

from __future__ import annotations

import numpy as np

from flowsift.arrays import IntArray
from flowsift.errors import InputError
from flowsift.ingest.options import SHORTEST_INTERVAL_S, checked_interval_ns
from flowsift.ingest.rows import OrderedRows
from flowsift.units import NS_PER_S

SAMPLE = 1_000_000
"""Spacings looked at."""

NEAR = 0.2
"""Spacings within this share of another are the same spacing with jitter."""

SHORTEST_SHARE = 0.05
"""Share of the spacings that the shortest needs to be the interval of a trace with most rows missing."""

EXACT = 0.25
"""More than this share of spacings at their median: a regular clock, whatever the others are."""

SNAP = 0.005
"""A spacing within this share of a whole number of seconds is that number: the clock drifts or the stamps are rough."""


def chosen_interval_ns(rows: OrderedRows, interval_s: float | None) -> int:
    """Return the given interval, or the prevailing spacing of the rows [ns].

    Raises
    ------
    InputError
        If there is one distinct time only and no interval was given, or most rows lie closer than any interval.
    OptionError
        If the interval given isn't one that a trace can have.
    """
    if interval_s is not None:
        return checked_interval_ns(interval_s)
    if rows.ns[0] == rows.ns[-1]:
        raise InputError("found one time only, which doesn't tell how long an interval is: give interval_s")
    interval_ns = prevailing_interval_ns(rows.ns if rows.regular_ns is None else rows.ns[:2])
    if interval_ns < SHORTEST_INTERVAL_S * NS_PER_S:
        raise InputError(
            f"found times {interval_ns:,} ns apart, expected {SHORTEST_INTERVAL_S:g} s or more: is their unit right?",
            column="time",
        )
    return interval_ns


def prevailing_interval_ns(ns: IntArray) -> int:
    """Return the spacing that most rows have [ns].

    Rows count, not time: a week at 1 s followed by a year at 1 h is a 1 s trace whose second part is coarse. The other
    choice (most time) would throw away the only part in which uses can be told apart, and can't be undone.

    Parameters
    ----------
    ns : ndarray of int64, shape (n,)
        Times, not decreasing, at least two of them distinct.
    """
    step = np.diff(ns)
    first = int(step[0])
    if first > 0 and bool((step == first).all()):
        return _snapped(float(first))
    step = step[step > 0]
    if step.size > SAMPLE:
        step = step[:: step.size // SAMPLE + 1]
    middle = float(np.median(step))
    if (np.abs(step - middle) < NEAR * middle).mean() < 0.5:
        middle = _without_majority(step)
    usual = step[(step > 0.5 * middle) & (step < 1.5 * middle)]
    centre = float(np.median(usual))
    if (np.abs(usual - centre) <= SNAP * centre).mean() > EXACT:
        return _snapped(centre)
    spread = float(np.std(usual)) / middle
    # with much jitter the mean is far better than the median, and still known only to its standard error
    return _snapped(float(usual.mean()), within=max(SNAP, 3.0 * spread / np.sqrt(usual.size)))


def _without_majority(step: IntArray) -> float:
    """Return the shortest spacing if nearly all others are multiples of it (rows missing), else the commonest one."""
    shortest = float(step.min())
    often = (step <= (1.0 + NEAR) * shortest).mean() >= SHORTEST_SHARE
    ratio = step / shortest
    if often and (np.abs(ratio - np.rint(ratio)) <= 0.1).mean() >= 0.95:
        return shortest
    bins = np.rint(np.log(ratio) / np.log1p(NEAR)).astype(np.int64)
    return float(np.median(step[bins == np.bincount(bins).argmax()]))


def _snapped(interval: float, within: float = SNAP) -> int:
    seconds = np.rint(interval / NS_PER_S)
    if seconds >= 1 and abs(interval / NS_PER_S / seconds - 1.0) <= within:
        return int(seconds) * NS_PER_S
    # shorter or odd intervals: whole milliseconds where that is as near
    millis = np.rint(interval / 1e6)
    if millis >= 1 and abs(interval / 1e6 / millis - 1.0) <= within:
        return int(millis) * 1_000_000
    return max(int(interval), 1)
