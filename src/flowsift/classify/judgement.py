"""What each use is: the home model and the network together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.classify.evidence import evidence_matrix
from flowsift.classify.facts import HomeFacts
from flowsift.classify.home_profile import HomeProfile
from flowsift.classify.limits import within_limits
from flowsift.classify.mixture import HomeModel, fit_home
from flowsift.classify.network import trained_network
from flowsift.features import UseFeatures
from flowsift.grouping import expand_ranges
from flowsift.surroundings import BURST_S, describe_surroundings


def judge(
    features: UseFeatures, *, pulse_l: float, interval_s: float, days: float, facts: HomeFacts | None = None
) -> HomeModel:
    """Work out the label probabilities of all uses of a home.

    Parameters
    ----------
    features : UseFeatures
    pulse_l, interval_s, days : float
        The meter's pulse [L], the length of a cell [s], the length of the record [d].
    facts : HomeFacts, optional

    Returns
    -------
    HomeModel
        Its probabilities pool the published ranges, the home's own repetition and the network.
    """
    model, evidence = weigh_evidence(features, pulse_l=pulse_l, interval_s=interval_s, days=days)
    return _pooled(model, evidence, features, np.arange(features.n_uses), facts)


def judge_by(
    known: HomeModel,
    features: UseFeatures,
    wanted: IntArray,
    *,
    pulse_l: float,
    interval_s: float,
    days: float,
    facts: HomeFacts | None = None,
) -> HomeModel:
    """Work out the label probabilities of some uses by a model of their home that was fitted before.

    Parameters
    ----------
    known : HomeModel
        Fitted to other uses of the home.
    features : UseFeatures
        The uses wanted and those around them in time.
    wanted : ndarray of int64, shape (n_wanted,)
    pulse_l, interval_s, days : float
        The meter's pulse [L], the length of a cell [s], the time that `features` were seen in [d].
    facts : HomeFacts, optional

    Returns
    -------
    HomeModel
        As `known`, with the probabilities of the uses wanted.
    """
    # A use is seen among those within an hour, and each of these in its own company, which is within an hour of it.
    near = _started_near(features.start_s, wanted, within_s=2 * BURST_S)
    around = describe_surroundings(features, days=days, wanted=near)
    few = features.at(near)
    model = known.judging(few, around, pulse_l=pulse_l, interval_s=interval_s)
    evidence = evidence_matrix(few, around, model, pulse_l=pulse_l, interval_s=interval_s, days=days, record=features)
    place = np.searchsorted(near, wanted)
    return _pooled(model, evidence, few, place, facts, known=known.profile)


def _started_near(start_s: FloatArray, wanted: IntArray, *, within_s: float) -> IntArray:
    """Return the uses that start within some time of any of those wanted, in order."""
    first = np.searchsorted(start_s, start_s[wanted] - within_s, side="left")
    last = np.searchsorted(start_s, start_s[wanted] + within_s, side="right")
    return np.unique(expand_ranges(first, last)[1]).astype(np.int64)


def _pooled(
    model: HomeModel,
    evidence: FloatArray,
    features: UseFeatures,
    wanted: IntArray,
    facts: HomeFacts | None,
    known: HomeProfile | None = None,
) -> HomeModel:
    """Pool the home model's probabilities of the uses wanted with the networks', and rule out what can't be."""
    pooled, profile = trained_network().probability(evidence, features, wanted, model.probability[wanted], known)
    probability = (HomeFacts() if facts is None else facts).applied(within_limits(pooled, features.volume_l[wanted]))
    return replace(model, probability=probability, mode=model.mode[wanted], profile=profile)


def weigh_evidence(
    features: UseFeatures, *, pulse_l: float, interval_s: float, days: float
) -> tuple[HomeModel, FloatArray]:
    """Fit the home model and collect the evidence for the network, shape (n_uses, n_inputs)."""
    around = describe_surroundings(features, days=days)
    model = fit_home(features, around, pulse_l=pulse_l, interval_s=interval_s, days=days)
    return model, evidence_matrix(features, around, model, pulse_l=pulse_l, interval_s=interval_s, days=days)
