"""The constant flow under everything: found or not, at what rate, from when to when."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from flowsift.evaluate.account import Account
from flowsift.evaluate.comparison import Comparison
from flowsift.evaluate.definition import Definition
from flowsift.evaluate.matching import overlapping_ranges
from flowsift.evaluate.totals import Counts, Figures, Totals, ratio
from flowsift.trace import FloatArray, IntArray
from flowsift.units import SECONDS_PER_DAY

RATE_EDGES_LPM = (0.0, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, np.inf)
"""Edges of the classes of rate [L/min] in which trickles are counted."""

RATE_CLASSES = tuple(f"{low:g} to {high:g}" for low, high in pairwise(RATE_EDGES_LPM))
"""Names of the classes of rate, in L/min."""

RATE_FACTOR = 2.0
"""A trickle is found if its mean answered rate is within this factor of the true one. Assumption."""

TRUE_ALARM_SHARE = 0.1
"""An answered span is a false alarm if less than this share of its time has a true trickle. Assumption."""

JOIN_ALARMS_S = 86_400.0
"""Answered spans no further apart than this are one alarm [s]: what a reader would be told once. Assumption."""

DEFINITIONS = (
    Definition(
        name="trickle.found",
        title="trickles found",
        better="higher",
        meaning="Share of true trickles (adjoining spans are one) whose mean answered rate over their time is "
        f"within a factor of {RATE_FACTOR:g} of the true mean; in brackets by true rate, L/min.",
    ),
    Definition(
        name="trickle.smallest_lpm",
        title="smallest trickle found",
        better="lower",
        unit="L/min",
        meaning="Low edge of the smallest class of rate from which on at least half of the trickles of every class "
        "that has any are found; 0.001 stands for everything below. Not defined if even the largest aren't found.",
    ),
    Definition(
        name="trickle.rate_error",
        title="trickle rate error",
        better="lower",
        meaning="Mean over true trickles of |answered - true| mean rate over the true one; a missed trickle counts 1.",
    ),
    Definition(
        name="trickle.onset_error_s",
        title="trickle onset error",
        better="lower",
        unit="s",
        meaning="Mean over found trickles of |answered - true| onset; the answered onset is that of the first span "
        "that touches the trickle. Trickles that run since before the trace began are left out.",
    ),
    Definition(
        name="trickle.end_error_s",
        title="trickle end error",
        better="lower",
        unit="s",
        meaning="The same of the end, without trickles that outlast the trace.",
    ),
    Definition(
        name="trickle.false_alarms_per_year",
        title="false trickle alarms a year",
        better="lower",
        unit="1/a",
        meaning=f"Answered spans, joined over pauses of a day, less than {TRUE_ALARM_SHARE:.0%} of whose time has a "
        "true trickle, per home and year of 365 days.",
    ),
)


def count(comparison: Comparison) -> Counts:
    """Count true trickles by rate, and sum the errors of those found."""
    truth, answer = comparison.truth, comparison.answer
    trace = truth.trace
    start, end = _joined(truth.trickle_start, truth.trickle_end, reach=0)
    true_lpm, answered_lpm = _mean_rate_lpm(truth, start, end), _mean_rate_lpm(answer, start, end)
    found = (answered_lpm >= true_lpm / RATE_FACTOR) & (answered_lpm <= true_lpm * RATE_FACTOR)
    onset, finish = _extent(answer, start, end)
    begins, ends = found & (start > 0), found & (end < trace.n_cells)
    classes = np.digitize(true_lpm, RATE_EDGES_LPM[1:-1])
    counts: Counts = {
        "trickle.rate_off": float(np.minimum(np.abs(answered_lpm / true_lpm - 1.0), np.inf).sum()),
        "trickle.onsets": float(begins.sum()),
        "trickle.onset_off_s": float(np.abs(onset - start)[begins].sum()) * trace.interval_s,
        "trickle.ends": float(ends.sum()),
        "trickle.end_off_s": float(np.abs(finish - end)[ends].sum()) * trace.interval_s,
        "trickle.alarms_false": _false_alarms(truth, answer),
        "trickle.days": trace.duration_s / SECONDS_PER_DAY,
    }
    for i, name in enumerate(RATE_CLASSES):
        counts[f"trickle.true[{name}]"] = float((classes == i).sum())
        counts[f"trickle.found[{name}]"] = float((found & (classes == i)).sum())
    return counts


def figures(totals: Totals) -> Figures:
    """Return the share found by rate, the smallest rate found and the errors; NaN where there is no true trickle."""
    true, found = totals.over("trickle.true", RATE_CLASSES), totals.over("trickle.found", RATE_CLASSES)
    by_class = ratio(found, true)
    all_true = true.sum(axis=1)
    result = {
        "trickle.found": ratio(found.sum(axis=1), all_true),
        "trickle.smallest_lpm": _smallest_lpm(by_class),
        "trickle.rate_error": ratio(totals["trickle.rate_off"], all_true),
        "trickle.onset_error_s": ratio(totals["trickle.onset_off_s"], totals["trickle.onsets"]),
        "trickle.end_error_s": ratio(totals["trickle.end_off_s"], totals["trickle.ends"]),
        "trickle.false_alarms_per_year": ratio(totals["trickle.alarms_false"], totals["trickle.days"] / 365.0),
    }
    for i, name in enumerate(RATE_CLASSES):
        result[f"trickle.found[{name}]"] = by_class[:, i]
    return result


def _smallest_lpm(by_class: FloatArray) -> FloatArray:
    """Walk down from the largest rate while at least half are found."""
    smallest = np.full(by_class.shape[0], np.nan)
    alive = np.ones(by_class.shape[0], bool)
    for i in range(by_class.shape[1] - 1, -1, -1):
        known = ~np.isnan(by_class[:, i])
        alive &= ~known | (np.nan_to_num(by_class[:, i]) >= 0.5)
        smallest[alive & known] = max(RATE_EDGES_LPM[i], RATE_EDGES_LPM[1])
    return smallest


def _joined(start: IntArray, end: IntArray, *, reach: float) -> tuple[IntArray, IntArray]:
    """Join spans (sorted by start) that are at most `reach` cells apart."""
    if start.size == 0:
        return start, end
    furthest = np.maximum.accumulate(end)
    opens = np.concatenate([[True], start[1:] > furthest[:-1] + reach])
    first = np.flatnonzero(opens)
    return start[first], furthest[np.append(first[1:], start.size) - 1]


def _mean_rate_lpm(account: Account, start: IntArray, end: IntArray) -> FloatArray:
    """Return the account's mean trickle rate over each range of cells [L/min]; no span is no flow."""
    row, span = overlapping_ranges(start, end, account.trickle_start, account.trickle_end)
    cells = np.minimum(end[row], account.trickle_end[span]) - np.maximum(start[row], account.trickle_start[span])
    total = np.bincount(row, cells * account.trickle_lpm[span], minlength=start.size)
    return np.asarray(total / (end - start), np.float64)


