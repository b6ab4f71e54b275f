"""The uses before and after each use: what follows what tells a bath from a long shower, and a rinse from a tap."""

from __future__ import annotations

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.classify.evidence import LEAST
from flowsift.features import UseFeatures
from flowsift.labels import LABELS
from flowsift.surroundings import BURST_S

EACH_WAY = 8
"""Uses before, and as many after, that are looked at."""

NAMES: tuple[str, ...] = (
    "seen",
    "later",
    "log_pause",
    "at_once",
    "log_apart",
    "flow_step",
    "flow_off",
    "volume_step",
    "volume_off",
    "log_flow",
    "log_volume",
    "log_duration",
    *(f"first_{name}" for name in LABELS),
)
"""Names of the figures of a use around another."""

_N_BETWEEN = NAMES.index("log_flow")
"""Figures before this one are of both uses, those from it on of the other alone."""

_UNIT = np.array([1.0, 1.0, 4.0, 1.0, 4.0, 1.0, 0.2, 2.0, 1 / 3, 2.0, 3.0, 3.0, *(5.0 for _ in LABELS)])
"""What each figure is divided by, so that all are of the order of 1."""


def uses_around(features: UseFeatures, log_first: FloatArray, wanted: IntArray) -> FloatArray:
    """Describe the uses that start within an hour of each use.

    Parameters
    ----------
    features : UseFeatures
        All uses, sorted by start.
    log_first : ndarray, shape (n_uses, n_labels)
        Log probabilities of what each is taken for at a first look.
    wanted : ndarray of int64, shape (n_wanted,)
        Uses whose neighbours are asked for.

    Returns
    -------
    ndarray, shape (n_wanted, 2 * EACH_WAY, len(NAMES))
        The nearest `EACH_WAY` before, the last of them last, then as many after. For each: 1 where there is one, -1
        before and 1 after, the log of the pause between the two, whether they run at once, the log of the time between
        their starts, the steps of log flow and log volume, how far apart these are close to zero, the logs of the
        other's flow, volume and duration, and those of what it is taken for. All 0 where there is none.
    """
    offset = np.concatenate([np.arange(-EACH_WAY, 0), np.arange(1, EACH_WAY + 1)])
    other = wanted[:, None] + offset
    seen = (other >= 0) & (other < features.n_uses)
    other = np.clip(other, 0, max(features.n_uses - 1, 0))
    # What doesn't depend on the use it is seen from is worked out once for each.
    near = slice(other.min(initial=features.n_uses), other.max(initial=-1) + 1)
    other, own = other - near.start, wanted[:, None] - near.start
    start_s, duration_s = features.start_s[near], features.duration_s[near]
    flow, volume = np.log(features.flow_lpm[near]), np.log(features.volume_l[near])
    taken_for = np.maximum(log_first[near], np.log(LEAST))
    alone = np.column_stack([flow, volume, np.log(duration_s), taken_for]) / _UNIT[_N_BETWEEN:]
    apart_s = np.abs(start_s[other] - start_s[own])
    seen &= apart_s < BURST_S
    pause_s = apart_s - np.where(offset < 0, duration_s[other], duration_s[own])
    flow_step = np.clip(flow[other] - flow[own], -3.0, 3.0)
    volume_step = np.clip(volume[other] - volume[own], -4.0, 4.0)
    between = (
        1.0,
        np.sign(offset),
        np.log1p(np.maximum(pause_s, 0.0)),
        pause_s < 0.0,
        np.log1p(apart_s),
        flow_step,
        np.minimum(np.abs(flow_step), 0.3),
        volume_step,
        np.minimum(np.abs(volume_step), 0.5),
    )
    table = np.empty((*other.shape, len(NAMES)))
    for k, figure in enumerate(between):
        table[..., k] = figure
    table[..., :_N_BETWEEN] /= _UNIT[:_N_BETWEEN]
    table[..., _N_BETWEEN:] = alone[other]
    table[~seen] = 0.0
    return table
