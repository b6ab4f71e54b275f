"""Showers with pauses: pieces that, taken as one use, are a shower."""

from __future__ import annotations

import numpy as np

from flowsift.classify.mixture import HomeModel
from flowsift.features import UseFeatures
from flowsift.labels import LABELS
from flowsift.trace import IntArray

LONGEST_PAUSE_S = 120.0
"""Longest pause inside a shower [s] (common practice: water shut for soaping)."""

ALIKE = 1.35
"""Flows of the pieces differ by at most this factor."""

SHOWER, FAUCET = LABELS.index("shower"), LABELS.index("faucet")


def join_showers(features: UseFeatures, model: HomeModel) -> tuple[IntArray, IntArray]:
    """Group uses into events.

    Parameters
    ----------
    features : UseFeatures
    model : HomeModel
        Of the same uses.

    Returns
    -------
    event : ndarray of int64, shape (n_uses,)
        Number of the event that each use is a piece of, increasing in the order of first pieces.
    joined : ndarray of int64
        Events that were joined: they are showers.
    """
    n = features.n_uses
    able = np.flatnonzero(model.probability[:, [SHOWER, FAUCET]].sum(axis=1) > 0.5)
    end_s = features.start_s + features.duration_s
    pause = features.start_s[able[1:]] - end_s[able[:-1]]
    ratio = features.flow_lpm[able[1:]] / features.flow_lpm[able[:-1]]
    follows = (pause >= 0) & (pause <= LONGEST_PAUSE_S) & (ratio < ALIKE) & (ratio > 1 / ALIKE)
    chain = np.concatenate([[0], np.cumsum(~follows)]) if able.size else np.empty(0, np.int64)
    first = np.arange(n)
    if able.size:
        volume = np.bincount(chain, features.volume_l[able])
        duration = np.bincount(chain, features.duration_s[able])
        pieces = np.bincount(chain)
        flow = np.bincount(chain, (features.flow_lpm * features.duration_s)[able]) / duration
        odds = model.log_rate(np.log(volume), np.log(flow))
        together = (pieces > 1) & (odds[:, SHOWER] > odds[:, FAUCET])
        head = able[np.searchsorted(chain, np.arange(pieces.size))]
        mine = together[chain]
        first[able[mine]] = head[chain[mine]]
    event = np.unique(first, return_inverse=True)[1].astype(np.int64)
    return event, np.flatnonzero(np.bincount(event) > 1)
