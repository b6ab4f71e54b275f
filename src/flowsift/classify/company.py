"""The company a use keeps: what the home model takes the uses of like flow around it for.

A fill alone looks like a draw from a tap; three more fills through the same valve within the hour say what it is.
"""

from __future__ import annotations

import numpy as np

from flowsift.arrays import FloatArray
from flowsift.features import UseFeatures
from flowsift.surroundings import ALIKE_FLOW, BURST_S, LOOK_BACK, TIGHT_FLOW

ALIKE_VOLUME = 0.15
"""Fills of one step of a programme differ by less than this share in volume (assumption)."""


def company(features: UseFeatures, probability: FloatArray) -> FloatArray:
    """Sum up the uses through the same valve within an hour of each use.

    Parameters
    ----------
    features : UseFeatures
    probability : ndarray, shape (n_uses, n_labels)
        What each use is taken for.

    Returns
    -------
    ndarray, shape (n_uses, n_labels + 2)
        For each label, the probabilities of the other uses of like flow within `BURST_S` added up; the number of them
        whose flow is the same within `TIGHT_FLOW`; the number whose volume is alike too.
    """
    n, n_labels = probability.shape
    total = np.zeros((n, n_labels + 2))
    start_s, log_flow, log_volume = features.start_s, np.log(features.flow_lpm), np.log(features.volume_l)
    for apart in range(1, min(LOOK_BACK + 1, n)):
        early, late = slice(None, -apart), slice(apart, None)
        away = np.abs(log_flow[late] - log_flow[early])
        pair = np.flatnonzero((away < ALIKE_FLOW) & (start_s[late] - start_s[early] < BURST_S))
        if pair.size == 0:
            continue
        tight = away[pair] < TIGHT_FLOW
        alike = tight & (np.abs(log_volume[pair + apart] - log_volume[pair]) < ALIKE_VOLUME)
        both = np.column_stack([tight, alike])
        total[pair] += np.column_stack([probability[pair + apart], both])
        total[pair + apart] += np.column_stack([probability[pair], both])
    return total
