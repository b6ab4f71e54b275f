"""The whole way from a trace to the answer."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TypedDict

import numpy as np
import pandas as pd

from flowsift.arrays import BoolArray, FloatArray
from flowsift.classify.facts import HomeFacts
from flowsift.classify.joining import join_uses
from flowsift.classify.judgement import judge, weigh_evidence
from flowsift.classify.label import label_uses
from flowsift.classify.mixture import HomeModel
from flowsift.classify.recognition import KnownUses, recognised
from flowsift.classify.walk import Walk, heeded, match_walk
from flowsift.classify.written_names import walked_names
from flowsift.disaggregation import Disaggregation, assemble, overlapping
from flowsift.errors import OptionError
from flowsift.explanation import Reasons
from flowsift.features import UseFeatures, describe_uses, features_of_cuts
from flowsift.labels import LABELS
from flowsift.quality import Finding
from flowsift.signal.familiar import Familiar
from flowsift.signal.layout import Layout, lay_out
from flowsift.signal.resolution import limits
from flowsift.signal.segmentation import Segmentation, explain
from flowsift.trace import Trace
from flowsift.units import NS_PER_S, SECONDS_PER_DAY, SECONDS_PER_MINUTE


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
        A few uses of this home: columns ``time`` (local where it names no offset), ``label`` and, where known,
        ``fixture``.
    random_state : int
        Seed of the choices between equal steps, >= 0; the same seed gives the same answer.

    Returns
    -------
    Disaggregation
        Events, trickle and what is left add up to the metered volume.

    Raises
    ------
    InputError
        If `labels` lacks a column, or holds an unknown label or a time that can't be read (names row and column), or
        if intervals are so much shorter than a pulse takes that memory has no room for those between pulses.
    OptionError
        If a parameter is of another kind, such as the name of a file, or `random_state` is below 0.

    Examples
    --------
    >>> import flowsift as fs
    >>> result = fs.disaggregate(fs.households.read_shipped("demo").trace)
    >>> int((result.events["label"] == "flush").sum()) > 100
    True
    >>> 0.9 < result.balance.events_l / (result.balance.metered_l - result.balance.trickle_l) <= 1.0
    True
    """
    for name, given, kind, expected in (
        ("trace", trace, Trace, "a Trace, such as read_trace(file) gives"),
        ("household", household, HomeFacts | None, "HomeFacts(...)"),
        ("labels", labels, pd.DataFrame | None, "a DataFrame with the columns time and label"),
        ("random_state", random_state, int | np.integer, "a whole number"),
    ):
        if not isinstance(given, kind):
            raise OptionError(f"{name} is a {type(given).__name__}, expected {expected}")
    if random_state < 0:
        raise OptionError(f"random_state is {random_state}, expected 0 or more")
    return name_uses(trace, cut_uses(trace, random_state=random_state).uses, household=household, labels=labels)


def name_uses(
    trace: Trace, uses: Segmentation, *, household: HomeFacts | None = None, labels: pd.DataFrame | None = None
) -> Disaggregation:
    """Tell what the uses that a trace was cut into are; see `disaggregate`."""
    features = describe_uses(trace, uses)
    model = judge(features, facts=household, **meter_of(trace))
    walk = None if labels is None else match_walk(labels, trace, features, model.probability)
    if walk is not None:
        model = replace(model, probability=heeded(model.probability, walk, features))
    answer = label_uses(features, model)
    fixture = answer.fixture
    if household is not None and household.earlier is not None:
        mean_lpm = SECONDS_PER_MINUTE * features.volume_l / features.duration_s
        known = KnownUses.of(household.earlier)
        fixture = recognised(fixture, answer.label, features.volume_l, mean_lpm, known=known)
    if walk is not None:
        fixture = walked_names(fixture, answer.label, walk, features)
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
    return [LABELS[k] for k in label_uses(features, judge(features, **meter_of(trace))).label]


def evidence_of_uses(trace: Trace) -> Iterator[tuple[Segmentation, FloatArray]]:
    """Yield a trace's pieces, then its whole uses, each with the evidence on them: what the network is trained on.

    Pieces are joined by the home model alone, so that training needs no earlier network.
    """
    pieces = cut_pieces(trace)[1]
    features = describe_uses(trace, pieces)
    model, evidence = weigh_evidence(features, **meter_of(trace))
    yield pieces, evidence
    uses = pieces.joined(join_uses(features, model, interval_s=trace.interval_s))
    yield uses, weigh_evidence(describe_uses(trace, uses), **meter_of(trace))[1]


@dataclass(frozen=True, kw_only=True, eq=False)
class Cut:
    """A trace cut into uses.

    Attributes
    ----------
    familiar : Familiar
        What the home is known for.
    pieces : Segmentation
        Stretches of flow of one use, some uses in several pieces.
    piece_features : UseFeatures
    piece_model : HomeModel
        Both of the pieces.
    uses : Segmentation
        Whole uses.
    """

    familiar: Familiar
    pieces: Segmentation
    piece_features: UseFeatures
    piece_model: HomeModel
    uses: Segmentation


def cut_uses(trace: Trace, *, random_state: int = 0) -> Cut:
    """Cut a trace into pieces and join those that are one use."""
    familiar, pieces = cut_pieces(trace, random_state=random_state)
    features = describe_uses(trace, pieces)
    model = judge(features, **meter_of(trace))
    return Cut(
        familiar=familiar,
        pieces=pieces,
        piece_features=features,
        piece_model=model,
        uses=pieces.joined(join_uses(features, model, interval_s=trace.interval_s)),
    )


def cut_pieces(trace: Trace, *, random_state: int = 0) -> tuple[Familiar, Segmentation]:
    """Cut a trace into pieces, the second time knowing what repeats in the home among uses that ran alone."""
    layout = lay_out(trace, random_state=random_state)
    familiar = _learn(layout)
    return familiar, explain(layout, familiar)


def _learn(layout: Layout) -> Familiar:
    """Learn what repeats in a home from the uses that ran alone."""
    first = explain(layout)
    known = describe_uses(layout.trace, first).at(np.flatnonzero(~overlapping(first.start, first.end)))
    return Familiar.learned(known.volume_l, SECONDS_PER_MINUTE * known.volume_l / known.duration_s)


class Meter(TypedDict):
    """What blurs a home's uses: the meter's pulse [L], the length of a cell [s], the length of the record [d]."""

    pulse_l: float
    interval_s: float
    days: float


def meter_of(trace: Trace) -> Meter:
    """Return what blurs the uses of a trace."""
    days = (trace.duration_s - trace.gap_s) / SECONDS_PER_DAY
    return {"pulse_l": trace.pulse_l, "interval_s": trace.interval_s, "days": days}
