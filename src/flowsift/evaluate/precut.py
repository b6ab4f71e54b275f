"""Labels alone: a method that is given the true cuts."""

from __future__ import annotations

import numpy as np
import pandas as pd

from flowsift.errors import InputError
from flowsift.evaluate.account import Account, label_codes
from flowsift.evaluate.definition import Definition
from flowsift.evaluate.method import LabelsEvents
from flowsift.evaluate.totals import Counts, Figures, Totals, by_name, f1, mean_defined, ratio
from flowsift.grouping import sum_by
from flowsift.labels import LABELS
from flowsift.trace import IntArray
from flowsift.units import SECONDS_PER_MINUTE

DEFINITIONS = (
    Definition(
        name="precut.f1",
        title="F1 on true cuts",
        better="higher",
        meaning="F1 of the labels that a method gives to true events whose cuts and metered volumes it is handed; "
        "events too small to count are left out. Not defined for a method without label_events.",
        source="as the F1 of pre-cut events in Gross et al. 2024, 10.1016/j.envsoft.2024.106247; "
        "sklearn.metrics.f1_score",
    ),
    Definition(
        name="precut.macro_f1",
        title="macro F1 on true cuts",
        better="higher",
        meaning="Mean of that F1 over the labels that occur in the truth.",
        source='sklearn.metrics.f1_score(average="macro", labels=labels in the truth)',
    ),
    Definition(
        name="precut.accuracy",
        title="accuracy on true cuts",
        better="higher",
        meaning="Share of true events that get the right label when their cuts are given.",
        source="sklearn.metrics.accuracy_score",
    ),
)


def count_labels(method: LabelsEvents, truth: Account, *, smallest_event_l: float) -> Counts:
    """Ask a method for the labels of true events and count how they agree.

    Raises
    ------
    InputError
        If the method doesn't return one label an event, or returns an unknown one.
    """
    rows = _counting(truth, smallest_event_l)
    labels = list(method.label_events(truth.trace, uses_table(truth).iloc[rows].reset_index(drop=True)))
    if len(labels) != rows.size:
        raise InputError(f"label_events returned {len(labels)} labels for {rows.size} events")
    codes = label_codes(labels)
    true, n = truth.label[rows], len(LABELS)
    return {
        **count_unlabelled(truth, smallest_event_l=smallest_event_l),
        **by_name("precut.answered", LABELS, np.bincount(codes, minlength=n)),
        **by_name("precut.found", LABELS, np.bincount(true[codes == true], minlength=n)),
    }


def count_unlabelled(truth: Account, *, smallest_event_l: float) -> Counts:
    """Count the true events that a method that fails was asked for: none gets a label."""
    true = truth.label[_counting(truth, smallest_event_l)]
    return by_name("precut.true", LABELS, np.bincount(true, minlength=len(LABELS)))


def _counting(truth: Account, smallest_event_l: float) -> IntArray:
    return np.flatnonzero(truth.volume_l >= smallest_event_l * (1.0 - 1e-9))


def uses_table(truth: Account) -> pd.DataFrame:
    """Return the cuts that a method is handed: times, metered volume and flow of each true event, no label."""
    trace = truth.trace
    peak = np.zeros(truth.n_events)
    np.maximum.at(peak, truth.shares.event, truth.shares.volume_l)
    duration_s = (truth.end - truth.start) * trace.interval_s
    volume_l = sum_by(truth.shares.event, truth.shares.volume_l, truth.n_events)
    return pd.DataFrame(
        {
            "start": trace.time_of(truth.start),
            "end": trace.time_of(truth.end),
            "duration_s": duration_s,
            "volume_l": volume_l,
            "mean_lpm": volume_l / duration_s * SECONDS_PER_MINUTE,
            "peak_lpm": peak / trace.interval_s * SECONDS_PER_MINUTE,
        }
    )


def figures(totals: Totals) -> Figures:
    """Return F1 on true cuts; NaN for a method that can't be asked."""
    true, answered, found = (totals.over(f"precut.{part}", LABELS) for part in ("true", "answered", "found"))
    by_label = f1(found, answered, true)
    result = {
        "precut.macro_f1": mean_defined(by_label, where=true > 0),
        "precut.accuracy": ratio(found.sum(axis=1), true.sum(axis=1)),
    }
    return result | {f"precut.f1[{label}]": by_label[:, i] for i, label in enumerate(LABELS)}
