"""One probabilistic model of a home's uses: broad spreads of each label, and the home's own modes.

Each use is drawn either from its label's published spread of volume and flow, or from one of the modes that repeat in
this home; a mode belongs to the label that its place, its rate and its habits speak for. Expectation-maximisation finds
how much of each there is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import softmax

from flowsift.classify.habits import MODE_RATE_SPREAD, context_log_likelihood, habit_array
from flowsift.classify.home_profile import HomeProfile
from flowsift.classify.modes import Modes, Plane, find_modes
from flowsift.classify.prior import Prior, powers, published_prior
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

LEAST_LOG = -100.0
"""A use's log density around a mode is cut off here."""


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
    profile : HomeProfile
        What the home's water of each flow is taken for; empty before `flowsift.classify.judgement.judge`.
    """

    probability: FloatArray
    mode: IntArray
    modes: Modes
    mode_probability: FloatArray
    spread: Prior
    amount: FloatArray
    mode_amount: FloatArray
    profile: HomeProfile

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
        habits = _habits(around)
        broad = _broad(self.spread, powers(np.log(features.volume_l), np.log(features.flow_lpm)), habits)
        near = _distance(plane.points(features.volume_l, features.flow_lpm), self.modes)
        tight = _tight(near, plane, features) * (self.mode_probability @ habits)
        probability, mode = _origins(self.amount, broad, self.mode_amount, tight, self.mode_probability)
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
            profile=HomeProfile.none(),
        )
    points = powers(np.log(features.volume_l), np.log(features.flow_lpm))
    plane = Plane.of(pulse_l=pulse_l, interval_s=interval_s)
    on_plane = plane.points(features.volume_l, features.flow_lpm)
    modes = find_modes(on_plane)
    near = _distance(on_plane, modes)
    mode_label = _mode_labels(near, points, around, days=days)
    habits = _habits(around)
    tight = _tight(near, plane, features) * (mode_label @ habits)

    pseudo = prior.uses_per_day * (1 - habit_array("repeats")) * PRIOR_DAYS
    amount = pseudo / PRIOR_DAYS * days + 1e-3
    mode_amount = np.maximum(modes.excess, 1.0)
    spread = prior
    for _ in range(ROUNDS):
        before = amount, mode_amount
        broad = _broad(spread, points, habits)
        share = 1 / (amount @ broad + mode_amount @ tight)
        sums = points * share @ broad.T * amount
        amount = sums[0] + pseudo
        spread = prior.updated(sums, weight=HOME_USES)
        mode_amount = mode_amount * (tight @ share) + 1e-3
    probability, mode = _origins(before[0], broad, before[1], tight, mode_label)
    return HomeModel(
        probability=probability,
        mode=mode,
        modes=modes,
        mode_probability=mode_label,
        spread=spread,
        amount=amount,
        mode_amount=mode_amount,
        profile=HomeProfile.none(),
    )


def _distance(points: FloatArray, modes: Modes) -> FloatArray:
    """Squared distance of each use from each mode on the plane, shape (n_modes, n_uses)."""
    away, aside = (points[:, k] - modes.center[:, k, None] for k in range(2))
    return np.asarray(away * away + aside * aside)


def _habits(around: Surroundings) -> FloatArray:
    """Likelihood of each use's habits under each label but for a factor of the use, shape (n_labels, n_uses)."""
    context = context_log_likelihood(around.burst, around.clock).T
    return np.ascontiguousarray(np.exp(context - context.max(axis=0)))


def _broad(spread: Prior, points: FloatArray, habits: FloatArray) -> FloatArray:
    """Density of each use and its habits in each label's broad spread, shape (n_labels, n_uses)."""
    density = spread.log_density_at(points)
    np.exp(density, out=density)
    density += STRAY
    density *= habits
    return density


def _tight(near: FloatArray, plane: Plane, features: UseFeatures) -> FloatArray:
    """Density of each use around each mode, per unit of log volume and flow, shape (n_modes, n_uses)."""
    # Densities too small to matter are cut off: numbers near the least that can be held are slow to reckon with.
    return np.exp(np.maximum(-0.5 * near, LEAST_LOG)) * (np.exp(plane.log_stretch(features.volume_l)) / (2 * np.pi))


def _origins(
    amount: FloatArray, broad: FloatArray, mode_amount: FloatArray, tight: FloatArray, mode_label: FloatArray
) -> tuple[FloatArray, IntArray]:
    """Label probabilities of each use, and the mode that it most probably comes from (-1 for none)."""
    from_broad, from_mode = amount[:, None] * broad, mode_amount[:, None] * tight
    best = from_mode.argmax(axis=0) if len(from_mode) else np.zeros(broad.shape[1], np.int64)
    belongs = from_mode.sum(axis=0) > from_broad.sum(axis=0)
    weight = np.ascontiguousarray((from_broad + mode_label.T @ from_mode).T)
    return weight / weight.sum(axis=1, keepdims=True), np.where(belongs, best, -1)


def _mode_labels(near: FloatArray, points: FloatArray, around: Surroundings, *, days: float) -> FloatArray:
    """Probability of each mode's label: its place among published ranges, its rate, its uses' habits."""
    prior = published_prior()
    repeats = habit_array("repeats")
    member = (near <= 4.0).astype(np.float64)
    n_members = np.maximum(member.sum(axis=1), 1.0)[:, None]
    place = prior.log_density(*(member @ points[1:3].T / n_members).T)
    off = np.log(n_members / max(days, 1.0)) - np.log(habit_array("mode_per_day"))
    looks = np.minimum(n_members, INDEPENDENT_USES)
    habits = member @ context_log_likelihood(around.burst, around.clock) / n_members * looks / 2
    log_weight = place + np.log(repeats * prior.uses_per_day) - 0.5 * (off / MODE_RATE_SPREAD) ** 2 + habits
    return np.asarray(softmax(log_weight, axis=1))
