"""What a few labels say of all the other uses of a home.

What was thought of a use before the labels (published ranges, the home's repetition, the network) is the prior; a label
is an observation. Between them stands a residual, a smooth function of how a use looks, one a label: uses of the same
valve share it closely, uses of about that size share it loosely (a Gaussian process with a softmax likelihood;
Rasmussen & Williams 2006, chapter 3, from memory). Its most probable value counts. A label that was expected moves
nothing; one that was not moves its like.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import log_softmax, softmax

from flowsift.arrays import FloatArray, IntArray
from flowsift.features import UseFeatures


@dataclass(frozen=True, kw_only=True)
class Reach:
    """How far a label speaks.

    Attributes
    ----------
    strength : float
        Standard deviation of the residual, in units of log odds.
    flow, volume : float
        Distance over which it fades, in logarithms.
    """

    strength: float
    flow: float
    volume: float


REACHES = (Reach(strength=3.0, flow=0.06, volume=0.3), Reach(strength=2.0, flow=0.3, volume=0.8))
"""The same valve with another amount, and the same kind of use (set on 48 validation homes, half of them varied)."""

LEAST = 1e-4
"""Floor under the probability of a label before the labels are heard: what nobody thought of can still be told."""

CURVATURE = 0.5
"""Largest curvature of the softmax's logarithm (Bohning 1992, from memory): steps that assume it never overshoot."""

ROUNDS = 300
"""Most steps to the most probable residual."""

SETTLED = 1e-4
"""Change of the residual in a step at which it is found."""


def posterior(prior: FloatArray, features: UseFeatures, *, use: IntArray, label: IntArray) -> FloatArray:
    """Return the label probabilities of all uses after some are told.

    Parameters
    ----------
    prior : ndarray, shape (n_uses, n_labels)
        Rows add up to 1.
    features : UseFeatures
        Of the uses.
    use, label : ndarray of int64, shape (n_told,)
        Which use each label was written down for, and the label.

    Returns
    -------
    ndarray, shape (n_uses, n_labels)
        Rows add up to 1. The told uses are judged like all others.
    """
    if use.size == 0:
        return prior.copy()
    log_prior = np.log(np.maximum(prior, LEAST))
    among = likeness(features, use, use)
    told = np.eye(prior.shape[1])[label]
    weight = _settled_weight(log_prior[use], among, told)
    return np.asarray(softmax(log_prior + likeness(features, np.arange(features.n_uses), use) @ weight, axis=1))


def likeness(features: UseFeatures, left: IntArray, right: IntArray) -> FloatArray:
    """Return the covariance of the residual between uses, shape (n_left, n_right)."""
    flow, volume = np.log(features.flow_lpm), np.log(features.volume_l)
    away_flow = (flow[left][:, None] - flow[right]) ** 2
    away_volume = (volume[left][:, None] - volume[right]) ** 2
    return np.asarray(
        sum(
            reach.strength**2 * np.exp(-0.5 * (away_flow / reach.flow**2 + away_volume / reach.volume**2))
            for reach in REACHES
        )
    )


def _settled_weight(log_prior: FloatArray, among: FloatArray, told: FloatArray) -> FloatArray:
    """Return the weight of each told use on each label's residual, shape (n_told, n_labels).

    At the most probable residual ``among @ weight`` the weight is what was told less what is thought.
    """
    solve = np.linalg.inv(np.eye(len(told)) + CURVATURE * among)
    residual = weight = np.zeros_like(told)
    for _ in range(ROUNDS):
        thought = np.exp(log_softmax(log_prior + residual, axis=1))
        weight = solve @ (CURVATURE * residual + told - thought)
        before, residual = residual, among @ weight
        if np.abs(residual - before).max() < SETTLED:
            break
    return weight
