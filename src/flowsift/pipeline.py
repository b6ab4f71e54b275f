"""The whole way from a trace to the answer."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pandas as pd

from flowsift.arrays import FloatArray
from flowsift.classify.evidence import evidence_matrix
from flowsift.classify.facts import HomeFacts
from flowsift.classify.joining import join_uses
from flowsift.classify.label import label_uses
from flowsift.classify.mixture import HomeModel, fit_home
from flowsift.classify.modes import Plane, find_modes
from flowsift.classify.network import trained_network
from flowsift.classify.walk import Walk, heeded, match_walk, walked_names
from flowsift.disaggregation import Disaggregation, assemble, overlapping
from flowsift.features import UseFeatures, describe_uses
from flowsift.labels import LABELS
from flowsift.quality import Finding
from flowsift.signal.layout import lay_out
from flowsift.signal.overlap import Familiar
from flowsift.signal.resolution import limits
from flowsift.signal.segmentation import Segmentation, explain
from flowsift.surroundings import describe_surroundings
from flowsift.trace import Trace
from flowsift.units import SECONDS_PER_DAY

PLAIN = 1.5
"""Log ratio over its surroundings from which a mode is something the home is known for."""

SMALLEST_FAMILIAR_L = 1.5
"""Smaller repeated uses don't tell overlapping ones apart: any tap can take as much [L]."""


def disaggregate(
    trace: Trace,
    *,
    household: HomeFacts | None = None,
    labels: pd.DataFrame | None = None,
    random_state: int = 0,
) -> Disaggregation:
    """Tell what each fixture used.

    Parameters
    ----------
    trace : Trace
    household : HomeFacts, optional
        What is known of the home.
    labels : DataFrame, optional
        A few uses of this home: columns ``time``, ``label`` and, where known, ``fixture``.
    random_state : int
        Seed of the choices between equal steps; the same seed gives the same answer.

    Returns
    -------
    Disaggregation
        Events, trickle and what is left add up to the metered volume.

    Raises
    ------
    InputError
        If `labels` lacks a column, or holds an unknown label or a time that can't be read (names row and column).
    """
    facts = HomeFacts() if household is None else household
    layout = lay_out(trace, random_state=random_state)
    # Thrice: what repeats in the home tells overlapping uses apart and which pieces belong together, and whole uses tell
    # more of the home.
    pieces = explain(layout, _familiar(trace, explain(layout)))
    features, model = _view(trace, pieces, facts)
    uses = pieces.joined(join_uses(features, model, interval_s=trace.interval_s))
    features, model = _view(trace, uses, facts)
    walk = None if labels is None else match_walk(labels, trace, features)
    if walk is not None:
        model = replace(model, probability=heeded(model.probability, walk, features))
    answer = label_uses(features, model)
    fixture = answer.fixture if walk is None else walked_names(answer.fixture, answer.label, walk, features)
    return assemble(
        trace,
        start_cell=uses.start,
        end_cell=uses.end,
        label=np.array(LABELS, dtype=object)[answer.label],
        probability=answer.probability,
        fixture=np.array(fixture, dtype=object),
        cycle=answer.cycle,
        shares=uses.shares,
        trickle=uses.trickle,
        trickle_l=uses.trickle_l,
        findings=(*limits(trace), *_unmatched(walk)),
    )


def _unmatched(walk: Walk | None) -> tuple[Finding, ...]:
    if walk is None or walk.n_unmatched == 0:
        return ()
    return (
        Finding(
            kind="fault",
            what="labels without a use",
            count=walk.n_unmatched,
            treatment="no flow was metered near their times; they were left out",
        ),
    )


def evidence_of_uses(trace: Trace) -> Iterator[tuple[Segmentation, FloatArray]]:
    """Yield a trace's pieces, then its whole uses, each with the evidence on them: what the network is trained on."""
    layout = lay_out(trace)
    pieces = explain(layout, _familiar(trace, explain(layout)))
    features, model, evidence = _evidence(trace, pieces)
    yield pieces, evidence
    uses = pieces.joined(join_uses(features, model, interval_s=trace.interval_s))
    yield uses, _evidence(trace, uses)[2]


def _familiar(trace: Trace, pieces: Segmentation) -> Familiar:
    """Return what the home is known for: the modes among uses that ran alone."""
    features = describe_uses(trace, pieces)
    alone = ~overlapping(pieces.start, pieces.end)
    plane = Plane.of(pulse_l=trace.pulse_l, interval_s=trace.interval_s)
    points = plane.points(features.volume_l[alone], features.flow_lpm[alone])
    modes = find_modes(points)
    known = modes.center[modes.purity > PLAIN]
    volume, flow = plane.figures(known)
    big = volume > SMALLEST_FAMILIAR_L
    return Familiar(volume_l=tuple(volume[big].tolist()), flow_lpm=tuple(flow[big].tolist()))


def _view(trace: Trace, uses: Segmentation, facts: HomeFacts) -> tuple[UseFeatures, HomeModel]:
    """Describe the uses and work out what each is."""
    features, model, evidence = _evidence(trace, uses)
    probability = trained_network().probability(evidence, model.probability)
    return features, replace(model, probability=facts.applied(probability))


def _evidence(trace: Trace, uses: Segmentation) -> tuple[UseFeatures, HomeModel, FloatArray]:
    days = (trace.duration_s - trace.gap_s) / SECONDS_PER_DAY
    features = describe_uses(trace, uses)
    around = describe_surroundings(features, days=days)
    meter = {"pulse_l": trace.pulse_l, "interval_s": trace.interval_s, "days": days}
    model = fit_home(features, around, **meter)
    return features, model, evidence_matrix(features, around, model, **meter)
