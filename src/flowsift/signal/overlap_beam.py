"""The beam of the search for overlapping uses: the explanations so far, and which of them are kept."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from flowsift.arrays import FloatArray, IntArray

USES_AT_ONCE = 6
"""Uses that may run at once in one explanation."""

_MIXED = np.random.default_rng(0).integers(1 << 40, size=USES_AT_ONCE) | 1
"""Factors that turn the state of the running uses into one number that no other state is likely to have."""


@dataclass(kw_only=True, eq=False)
class Beam:
    """Explanations so far: arrays of shape (n_spans, n_kept), and of running uses (n_spans, n_kept, n_places).

    There are as many places as uses run at once in any of them; one is free where its `flow` is 0. `cost` is that of
    the cheapest way to get there, infinite where there is none; `mass` the cost of all ways together; `opened` what a
    use's flow was worth when it opened.
    """

    cost: FloatArray
    mass: FloatArray
    n_uses: IntArray
    flow: FloatArray
    volume: FloatArray
    minutes: FloatArray
    opened: FloatArray
    use: IntArray

    @classmethod
    def empty(cls, n_spans: int) -> Beam:
        """Return one explanation of nothing for each span."""
        places = (n_spans, 1, 0)
        return cls(
            cost=np.zeros((n_spans, 1)),
            mass=np.zeros((n_spans, 1)),
            n_uses=np.zeros((n_spans, 1), np.int64),
            flow=np.zeros(places),
            volume=np.zeros(places),
            minutes=np.zeros(places),
            opened=np.zeros(places),
            use=np.full(places, -1),
        )

    def at(self, spans: IntArray | slice, kept: IntArray | slice) -> Beam:
        """Return some explanations of some spans."""
        return Beam(**{name: array[spans, kept] for name, array in vars(self).items()})

    def with_places(self, n_places: int) -> Beam:
        """Return the same with more places for uses, or with fewer where the last ones are free."""
        return Beam(**{name: _resized(array, n_places) for name, array in vars(self).items()})


def _resized(array: npt.NDArray[Any], n_places: int) -> npt.NDArray[Any]:
    """Cut the last axis of an array of places, or add zeros to it; an array without places stays as it is."""
    if array.ndim < 3 or array.shape[2] >= n_places:
        return array[..., :n_places] if array.ndim == 3 else array
    wider = np.zeros((*array.shape[:2], n_places), array.dtype)
    wider[..., : array.shape[2]] = array
    return wider


def cheapest(
    cost: FloatArray, mass: FloatArray, flow: FloatArray, volume: FloatArray, level: FloatArray, *, n_kept: int
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Choose the explanations that are kept; also return the cost and the mass of each.

    Those that agree on what runs now and since when, to a twentieth of the flow and a tenth of the volume, go on
    alike: the cheapest stays and speaks for all.
    """
    share = np.rint(20 * flow / level[:, None, None])
    running = (share * 1e5 + np.rint(10 * np.log1p(volume))).astype(np.int64)
    sign = (np.sort(running, axis=2) * _MIXED[USES_AT_ONCE - running.shape[2] :]).sum(axis=2)
    at = np.arange(sign.shape[0])[:, None]
    # Those that agree side by side, the cheapest first.
    order = np.lexsort((cost, sign), axis=1)
    sign, cost, mass = sign[at, order], cost[at, order], mass[at, order]
    leads = np.ones(sign.shape, bool)
    leads[:, 1:] = sign[:, 1:] != sign[:, :-1]
    mass_of_all = np.full(sign.shape, np.inf)
    own = np.where(np.isinf(cost), -np.inf, -mass)
    mass_of_all[leads] = -np.logaddexp.reduceat(own.ravel(), np.flatnonzero(leads))
    cost = np.where(leads, cost, np.inf)
    n_kept = min(n_kept, int(np.isfinite(cost).sum(axis=1).max()))
    best = np.argsort(cost, axis=1, kind="stable")[:, :n_kept]
    cost = cost[at, best]
    return order[at, best], cost, np.where(np.isinf(cost), np.inf, mass_of_all[at, best])
