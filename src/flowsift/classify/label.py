"""Labels, fixtures and cycles of a trace's uses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.classify.cycles import LONGEST_BREAK_S, MACHINES, discount_lone_fills, number_cycles
from flowsift.classify.mixture import HomeModel
from flowsift.classify.naming import name_fixtures
from flowsift.classify.programmes import number_loads
from flowsift.features import UseFeatures
from flowsift.labels import LABELS

LEAST_PROBABILITY = 0.35
"""A label less probable than this is not given: the event is ``other``."""

OTHER = LABELS.index("other")


@dataclass(frozen=True, kw_only=True, eq=False)
class Labels:
    """What the uses of a trace are, one element a use.

    Attributes
    ----------
    label : ndarray of int64, shape (n_uses,)
        Index into `LABELS`.
    probability : ndarray, shape (n_uses,)
        Probability that the label is right, 0 to 1.
    by_label : ndarray, shape (n_uses, n_labels)
        Probability of every label; rows add up to 1.
    fixture : list of str, length n_uses
    cycle : ndarray of int64, shape (n_uses,)
        -1 for none.
    """

    label: IntArray
    probability: FloatArray
    by_label: FloatArray
    fixture: list[str]
    cycle: IntArray


def label_uses(features: UseFeatures, model: HomeModel) -> Labels:
    """Choose each use's label, name its fixture and number its cycle.

    Parameters
    ----------
    features : UseFeatures
    model : HomeModel
        Of the same uses.

    Returns
    -------
    Labels
    """
    start_s, end_s = features.start_s, features.start_s + features.duration_s
    probability = discount_lone_fills(start_s, end_s, model.probability)
    label = probability.argmax(axis=1)
    best = probability.max(axis=1, initial=0.0)
    unsure = best < LEAST_PROBABILITY
    label = np.where(unsure, OTHER, label)
    best = np.where(unsure, probability[:, OTHER], best)
    cycle = number_cycles(start_s, end_s, label)
    for name in MACHINES:
        mine = np.flatnonzero(label == LABELS.index(name))
        cycle[mine] = number_loads(
            start_s[mine], end_s[mine], features.volume_l[mine], longest_break_s=LONGEST_BREAK_S[name]
        )
    return Labels(
        label=label,
        probability=best,
        by_label=probability,
        fixture=name_fixtures(label, model.mode, features.volume_l, features.flow_lpm),
        cycle=cycle,
    )
