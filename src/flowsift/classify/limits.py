"""What can't be: volumes that no fixture of a label takes, whatever else speaks for it."""

from __future__ import annotations

from functools import cache

import numpy as np

from flowsift.arrays import FloatArray
from flowsift.labels import LABELS
from flowsift.standards import typical_ranges

CUT_SHORT = 0.5
"""Least volume of a flush as a share of the smallest published one: a refill that the next flush cut short, or the end
of one that began before the record (assumption)."""

OVER_FULL = 1.15
"""Largest volume of a flush as a share of the largest published one: a tank that also fills the bowl while a flapper
settles (assumption). What takes more is no toilet, or one that runs, which is a leak."""

OVER_REGENERATION = 1.5
"""Largest volume of a regeneration as a share of the largest published one: more can only be a zone or a trickle that
keeps the same hours (assumption)."""


@cache
def flush_limits_l() -> tuple[float, float]:
    """Return the least and the largest volume that is called a flush [L]."""
    published = typical_ranges()["flush"].volume_l
    return CUT_SHORT * published.low, OVER_FULL * published.high


def largest_regeneration_l() -> float:
    """Return the largest volume that is called a softener's regeneration [L]."""
    return OVER_REGENERATION * typical_ranges()["softener"].volume_l.high


def within_limits(probability: FloatArray, volume_l: FloatArray) -> FloatArray:
    """Rule out flushes of a volume that no toilet takes, and regenerations of one that no softener takes.

    Parameters
    ----------
    probability : ndarray, shape (n_uses, n_labels)
    volume_l : ndarray, shape (n_uses,)

    Returns
    -------
    ndarray, shape (n_uses, n_labels)
        Rows add up to 1.
    """
    least_l, most_l = flush_limits_l()
    left = probability.copy()
    left[(volume_l < least_l) | (volume_l > most_l), LABELS.index("flush")] = 0.0
    left[volume_l > largest_regeneration_l(), LABELS.index("softener")] = 0.0
    # Where nothing but that was thought of, it is something else.
    left[:, LABELS.index("other")] += 1e-12
    return np.asarray(left / left.sum(axis=1, keepdims=True))
