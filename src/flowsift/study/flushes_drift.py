"""Drift of a toilet's volume per flush: a straight line over time by the median of all slopes."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from flowsift.arrays import BoolArray, FloatArray
from flowsift.standards.conversion import DAYS_PER_MONTH
from flowsift.study.flushes_volume import COVERAGE
from flowsift.units import SECONDS_PER_DAY

DRIFT_FLUSHES, DRIFT_NEAR = 12, 0.08
"""Flushes that each half of the record needs before a drift is told, and how near to the toilet's own volume they must
be, as a share: others are partial or have other water in them."""

MOST_FLUSHES = 3000
"""Of more flushes than these only every second, third and so on is taken: pairs grow as the square of flushes."""

DRIFT_SURE = 0.998
"""Confidence from which a drift is told: a street has many toilets."""


@dataclass(frozen=True, kw_only=True)
class Drift:
    """Change of the volume per flush over the record.

    Attributes
    ----------
    per_month_l, low_l, high_l : float
        Change in 30 days and its 90 % interval [L].
    told : bool
        Whether it is more than chance.
    """

    per_month_l: float
    low_l: float
    high_l: float
    told: bool


def drift(start_s: FloatArray, volume_l: FloatArray, *, own_l: float) -> Drift | None:
    """Fit a straight line over time through the volumes near the toilet's own.

    Parameters
    ----------
    start_s, volume_l : ndarray, shape (n_flushes,)
        Starts [s], increasing, and volumes [L].
    own_l : float
        The toilet's own volume [L].

    Returns
    -------
    Drift or None
        None with too few flushes.
    """
    near: BoolArray = np.abs(volume_l / own_l - 1.0) < DRIFT_NEAR
    if near.sum() < 2 * DRIFT_FLUSHES:
        return None
    taken = np.flatnonzero(near)[:: math.ceil(near.sum() / MOST_FLUSHES)]
    t, v = start_s[taken] / SECONDS_PER_DAY / DAYS_PER_MONTH, volume_l[taken]
    middle = 0.5 * (t[0] + t[-1])
    if min((t < middle).sum(), (t >= middle).sum()) < DRIFT_FLUSHES:
        return None
    slope, ((low, high), (surely_low, surely_high)) = median_slope(t, v, confidences=(COVERAGE, DRIFT_SURE))
    return Drift(per_month_l=slope, low_l=low, high_l=high, told=surely_low > 0.0 or surely_high < 0.0)


def median_slope(
    t: FloatArray, v: FloatArray, *, confidences: tuple[float, ...]
) -> tuple[float, tuple[tuple[float, float], ...]]:
    """Return the median of the slopes between all pairs of points, and its confidence intervals.

    Parameters
    ----------
    t, v : ndarray, shape (n,)
        Points; two of them at least differ in `t`.
    confidences : tuple of float
        Confidence of each interval.

    References
    ----------
    Sen, P. K., "Estimates of the regression coefficient based on Kendall's tau", Journal of the American Statistical
    Association 63, 1968; ties as in Hollander and Wolfe, "Nonparametric statistical methods". Written out because
    `scipy.stats` takes longer to import than all the rest.
    """
    slopes = np.concatenate([_slopes_from(k, t, v) for k in range(t.size)])
    slopes.sort()
    n = float(t.size)
    variance = n * (n - 1.0) * (2.0 * n + 5.0)
    for values in (t, v):
        tied = np.unique(values, return_counts=True)[1].astype(np.float64)
        variance -= float((tied * (tied - 1.0) * (2.0 * tied + 5.0)).sum())
    intervals = []
    for confidence in confidences:
        off = float(ndtri(0.5 * (1.0 + confidence)) * np.sqrt(max(variance, 0.0) / 18.0))
        low = max(int(np.round(0.5 * (slopes.size - off))) - 1, 0)
        high = min(int(np.round(0.5 * (slopes.size + off))), slopes.size - 1)
        intervals.append((float(slopes[low]), float(slopes[high])))
    return float(np.median(slopes)), tuple(intervals)


def _slopes_from(k: int, t: FloatArray, v: FloatArray) -> FloatArray:
    """Return the slopes between one point and those after it that differ in `t`."""
    apart = t[k + 1 :] - t[k]
    differ = apart != 0.0
    return np.asarray((v[k + 1 :] - v[k])[differ] / apart[differ])
