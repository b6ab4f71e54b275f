"""The whole way from a trace to the answer."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TypedDict

import numpy as np
import pandas as pd

from flowsift.arrays import BoolArray, FloatArray
from flowsift.classify.facts import HomeFacts
from flowsift.classify.joining import join_uses
from flowsift.classify.judgement import familiar_uses, judge, weigh_evidence
from flowsift.classify.label import label_uses
from flowsift.classify.walk import Walk, heeded, match_walk, walked_names
from flowsift.disaggregation import Disaggregation, assemble, overlapping
from flowsift.explanation import Reasons
from flowsift.features import describe_uses, features_of_cuts
from flowsift.labels import LABELS
from flowsift.quality import Finding
from flowsift.signal.layout import lay_out
from flowsift.signal.resolution import limits
from flowsift.signal.segmentation import Segmentation, explain
from flowsift.trace import Trace
from flowsift.units import NS_PER_S, SECONDS_PER_DAY


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
    pieces = _pieces(trace, random_state=random_state)
    uses = _whole_uses(trace, pieces)
    features = describe_uses(trace, uses)
    model = judge(features, facts=household, **_meter(trace))
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
        reasons=Reasons(label_probability=answer.by_label, told=_told(walk, features.n_uses)),
    )


def _told(walk: Walk | None, n_uses: int) -> BoolArray:
    told = np.zeros(n_uses, dtype=np.bool_)
    if walk is not None:
        told[walk.use] = True
    return told


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


def label_cuts(trace: Trace, uses: pd.DataFrame) -> list[str]:
    """Label uses whose cuts are given, by their times, volumes and mean flows alone.

    Parameters
    ----------
    trace : Trace
        The trace they come from.
    uses : DataFrame
        Sorted by start: columns start, end (tz-aware), volume_l, mean_lpm.

    Returns
    -------
    list of str
        One label a use.
    """
    start_s, end_s = (
        (pd.DatetimeIndex(uses[name]).tz_convert("UTC").as_unit("ns").asi8 - trace.start_ns) / NS_PER_S
        for name in ("start", "end")
    )
    features = features_of_cuts(
        np.asarray(start_s),
        np.asarray(end_s - start_s),
        uses["volume_l"].to_numpy(dtype=np.float64),
        uses["mean_lpm"].to_numpy(dtype=np.float64),
    )
    return [LABELS[k] for k in label_uses(features, judge(features, **_meter(trace))).label]


def evidence_of_uses(trace: Trace) -> Iterator[tuple[Segmentation, FloatArray]]:
    """Yield a trace's pieces, then its whole uses, each with the evidence on them: what the network is trained on."""
    pieces = _pieces(trace, random_state=0)
    for uses in (pieces, _whole_uses(trace, pieces)):
        yield uses, weigh_evidence(describe_uses(trace, uses), **_meter(trace))[1]


def _pieces(trace: Trace, *, random_state: int) -> Segmentation:
    """Cut a trace into pieces, the second time knowing what repeats in the home among uses that ran alone."""
    layout = lay_out(trace, random_state=random_state)
    first = explain(layout)
    alone = ~overlapping(first.start, first.end)
    features = describe_uses(trace, first)
    return explain(layout, familiar_uses(features, alone, pulse_l=trace.pulse_l, interval_s=trace.interval_s))


def _whole_uses(trace: Trace, pieces: Segmentation) -> Segmentation:
    """Join the pieces that belong to one use."""
    features = describe_uses(trace, pieces)
    return pieces.joined(join_uses(features, judge(features, **_meter(trace)), interval_s=trace.interval_s))


class _Meter(TypedDict):
    """What blurs a home's uses."""

    pulse_l: float
    interval_s: float
    days: float


def _meter(trace: Trace) -> _Meter:
    days = (trace.duration_s - trace.gap_s) / SECONDS_PER_DAY
    return {"pulse_l": trace.pulse_l, "interval_s": trace.interval_s, "days": days}
