"""Full and reduced flushes of one toilet: groups of repeated refills that pair as a dual flush's do."""

from __future__ import annotations

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.standards import figure
from flowsift.study.flushes_modes import Modes, Reading
from flowsift.study.flushes_shape import COARSE_S

REDUCED, MOST_REDUCED_COARSE = (0.40, 0.82), 0.69
"""Volume of a reduced flush as a share of the full one (published pairs: 0.8 of 1.6 and 1.1 of 1.6 gal, 3 of 6 L). On a
coarse trace (`COARSE_S`) a larger share is a flush with and without hands washed (held against training seeds)."""

BALANCED = 0.20
"""Least ratio of the numbers of a toilet's reduced and full flushes, either way."""

SAME_VALVE = 0.035
"""A toilet's full and reduced flush are filled by one valve: their flows differ by no more than this share."""


def pair_dual(modes: Modes, hosts: IntArray, size: FloatArray, reading: Reading) -> dict[int, int]:
    """Pair groups that are the full and the reduced flush of one toilet.

    Parameters
    ----------
    modes : Modes
    hosts : ndarray of int64, shape (n_groups,)
        Mode that stands for each group.
    size : ndarray, shape (n_groups,)
        Refills of each group.
    reading : Reading

    Returns
    -------
    dict of int to int
        Full group to reduced group, the pairs of most alike flows first; a group is in one pair at most.
    """
    options = []
    for f, full in enumerate(hosts.tolist()):
        for r, reduced in enumerate(hosts.tolist()):
            balanced = min(size[f], size[r]) >= BALANCED * max(size[f], size[r])
            if balanced and _volumes_fit(modes, full, reduced, reading) and _one_valve(modes, full, reduced, reading):
                options.append((_flow_step(modes, full, reduced), f, r))
    pairs: dict[int, int] = {}
    for _, f, r in sorted(options):
        if not {f, r} & (pairs.keys() | set(pairs.values())):
            pairs[f] = r
    return pairs


def largest_dual_l() -> float:
    """Return the largest full flush of a dual-flush toilet as it may be set, with a margin for the meter [L]."""
    return 1.1 * figure("toilet.watersense_maximum_adjustable_flush_dual_flush_full").value_l


def _volumes_fit(modes: Modes, full: int, reduced: int, reading: Reading) -> bool:
    ratio = modes.volume_l[reduced] / modes.volume_l[full]
    most = MOST_REDUCED_COARSE if reading.interval_s >= COARSE_S else REDUCED[1]
    return bool(REDUCED[0] <= ratio <= most and modes.volume_l[full] <= largest_dual_l())


def _flow_step(modes: Modes, full: int, reduced: int) -> float:
    return abs(float(np.log(modes.flow_lpm[reduced] / modes.flow_lpm[full])))


def _one_valve(modes: Modes, full: int, reduced: int, reading: Reading) -> bool:
    """Tell whether the flows of two modes differ by no more than those of one valve, as well as they are known."""
    both = [full, reduced]
    blur = reading.flow_share_sd(modes.volume_l[both], modes.flow_lpm[both])
    clean = modes.clean[:, both].sum(axis=0)
    known = np.hypot(modes.flow_spread[both], blur) / np.sqrt(np.maximum(clean, 1.0))
    limit = SAME_VALVE + 2.0 * float(np.hypot(*known))
    if reading.interval_s >= COARSE_S:
        # The flow of refills mixed with other water is too high: allow for a part of the blur.
        limit += float(blur[1])
    return _flow_step(modes, full, reduced) < limit
