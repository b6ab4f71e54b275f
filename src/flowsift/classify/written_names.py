"""Names of fixtures that somebody wrote down, given to the uses that were not."""

from __future__ import annotations

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.classify.naming import free_name
from flowsift.classify.walk import Walk
from flowsift.features import UseFeatures
from flowsift.labels import LABELS

ALIKE_FLOW, ALIKE_VOLUME = 0.15, 0.8
"""How far the flow and the volume of one fixture's uses lie apart, as shares (assumption: the same valve, another
amount; half or twice the second changes little on training homes)."""

BLENDED = ("faucet",)
"""Labels whose fixtures take like amounts at like flows: which it was is a matter of how often each is used, too."""

UNLIKE = 1e-4
"""Likeness of a use to a fixture that no written use comes near."""

ROUNDS = 20
"""Steps to the fixtures' shares of the uses (the rest moves next to nothing)."""


def walked_names(names: list[str], label: IntArray, walk: Walk, features: UseFeatures) -> list[str]:
    """Give fixtures the names that were written down.

    Parameters
    ----------
    names : list of str, length n_uses
        Names found without labels.
    label : ndarray of int64, shape (n_uses,)
    walk : Walk
    features : UseFeatures

    Returns
    -------
    list of str, length n_uses
        Where a use of a fixture was named, each of its uses has the name of the named one it is most like. Fixtures
        without a named use keep their name, or get a free number where somebody else's was called so.
    """
    given = np.array(walk.fixture, dtype=object)
    told = np.flatnonzero((given != "") & (label[walk.use] == walk.label))
    found = np.array(names, dtype=object)
    result = found.copy()
    taken = set(given[told].tolist())
    for code in np.unique(label[walk.use[told]]).tolist():
        mine, speaking = np.flatnonzero(label == code), told[walk.label[told] == code]
        use = walk.use[speaking]
        known = np.isin(found[mine].astype(str), found[use].astype(str))
        named, other = mine[known], mine[~known]
        away = _distance(features, named, use)
        if LABELS[code] in BLENDED:
            result[named] = _likeliest(away, given[speaking])
        else:
            result[named] = given[speaking][away.argmin(axis=1)]
        result[use] = given[speaking]
        for name in taken.intersection(found[other].tolist()):
            result[other[found[other] == name]] = free = free_name(name, {*taken, *names})
            taken.add(free)
    return [str(name) for name in result]


def _likeliest(away: FloatArray, name: np.ndarray[tuple[int], np.dtype[np.object_]]) -> np.ndarray:
    """Return the likeliest name of each use, given its distance to the named ones, shape (n_uses, n_named).

    A name's uses look like those written down; its share of all uses is what makes the whole most likely.
    """
    fixture, code = np.unique(name.astype(str), return_inverse=True)
    density = np.column_stack([np.exp(-0.5 * away[:, code == k]).mean(axis=1) for k in range(fixture.size)]) + UNLIKE
    share = np.full(fixture.size, 1 / fixture.size)
    for _ in range(ROUNDS):
        chance = density * share
        share = (chance / chance.sum(axis=1, keepdims=True)).mean(axis=0)
    return np.asarray(fixture[(density * share).argmax(axis=1)], dtype=object)


def _distance(features: UseFeatures, left: IntArray, right: IntArray) -> FloatArray:
    """Return how unlike uses are, squared, in the spreads of one fixture's uses, shape (n_left, n_right)."""
    flow, volume = np.log(features.flow_lpm), np.log(features.volume_l)
    away = ((flow[left][:, None] - flow[right]) / ALIKE_FLOW) ** 2
    return np.asarray(away + ((volume[left][:, None] - volume[right]) / ALIKE_VOLUME) ** 2)