def _extent(answer: Account, start: IntArray, end: IntArray) -> tuple[IntArray, IntArray]:
    """Return the first and last cell of the answered spans that touch each range (the range itself if none does)."""
    row, span = overlapping_ranges(start, end, answer.trickle_start, answer.trickle_end)
    first, last = np.full(start.size, np.iinfo(np.int64).max), np.full(start.size, np.iinfo(np.int64).min)
    np.minimum.at(first, row, answer.trickle_start[span])
    np.maximum.at(last, row, answer.trickle_end[span])
    touched = np.isin(np.arange(start.size), row)
    return np.where(touched, first, start), np.where(touched, last, end)


def _false_alarms(truth: Account, answer: Account) -> float:
    trace = truth.trace
    row, span = overlapping_ranges(answer.trickle_start, answer.trickle_end, truth.trickle_start, truth.trickle_end)
    both = np.minimum(answer.trickle_end[row], truth.trickle_end[span]) - np.maximum(
        answer.trickle_start[row], truth.trickle_start[span]
    )
    length = answer.trickle_end - answer.trickle_start
    share = np.bincount(row, both, minlength=length.size) / np.maximum(length, 1)
    false = share < TRUE_ALARM_SHARE
    start, _ = _joined(answer.trickle_start[false], answer.trickle_end[false], reach=JOIN_ALARMS_S / trace.interval_s)
    return float(start.size)
