"""The whole way from a trace to the answer."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from flowsift.arrays import FloatArray
from flowsift.classify.evidence import evidence_matrix
from flowsift.classify.joining import join_uses
from flowsift.classify.label import label_uses
from flowsift.classify.mixture import HomeModel, fit_home
from flowsift.classify.network import trained_network
from flowsift.disaggregation import Disaggregation, assemble
from flowsift.features import UseFeatures, describe_uses
from flowsift.labels import LABELS
from flowsift.signal.segmentation import Segmentation, segment
from flowsift.surroundings import describe_surroundings
from flowsift.trace import Trace
from flowsift.units import SECONDS_PER_DAY


def disaggregate(trace: Trace) -> Disaggregation:
    """Tell what each fixture used.

    Parameters
    ----------
    trace : Trace

    Returns
    -------
    Disaggregation
        Events, trickle and what is left add up to the metered volume.
    """
    pieces = segment(trace)
    # Twice: what repeats in the home tells which pieces belong together, and whole uses tell more of the home.
    features, model = _view(trace, pieces)
    uses = pieces.joined(join_uses(features, model, interval_s=trace.interval_s))
    features, model = _view(trace, uses)
    labels = label_uses(features, model)
    return assemble(
        trace,
        start_cell=uses.start,
        end_cell=uses.end,
        label=np.array(LABELS, dtype=object)[labels.label],
        probability=labels.probability,
        fixture=np.array(labels.fixture, dtype=object),
        cycle=labels.cycle,
        shares=uses.shares,
        trickle=uses.trickle,
        trickle_l=uses.trickle_l,
    )


def evidence_of_uses(trace: Trace) -> Iterator[tuple[Segmentation, FloatArray]]:
    """Yield a trace's pieces, then its whole uses, each with the evidence on them: what the network is trained on."""
    pieces = segment(trace)
    features, model, evidence = _evidence(trace, pieces)
    yield pieces, evidence
    uses = pieces.joined(join_uses(features, model, interval_s=trace.interval_s))
    yield uses, _evidence(trace, uses)[2]


def _view(trace: Trace, uses: Segmentation) -> tuple[UseFeatures, HomeModel]:
    """Describe the uses and work out what each is."""
    features, model, evidence = _evidence(trace, uses)
    return features, replace(model, probability=trained_network().probability(evidence, model.probability))


def _evidence(trace: Trace, uses: Segmentation) -> tuple[UseFeatures, HomeModel, FloatArray]:
    days = (trace.duration_s - trace.gap_s) / SECONDS_PER_DAY
    features = describe_uses(trace, uses)
    around = describe_surroundings(features, days=days)
    meter = {"pulse_l": trace.pulse_l, "interval_s": trace.interval_s, "days": days}
    model = fit_home(features, around, **meter)
    return features, model, evidence_matrix(features, around, model, **meter)
