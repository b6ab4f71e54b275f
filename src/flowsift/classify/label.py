"""Labels, fixtures and cycles of a trace's uses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsift.classify.cycles import discount_lone_fills, number_cycles
from flowsift.classify.mixture import fit_home
from flowsift.classify.naming import name_fixtures
from flowsift.classify.sessions import SHOWER, join_showers
from flowsift.features import UseFeatures
from flowsift.labels import LABELS
from flowsift.trace import FloatArray, IntArray

LEAST_PROBABILITY = 0.35
"""A label less probable than this is not given: the event is ``other``."""


@dataclass(frozen=True, kw_only=True, eq=False)
class LabelledEvents:
    """Events and what they are.

    Attributes
    ----------
    event : ndarray of int64, shape (n_uses,)
        The event that each use is a piece of.
    label : ndarray of int64, shape (n_events,)
        Index into `LABELS`.
    probability : ndarray, shape (n_events,)
    fixture : list of str, length n_events
    cycle : ndarray of int64, shape (n_events,)
        -1 for none.
    """

    event: IntArray
    label: IntArray
    probability: FloatArray
    fixture: list[str]
    cycle: IntArray


def label_uses(features: UseFeatures, *, pulse_l: float, interval_s: float, days: float) -> LabelledEvents:
    """Label uses by published ranges and the home's own repetition.

    Parameters
    ----------
    features : UseFeatures
    pulse_l, interval_s, days : float
        As in `flowsift.classify.mixture.fit_home`.

    Returns
    -------
    LabelledEvents
    """
    model = fit_home(features, pulse_l=pulse_l, interval_s=interval_s, days=days)
    event, showers = join_showers(features, model)
    n = int(event.max()) + 1 if event.size else 0
    first = _first_of(event, n)
    probability = model.probability[first].copy()
    if showers.size:
        probability[showers] *= 0.25
        probability[showers, SHOWER] += 0.75
    start_s = features.start_s[first]
    end_s = np.zeros(n)
    np.maximum.at(end_s, event, features.start_s + features.duration_s)
    probability = discount_lone_fills(start_s, end_s, probability)
    volume_l = np.bincount(event, features.volume_l, minlength=n)
    certainty = np.ones(n)
    np.minimum.at(certainty, event, features.certainty)
    label = probability.argmax(axis=1) if n else np.empty(0, np.int64)
    best = probability.max(axis=1, initial=0.0)
    other = LABELS.index("other")
    unsure = best < LEAST_PROBABILITY
    label = np.where(unsure, other, label)
    best = np.where(unsure, probability[:, other], best)
    return LabelledEvents(
        event=event,
        label=label,
        probability=best * certainty,
        fixture=name_fixtures(label, model.mode[first], volume_l, features.flow_lpm[first]),
        cycle=number_cycles(start_s, end_s, label),
    )


def _first_of(event: IntArray, n: int) -> IntArray:
    """Position of the first use of each event."""
    first = np.full(n, event.size, dtype=np.int64)
    np.minimum.at(first, event, np.arange(event.size))
    return first
