"""One probabilistic model of a home's uses: broad spreads of each label, and the home's own modes.

Each use is drawn either from its label's published spread of volume and flow, or from one of the modes that repeat in
this home; a mode belongs to the label that its place, its rate and its habits speak for. Expectation-maximisation finds
how much of each there is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import logsumexp

from flowsift.classify.habits import MODE_RATE_SPREAD, context_log_likelihood, habit_array
from flowsift.classify.modes import Modes, Plane, find_modes
from flowsift.classify.prior import Prior, published_prior
from flowsift.features import UseFeatures
from flowsift.surroundings import Surroundings
from flowsift.trace import FloatArray, IntArray

PRIOR_DAYS = 4.0
"""The published uses a day count as this many days of evidence."""

ROUNDS = 15
"""Rounds of expectation-maximisation."""

INDEPENDENT_USES = 12.0
"""The habits of a mode count as at most this many independent looks: its uses are alike for reasons of their own."""

HOME_USES = 30.0
"""The published spread of a label counts as this many uses when the home's own spread is worked out (assumption)."""

STRAY = 1e-4
"""Weight of the chance that a use is like none of its label (one-offs), per unit of log volume and flow."""


@dataclass(frozen=True, kw_only=True, eq=False)
class HomeModel:
    """The labels of a home's uses.

    Attributes
    ----------
    probability : ndarray, shape (n_uses, n_labels)
        Probability of each label, in the order of `flowsift.labels.LABELS`; rows add up to 1.
    mode : ndarray of int64, shape (n_uses,)
        The mode that each use most probably comes from, -1 for none.
    modes : Modes
    mode_probability : ndarray, shape (n_modes, n_labels)
        Probability of each mode's label.
    spread : Prior
        The labels' broad spreads, adapted to this home.
    amount : ndarray, shape (n_labels,)
        Uses of each label that come from its broad spread.
    mode_amount : ndarray, shape (n_modes,)
        Uses that come from each mode.
    """

    probability: FloatArray
    mode: IntArray
    modes: Modes
    mode_probability: FloatArray
    spread: Prior
    amount: FloatArray
    mode_amount: FloatArray

    def judging(self, features: UseFeatures, around: Surroundings, *, pulse_l: float, interval_s: float) -> HomeModel:
        """Return the model as it stands with the probabilities of other uses of the same home.

        Parameters
        ----------
        features : UseFeatures
        around : Surroundings
            Of the same uses.
        pulse_l, interval_s : float
            The meter that the model was fitted to.
        """
        plane = Plane.of(pulse_l=pulse_l, interval_s=interval_s)
        near = _distance(plane.points(features.volume_l, features.flow_lpm), self.modes)
        context = context_log_likelihood(around.burst, around.clock)
        broad = self.spread.log_density(np.log(features.volume_l), np.log(features.flow_lpm))
        tight = _log_tight(near, plane, features) + _mode_context(context, self.mode_probability)
        probability, mode = _origins(
            np.log(self.amount) + np.logaddexp(broad, np.log(STRAY)) + context,
            np.log(self.mode_amount) + tight,
            self.mode_probability,
        )
        return replace(self, probability=probability, mode=mode)

    def log_rate(self, log_volume: FloatArray, log_flow: FloatArray) -> FloatArray:
        """Return the log of each label's broad uses per unit of log volume and flow, shape (n_points, n_labels)."""
        return np.asarray(np.log(self.amount) + self.spread.log_density(log_volume, log_flow))


