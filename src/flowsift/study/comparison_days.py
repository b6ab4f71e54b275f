"""Means over days and how sure they are: resampling of whole days within weekday and irrigation strata."""

from __future__ import annotations

import numpy as np

from flowsift.study.daily_volumes import DailyVolumes
from flowsift.trace import BoolArray, FloatArray, IntArray

LEAST_IN_STRATUM = 2
"""Days below which a stratum joins its neighbour: one day says nothing of how days differ."""

WEEK = (5.0 / 7.0, 2.0 / 7.0)
"""Weights of working days and weekends in a whole week."""


def strata(days: DailyVolumes) -> tuple[list[IntArray], FloatArray, list[str]]:
    """Divide days into strata: working day or weekend, with irrigation or without.

    Parameters
    ----------
    days : DailyVolumes
        Complete days.

    Returns
    -------
    members : list of ndarray of int64
        Positions of the days of each stratum.
    weight : ndarray, shape (n_strata,)
        Weight of each stratum's mean; sums to 1. Weekdays weigh as in a whole week, days with irrigation as seen.
    notes : list of str
        What could not be kept apart.
    """
    weekend = np.asarray(days.dates.day_of_week >= 5)
    irrigated = days.of("irrigation") > 0
    notes: list[str] = []
    classes: list[tuple[BoolArray, float]] = [(~weekend, WEEK[0]), (weekend, WEEK[1])]
    if min(int(weekend.sum()), int((~weekend).sum())) < LEAST_IN_STRATUM:
        notes.append("too few weekends or working days to weigh them as in a week")
        classes = [(np.ones(weekend.size, dtype=bool), 1.0)]
    members, weight = [], []
    for inside, share in classes:
        parts = [inside & irrigated, inside & ~irrigated]
        if min(int(p.sum()) for p in parts) < LEAST_IN_STRATUM:
            parts = [inside]
        for part in parts:
            members.append(np.flatnonzero(part))
            weight.append(share * float(part.sum()) / float(inside.sum()))
    return members, np.array(weight), notes


def mean_draws(
    days: DailyVolumes, *, n_resamples: int, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray, list[str]]:
    """Return the mean day and resampled means of it.

    Days are resampled whole, with replacement, within their stratum. The spread of each stratum's resampled mean is
    widened by ``n / (n - 1)`` in variance, which a bootstrap of few days lacks.

    Returns
    -------
    mean : ndarray, shape (n_columns,)
        Volume a day of each column of `DailyVolumes` [L].
    draws : ndarray, shape (n_resamples, n_columns)
    notes : list of str
    """
    members, weight, notes = strata(days)
    mean = np.zeros(days.volume_l.shape[1])
    draws = np.zeros((n_resamples, days.volume_l.shape[1]))
    for chosen, share in zip(members, weight, strict=True):
        volume = days.volume_l[chosen]
        n = chosen.size
        middle = volume.mean(axis=0)
        counts = rng.multinomial(n, np.full(n, 1.0 / n), size=n_resamples)
        widened = np.sqrt(n / (n - 1.0)) if n > 1 else 1.0
        draws += share * (middle + widened * (counts @ volume / n - middle))
        mean += share * middle
    return mean, draws, notes
