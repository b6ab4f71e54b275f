"""Storage and yield by running a record day by day."""

from __future__ import annotations

import math

import numpy as np

from flowsift.errors import OptionError
from flowsift.trace import FloatArray

TO_L = 1.0
"""Storage is found to this volume [L]."""


def served_share(supply_l: FloatArray, need_l: FloatArray, *, storage_l: float, keep_days: int) -> float:
    """Return the share of days with a need on which all of it was met.

    Parameters
    ----------
    supply_l, need_l : ndarray, shape (n_days,)
        Water that comes in and water that is wanted each day [L], >= 0. Supply can be used on its own day.
    storage_l : float
        Largest volume carried over to the next day [L].
    keep_days : int
        Nights that water may be kept: what is older is let go (0: none is carried over).

    Returns
    -------
    float
        0 to 1; 1 where nothing is ever wanted. The record runs twice, and the second time counts, so that it doesn't
        matter how full the storage began.
    """
    stock: list[list[float]] = []
    met = wanted = 0
    n = supply_l.size
    for step in range(2 * n):
        day = step % n
        stock = [[age + 1, volume] for age, volume in stock if age + 1 <= keep_days]
        stock.append([0, float(supply_l[day])])
        left = float(need_l[day])
        for batch in stock:
            drawn = min(batch[1], left)
            batch[1] -= drawn
            left -= drawn
        if step >= n and need_l[day] > 0:
            wanted += 1
            met += left <= 1e-9 * max(float(need_l[day]), 1.0)
        room = storage_l
        kept = []
        for age, volume in stock:  # the oldest is used first, and what does not fit is let go from the newest
            take = min(volume, room)
            room -= take
            if take > 0:
                kept.append([age, take])
        stock = kept
    return met / wanted if wanted else 1.0


def storage_for_reliability_l(
    supply_l: FloatArray, need_l: FloatArray, *, reliability: float, keep_days: int
) -> float | None:
    """Return the smallest storage with which the need is met on that share of days [L], None where none is enough.

    Raises
    ------
    OptionError
        If `reliability` is not above 0 and at most 1.
    """
    _check(reliability)
    most = float(supply_l.sum())
    if served_share(supply_l, need_l, storage_l=most, keep_days=keep_days) < reliability - 1e-12:
        return None
    low, high = 0.0, most
    if served_share(supply_l, need_l, storage_l=0.0, keep_days=keep_days) >= reliability - 1e-12:
        return 0.0
    while high - low > TO_L:
        middle = 0.5 * (low + high)
        if served_share(supply_l, need_l, storage_l=middle, keep_days=keep_days) >= reliability - 1e-12:
            high = middle
        else:
            low = middle
    return high


def steady_need_l(supply_l: FloatArray, *, storage_l: float, reliability: float, keep_days: int) -> float:
    """Return the largest steady daily need that a supply and a storage meet on that share of days [L]."""
    _check(reliability)
    low, high = 0.0, float(supply_l.max(initial=0.0)) + storage_l
    while high - low > 0.1 * TO_L:
        middle = 0.5 * (low + high)
        need = np.full(supply_l.size, middle)
        if served_share(supply_l, need, storage_l=storage_l, keep_days=keep_days) >= reliability - 1e-12:
            low = middle
        else:
            high = middle
    return low


def storage_for_yield_l(demand_l: FloatArray, *, yield_l: float, reliability: float) -> float | None:
    """Return the storage that a steady source (a well, a limited main) needs to carry a record of demand [L].

    Parameters
    ----------
    demand_l : ndarray, shape (n_days,)
        Demand of each day [L].
    yield_l : float
        What the source gives a day [L], > 0.
    reliability : float
        Share of days on which all of the demand must be met.

    Returns
    -------
    float or None
        None where the source gives less than is wanted in the long run.
    """
    if not (math.isfinite(yield_l) and yield_l > 0):
        raise OptionError(f"yield_l is {yield_l!r}, expected a volume a day above 0")
    supply = np.full(demand_l.size, yield_l)
    return storage_for_reliability_l(supply, demand_l, reliability=reliability, keep_days=10 * demand_l.size)


def _check(reliability: float) -> None:
    if not 0 < reliability <= 1:
        raise OptionError(f"reliability is {reliability!r}, expected a share above 0 and at most 1")
