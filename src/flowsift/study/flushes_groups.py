"""Groups of one toilet: repeated refills that are another group's, mixed with other water or cut short, put with it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.study.flushes_dual import REDUCED, SAME_VALVE, largest_dual_l, pair_dual
from flowsift.study.flushes_modes import Modes, Reading
from flowsift.study.flushes_refills import STEADY
from flowsift.study.flushes_shape import COARSE_S
from flowsift.units import SECONDS_PER_MINUTE

LEAST_FLUSHES = 6
"""Refills below which a group is no toilet of its own."""

WITH_OTHER_WATER, LITTLE_WATER_L = 1.4, 1.6
"""Largest ratio of a group that is another one's refills with other water in them to that one's volume, and what may
always be more [L] (assumption)."""

LOPSIDED = 0.40
"""A group that could be another's refills mixed or cut short is so if it has less than this share of its refills."""

HANDS_L = 1.5
"""On a coarse trace (`COARSE_S`) hands washed during or after a refill are one event with it: refills with up to so
much other water [L] may even be thrice as many as clean ones (assumption; held against training seeds)."""

HANDS_AFTER_S, HANDS_LPM = 20.0, 6.0
"""On a coarse trace, time from a flush to hands being washed [s], and the flow that they take [L/min] (assumptions): a
fast refill is nearly over by then, and shows its own flow."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Groups:
    """Modes put together by toilet, the full and the reduced flush of one apart.

    Attributes
    ----------
    host : ndarray of int64, shape (n_groups,)
        Mode whose volume and flow stand for the group: the smallest of those with a fair part of its refills.
    size : ndarray, shape (n_groups,)
        Refills expected to be of the group.
    member : ndarray of int64, shape (n_refills,)
        Likeliest group of each refill, -1 where it more probably belongs to none.
    """

    host: IntArray
    size: FloatArray
    member: IntArray


def group_modes(modes: Modes, reading: Reading) -> Groups:
    """Put modes that are another one's refills, mixed with other water or cut short, with that one.

    Parameters
    ----------
    modes : Modes
    reading : Reading

    Returns
    -------
    Groups
        None of no modes.
    """
    of_mode = _owners(modes, reading)
    n_groups = int(of_mode.max(initial=-1)) + 1
    belongs = np.zeros((len(modes.belongs), n_groups))
    for k, group in enumerate(of_mode.tolist()):
        belongs[:, group] += modes.belongs[:, k]
    member = np.full(len(belongs), -1, dtype=np.int64)
    if n_groups:
        member = np.where(belongs.sum(axis=1) >= 0.5, belongs.argmax(axis=1), -1)
    host = np.array([_host(modes, np.flatnonzero(of_mode == group)) for group in range(n_groups)], dtype=np.int64)
    return Groups(host=host, size=belongs.sum(axis=0), member=member)


def _host(modes: Modes, mine: IntArray) -> int:
    size = modes.belongs[:, mine].sum(axis=0)
    fair = mine[size >= LOPSIDED * size.max()]
    return int(fair[np.argmin(modes.volume_l[fair])])


def _owners(modes: Modes, reading: Reading) -> IntArray:
    """Return the group of each mode, smallest modes put with others first."""
    n = len(modes)
    size = modes.belongs.sum(axis=0)
    likeness = _Likeness(modes, size, _weight(modes, size, reading), reading)
    owner, held = np.arange(n), size.copy()
    for k in np.argsort(modes.volume_l, kind="stable").tolist():
        free = [h for h in range(n) if h != k and owner[h] == h and modes.volume_l[h] != modes.volume_l[k]]
        able = [h for h in free if likeness.may_be_of(k, h, held_by_host=float(held[h]))]
        if able:
            owner[k] = min(able, key=lambda h: abs(float(np.log(modes.volume_l[k] / modes.volume_l[h]))))
            held[owner[k]] += held[k]
    for _ in range(n):
        owner = owner[owner]
    return np.unique(owner, return_inverse=True)[1].astype(np.int64)


def _weight(modes: Modes, size: FloatArray, reading: Reading) -> FloatArray:
    """Return how many refills speak for each mode.

    A full and a reduced flush are weighed together, so that a toilet seldom used is not taken for another's refills.
    """
    weight = size.copy()
    for full, reduced in pair_dual(modes, np.arange(len(modes)), size, reading).items():
        if min(size[full], size[reduced]) >= LEAST_FLUSHES:
            weight[[full, reduced]] = size[full] + size[reduced]
    return weight


class _Likeness:
    """What one mode may be of another."""

    def __init__(self, modes: Modes, size: FloatArray, weight: FloatArray, reading: Reading) -> None:
        self.modes, self.size, self.weight, self.reading = modes, size, weight, reading
        self.blur = reading.flow_share_sd(modes.volume_l, modes.flow_lpm)

    def may_be_of(self, k: int, host: int, *, held_by_host: float) -> bool:
        """Tell whether mode `k` may be refills of `host`, which holds so many with what was put with it before."""
        few = bool(self.weight[k] < LOPSIDED * held_by_host)
        return self._mixed(k, host, few=few, held_by_host=held_by_host) or self._cut_short(k, host, few=few)

    def _mixed(self, k: int, host: int, *, few: bool, held_by_host: float) -> bool:
        """Refills with other water in them."""
        more_l = self._more_l(k, host)
        coarse = self.reading.interval_s >= COARSE_S
        hands = coarse and more_l < HANDS_L and self.size[k] < 3.0 * held_by_host
        little = self._ratio(k, host) < WITH_OTHER_WATER or more_l < LITTLE_WATER_L
        if not (more_l > 0.0 and little and (few or hands)):
            return False
        noise = self._noise(k, host)
        return -noise < self._step(k, host) < _most_on_top(self.modes, host, more_l, self.reading) + noise

    def _cut_short(self, k: int, host: int, *, few: bool) -> bool:
        """Flushes cut short: of a toilet too large for a reduced flush, or too near to its full one."""
        ratio = self._ratio(k, host)
        no_dual = ratio > REDUCED[1] or self.modes.volume_l[host] > largest_dual_l()
        if not (few and no_dual and REDUCED[0] < ratio < 1.0):
            return False
        noise = self._noise(k, host) + 0.03
        # At low pressure the flow is lower too.
        slower = 1.5 * abs(float(np.log(ratio)))
        return -noise - slower < self._step(k, host) < noise

    def _ratio(self, k: int, host: int) -> float:
        return float(self.modes.volume_l[k] / self.modes.volume_l[host])

    def _more_l(self, k: int, host: int) -> float:
        return float(self.modes.volume_l[k] - self.modes.volume_l[host])

    def _step(self, k: int, host: int) -> float:
        return float(np.log(self.modes.flow_lpm[k] / self.modes.flow_lpm[host]))

    def _noise(self, k: int, host: int) -> float:
        return SAME_VALVE + 1.5 * float(self.blur[min(host, k)])


def _most_on_top(modes: Modes, host: int, more_l: float, reading: Reading) -> float:
    """Return the largest log ratio of the flow of refills with so much other water [L] to that of clean ones.

    Water on top raises the volume alone, or also the flow: by what of it ran while the flow was read, and so took the
    place of the tank's water in that part of the volume.
    """
    on_top_l = more_l
    if reading.interval_s >= COARSE_S:
        read_s = STEADY[1] * modes.volume_l[host] / modes.flow_lpm[host] * SECONDS_PER_MINUTE
        on_top_l = min(more_l, HANDS_LPM * max(float(read_s) - HANDS_AFTER_S, 0.0) / SECONDS_PER_MINUTE)
    part = on_top_l / (modes.volume_l[host] + more_l) / (STEADY[1] - STEADY[0])
    return -float(np.log1p(-min(part, 0.9)))