def fit_home(
    features: UseFeatures, around: Surroundings, *, pulse_l: float, interval_s: float, days: float
) -> HomeModel:
    """Fit the model to the uses of one home.

    Parameters
    ----------
    features : UseFeatures
    around : Surroundings
        Of the same uses.
    pulse_l, interval_s : float
        Volume of a meter pulse [L] and length of a cell [s]: they blur what repeats.
    days : float
        Length of the record [d].

    Returns
    -------
    HomeModel
    """
    prior = published_prior()
    n_labels = len(prior.uses_per_day)
    if features.n_uses == 0:
        return HomeModel(
            probability=np.empty((0, n_labels)),
            mode=np.empty(0, np.int64),
            modes=Modes.none(),
            mode_probability=np.empty((0, n_labels)),
            spread=prior,
            amount=prior.uses_per_day * days,
            mode_amount=np.empty(0),
        )
    log_v, log_q = np.log(features.volume_l), np.log(features.flow_lpm)
    plane = Plane.of(pulse_l=pulse_l, interval_s=interval_s)
    points = plane.points(features.volume_l, features.flow_lpm)
    modes = find_modes(points)
    xy = np.column_stack([log_v, log_q])
    spread = prior
    context = context_log_likelihood(around.burst, around.clock)
    near = _distance(points, modes)
    tight = _log_tight(near, plane, features)
    mode_label = _mode_labels(modes, near, features, context, days=days)

    repeats = habit_array("repeats")
    pseudo = prior.uses_per_day * (1 - repeats) * PRIOR_DAYS
    amount = pseudo / PRIOR_DAYS * days + 1e-3
    mode_amount = np.maximum(modes.excess, 1.0)
    from_each_mode = tight + _mode_context(context, mode_label)
    for _ in range(ROUNDS):
        broad = np.logaddexp(spread.log_density(log_v, log_q), np.log(STRAY))
        from_broad = np.log(amount) + broad + context
        from_mode = np.log(mode_amount) + from_each_mode
        total = np.logaddexp(logsumexp(from_broad, axis=1), _logsumexp_or_none(from_mode))
        share = np.exp(from_broad - total[:, None])
        amount = share.sum(axis=0) + pseudo
        spread = prior.updated(xy, share, weight=HOME_USES)
        mode_amount = np.exp(from_mode - total[:, None]).sum(axis=0) + 1e-3
    probability, mode = _origins(from_broad, from_mode, mode_label)
    return HomeModel(
        probability=probability,
        mode=mode,
        modes=modes,
        mode_probability=mode_label,
        spread=spread,
        amount=amount,
        mode_amount=mode_amount,
    )


def _distance(points: FloatArray, modes: Modes) -> FloatArray:
    """Squared distance of each use from each mode on the plane, shape (n_uses, n_modes)."""
    return np.asarray(((points[:, None, :] - modes.center) ** 2).sum(axis=2))


def _log_tight(near: FloatArray, plane: Plane, features: UseFeatures) -> FloatArray:
    """Log density of each use around each mode, per unit of log volume and flow, shape (n_uses, n_modes)."""
    return np.asarray(-0.5 * near - np.log(2 * np.pi) + plane.log_stretch(features.volume_l)[:, None])


def _origins(from_broad: FloatArray, from_mode: FloatArray, mode_label: FloatArray) -> tuple[FloatArray, IntArray]:
    """Label probabilities of each use, and the mode that it most probably comes from (-1 for none)."""
    total = np.logaddexp(logsumexp(from_broad, axis=1), _logsumexp_or_none(from_mode))
    own = np.exp(from_mode - total[:, None])
    probability = np.exp(from_broad - total[:, None]) + own @ mode_label
    best = own.argmax(axis=1) if own.shape[1] else np.zeros(len(own), np.int64)
    belongs = own.sum(axis=1) > 0.5
    return probability / probability.sum(axis=1, keepdims=True), np.where(belongs, best, -1)


def _mode_context(context: FloatArray, mode_label: FloatArray) -> FloatArray:
    """Log likelihood of each use's habits under each mode's labels, shape (n_uses, n_modes)."""
    top = context.max(axis=1, keepdims=True)
    with np.errstate(divide="ignore"):  # no label of the mode is near the habits
        return np.asarray(np.log(np.exp(context - top) @ mode_label.T) + top)


def _logsumexp_or_none(values: FloatArray) -> FloatArray:
    if values.shape[1] == 0:
        return np.full(values.shape[0], -np.inf)
    return np.asarray(logsumexp(values, axis=1))


def _mode_labels(
    modes: Modes, near: FloatArray, features: UseFeatures, context: FloatArray, *, days: float
) -> FloatArray:
    """Probability of each mode's label: its place among published ranges, its rate, its uses' habits."""
    prior = published_prior()
    repeats = habit_array("repeats")
    log_rate = np.log(habit_array("mode_per_day"))
    rows = np.empty((len(modes.center), len(repeats)))
    for k in range(len(modes.center)):
        member = near[:, k] <= 4.0
        v, q = np.log(features.volume_l[member]).mean(), np.log(features.flow_lpm[member]).mean()
        place = prior.log_density(np.array([v]), np.array([q]))[0]
        rate = -0.5 * ((np.log(member.sum() / max(days, 1.0)) - log_rate) / MODE_RATE_SPREAD) ** 2
        looks = min(float(member.sum()), INDEPENDENT_USES)
        habits = context[member].mean(axis=0) * looks / 2
        rows[k] = place + np.log(repeats * prior.uses_per_day) + rate + habits
    return np.exp(rows - logsumexp(rows, axis=1, keepdims=True)) if len(rows) else rows
