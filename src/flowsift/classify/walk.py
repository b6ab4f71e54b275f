"""A few labels from the home itself, as someone writes down who walks through the house and runs each fixture once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import softmax

from flowsift.arrays import FloatArray, IntArray
from flowsift.classify.heeding import LEAST, posterior
from flowsift.classify.prior import published_prior
from flowsift.errors import InputError
from flowsift.features import UseFeatures
from flowsift.labels import FIXTURE_STEM, LABELS, label_words
from flowsift.trace import Trace
from flowsift.units import NS_PER_S

CLOCK_ERROR_S = 120.0
"""A written time may be off by this much [s] (assumption: a kitchen clock)."""

CLOCK_SPREAD_S = 30.0
"""Standard deviation of a written time [s] (assumption: to the minute, by a watch)."""

OPEN_MIND = 0.2
"""Weight of the published ranges alone in what a use may be that was written down: labels are for what was misjudged
(assumption)."""

NOTED_L = 2.0
"""Smaller uses are less and less likely to be the one that was written down [L] (assumption)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Walk:
    """Labelled uses.

    Attributes
    ----------
    use : ndarray of int64, shape (n_labels_given,)
        The use that each label is for.
    label : ndarray of int64, shape (n_labels_given,)
        Index into `LABELS`.
    fixture : tuple of str, length n_labels_given
        Its fixture's name; empty where none was given.
    n_unmatched : int
        Labels at whose time no use was found.
    """

    use: IntArray
    label: IntArray
    fixture: tuple[str, ...]
    n_unmatched: int


def match_walk(labels: pd.DataFrame, trace: Trace, features: UseFeatures, probability: FloatArray) -> Walk:
    """Find the use that each written label is for.

    Parameters
    ----------
    labels : DataFrame
        Columns ``time`` (with its offset, or the local time of the trace) and ``label``, optionally ``fixture``.
    trace : Trace
    features : UseFeatures
        Of the trace's uses.
    probability : ndarray, shape (n_uses, n_labels)
        What they were thought to be before.

    Returns
    -------
    Walk
        A label goes to the use within two minutes of its time that most probably is it: near in time, likely of that
        label, and not too small to be noticed.

    Raises
    ------
    InputError
        If a column is missing, a label unknown or a time unreadable (names the row, 0 = first, and the column).
    """
    times, codes = checked_labels(labels, timezone=trace.timezone)
    at_s = (times.as_unit("ns").asi8 - trace.start_ns) / NS_PER_S
    end_s = features.start_s + features.duration_s
    use = np.full(at_s.size, -1, dtype=np.int64)
    noted = np.minimum(np.log(features.volume_l / NOTED_L), 0.0)
    published = softmax(published_prior().log_density(np.log(features.volume_l), np.log(features.flow_lpm)), axis=1)
    likely = np.log((1 - OPEN_MIND) * probability + OPEN_MIND * published + LEAST)
    for k, t in enumerate(at_s):
        near = np.flatnonzero((features.start_s <= t + CLOCK_ERROR_S) & (end_s >= t - CLOCK_ERROR_S))
        if near.size:
            away_s = np.maximum(np.maximum(features.start_s[near] - t, t - end_s[near]), 0.0)
            chance = likely[near, codes[k]] + noted[near] - 0.5 * (away_s / CLOCK_SPREAD_S) ** 2
            use[k] = near[chance.argmax()]
    found = use >= 0
    names = labels["fixture"].fillna("").astype(str).tolist() if "fixture" in labels else [""] * at_s.size
    return Walk(
        use=use[found],
        label=codes[found],
        fixture=tuple(name for name, ok in zip(names, found, strict=True) if ok),
        n_unmatched=int((~found).sum()),
    )


def checked_labels(labels: pd.DataFrame, *, timezone: str) -> tuple[pd.DatetimeIndex, IntArray]:
    """Return the times (UTC) and the labels (index into `LABELS`) of a table of labels.

    Parameters
    ----------
    labels : DataFrame
        Labels as in `LABELS`, in plain words or as the fixture's kind: ``flush``, ``toilet flush``, ``toilet``.
    timezone : str
        Zone of times that name none.

    Raises
    ------
    InputError
        If a column is missing, a label unknown or a time unreadable (names the row, 0 = first, and the column).
    """
    for column in ("time", "label"):
        if column not in labels:
            raise InputError(f"no such column; found {', '.join(map(str, labels.columns))}", column=column)
    codes = []
    for row, name in enumerate(labels["label"].tolist()):
        code = _CODE_OF.get(str(name).strip().lower())
        if code is None:
            raise InputError(f"found {name!r}, expected one of {', '.join(LABELS)}", row=row, column="label")
        codes.append(code)
    times = [_instant(time, row, timezone) for row, time in enumerate(labels["time"].tolist())]
    return pd.DatetimeIndex(times, tz="UTC"), np.array(codes, dtype=np.int64)


def _instant(time: object, row: int, timezone: str) -> pd.Timestamp:
    """Return a written time as an instant; a time that a change of the clock skips or doubles is the later one."""
    read = pd.to_datetime(pd.Series([time]), errors="coerce", format="ISO8601").iloc[0]
    if pd.isna(read):
        raise InputError(f"found {time!r}, expected a time (ISO 8601)", row=row, column="time")
    if read.tz is None:
        read = read.tz_localize(timezone, ambiguous=False, nonexistent="shift_forward")
    return read.tz_convert("UTC")


_CODE_OF = {
    name.lower(): code
    for code, label in reversed(tuple(enumerate(LABELS)))  # a plain ``toilet`` is a flush, not a leak
    for name in (FIXTURE_STEM[label], label_words(label), label)
}
"""Index into `LABELS` by what people may call a label."""


def heeded(probability: FloatArray, walk: Walk, features: UseFeatures) -> FloatArray:
    """Let each label speak for the uses that are like its own.

    Parameters
    ----------
    probability : ndarray, shape (n_uses, n_labels)
    walk : Walk
    features : UseFeatures

    Returns
    -------
    ndarray, shape (n_uses, n_labels)
        Rows add up to 1; a labelled use has its label for certain.
    """
    heard = posterior(probability, features, use=walk.use, label=walk.label)
    heard[walk.use] = 0.0
    heard[walk.use, walk.label] = 1.0
    return heard
