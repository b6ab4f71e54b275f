"""Loads of washers, irrigation runs and regenerations: groups of events that belong to one cycle."""

from __future__ import annotations

import numpy as np

from flowsift.evaluate.account import Account
from flowsift.evaluate.comparison import STRICT_AGREEMENT, Comparison
from flowsift.evaluate.definition import Definition
from flowsift.evaluate.matching import assign, overlapping_ranges
from flowsift.evaluate.totals import Counts, Figures, Totals, by_name, f1, mean_defined
from flowsift.labels import LABELS
from flowsift.trace import IntArray

DEFINITIONS = (
    Definition(
        name="loads.f1",
        title="load F1",
        better="higher",
        meaning="F1 of cycles of a label, from the first event's start to the last one's end, matched one to one; a "
        f"pair needs an intersection over union in time of {STRICT_AGREEMENT:g}. Without brackets: mean over labels "
        "with cycles in the truth. Cycles whose events are all too small to count are left out.",
    ),
)


def count(comparison: Comparison) -> Counts:
    """Count true, answered and found cycles by label."""
    limit = comparison.smallest_event_l * (1.0 - 1e-9)
    true_label, true_start, true_end = _cycles(comparison.truth, limit)
    label, start, end = _cycles(comparison.answer, limit)
    t, a = overlapping_ranges(true_start, true_end, start, end)
    both = np.minimum(true_end[t], end[a]) - np.maximum(true_start[t], start[a])
    iou = both / (np.maximum(true_end[t], end[a]) - np.minimum(true_start[t], start[a]))
    fit = np.flatnonzero((true_label[t] == label[a]) & (iou >= STRICT_AGREEMENT))
    found = true_label[t[fit[assign(t[fit], a[fit], iou[fit])]]]
    n = len(LABELS)
    return {
        **by_name("loads.true", LABELS, np.bincount(true_label, minlength=n)),
        **by_name("loads.answered", LABELS, np.bincount(label, minlength=n)),
        **by_name("loads.found", LABELS, np.bincount(found, minlength=n)),
    }


def figures(totals: Totals) -> Figures:
    """Return F1 of cycles by label and its mean; NaN where there are neither true nor answered cycles."""
    true, answered, found = (totals.over(f"loads.{part}", LABELS) for part in ("true", "answered", "found"))
    by_label = f1(found, answered, true)
    result = {"loads.f1": mean_defined(by_label, where=true > 0)}
    result |= {f"loads.f1[{label}]": by_label[:, i] for i, label in enumerate(LABELS)}
    return result


def _cycles(account: Account, limit_l: float) -> tuple[IntArray, IntArray, IntArray]:
    """Return label, start and end of each cycle, sorted by start."""
    member = np.flatnonzero((account.cycle >= 0) & (account.volume_l >= limit_l))
    if member.size == 0:
        nothing = np.empty(0, np.int64)
        return nothing, nothing, nothing
    keys, row = np.unique(np.column_stack([account.label[member], account.cycle[member]]), axis=0, return_inverse=True)
    start, end = np.full(len(keys), np.iinfo(np.int64).max), np.full(len(keys), np.iinfo(np.int64).min)
    np.minimum.at(start, row, account.start[member])
    np.maximum.at(end, row, account.end[member])
    order = np.argsort(start, kind="stable")
    return keys[order, 0].astype(np.int64), start[order], end[order]
