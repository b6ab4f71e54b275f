"""Where events begin and end, whatever their label."""

from __future__ import annotations

import numpy as np

from flowsift.evaluate.comparison import STRICT_AGREEMENT, Comparison, Match
from flowsift.evaluate.definition import Definition
from flowsift.evaluate.totals import Counts, Figures, Totals, f1, ratio
from flowsift.trace import BoolArray

START_TOLERANCE_S = 5.0
"""Tolerance of a start [s]; one interval of the trace where that is longer. Assumption."""

END_TOLERANCE_SHARE = 0.2
"""Tolerance of an end as a share of the true duration, where it exceeds that of the start."""

RULES = {
    "time": f"intersection over union in time of {STRICT_AGREEMENT:g} or more",
    "edges": f"start within {START_TOLERANCE_S:g} s (or one interval), end within that or "
    f"{END_TOLERANCE_SHARE:.0%} of the true duration",
    "volume": f"intersection over union in volume of {STRICT_AGREEMENT:g} or more",
}
"""The rules under which a pair of events has the same boundaries; each has its own optimal matching."""

PARTS = ("all", "isolated", "overlapping")
"""All events; those that share no cell with another true event; those that do. An answered event that matches none is
overlapping if it touches an overlapping true event."""

DEFINITIONS = (
    Definition(
        name="boundaries.f1",
        title="boundary F1",
        better="higher",
        meaning="F1 of events whatever their label; a pair needs, by rule and part, "
        + "; ".join(f"{name}: {rule}" for name, rule in RULES.items())
        + ".",
        source="event-based F1 of sound event detection, Mesaros, Heittola & Virtanen 2016, Metrics for polyphonic "
        "sound event detection, Applied Sciences 6(6):162 (edges: start and end collars); from memory",
    ),
    Definition(
        name="boundaries.start_error_s",
        title="start error",
        better="lower",
        unit="s",
        meaning="Mean |answered - true| start over matched events (agreement 0.1). True times are rounded "
        "outward to cells.",
    ),
    Definition(
        name="boundaries.end_error_s",
        title="end error",
        better="lower",
        unit="s",
        meaning="Mean |answered - true| end over matched events.",
    ),
    Definition(
        name="boundaries.close",
        title="both edges close",
        better="higher",
        meaning="Share of matched events that meet the rule of edges.",
    ),
)


def count(comparison: Comparison) -> Counts:
    """Count events with the same boundaries under each rule, and sum the errors of start and end."""
    counts: Counts = {}
    pairs = comparison.pairs
    rules = {
        "time": pairs.time_iou >= STRICT_AGREEMENT,
        "edges": _edges_close(comparison, pairs.truth, pairs.answer),
        "volume": pairs.volume_iou >= STRICT_AGREEMENT,
    }
    answer_overlaps = _touches_overlap(comparison)
    for rule, eligible in rules.items():
        counts |= _found(comparison, comparison.match(eligible), rule, answer_overlaps)
    t, a = comparison.loose.truth, comparison.loose.answer
    interval_s = comparison.truth.trace.interval_s
    start_off = np.abs(comparison.answer.start[a] - comparison.truth.start[t]) * interval_s
    end_off = np.abs(comparison.answer.end[a] - comparison.truth.end[t]) * interval_s
    close = _edges_close(comparison, t, a)
    overlaps = comparison.truth.overlaps[t]
    for part, chosen in zip(PARTS, (np.ones(t.size, bool), ~overlaps, overlaps), strict=True):
        counts |= {
            f"boundaries.matched[{part}]": float(chosen.sum()),
            f"boundaries.start_off[{part}]": float(start_off[chosen].sum()),
            f"boundaries.end_off[{part}]": float(end_off[chosen].sum()),
            f"boundaries.close[{part}]": float(close[chosen].sum()),
        }
    return counts


def figures(totals: Totals) -> Figures:
    """Return boundary F1 by rule and part, and the errors by part; NaN where nothing matched."""
    result: Figures = {}
    for part in PARTS:
        matched = totals[f"boundaries.matched[{part}]"]
        for rule in RULES:
            found, answered, true = (
                totals[f"boundaries.{side}[{rule},{part}]"] for side in ("found", "answered", "true")
            )
            result[f"boundaries.f1[{rule},{part}]"] = f1(found, answered, true)
        result[f"boundaries.start_error_s[{part}]"] = ratio(totals[f"boundaries.start_off[{part}]"], matched)
        result[f"boundaries.end_error_s[{part}]"] = ratio(totals[f"boundaries.end_off[{part}]"], matched)
        result[f"boundaries.close[{part}]"] = ratio(totals[f"boundaries.close[{part}]"], matched)
    return result


def _found(comparison: Comparison, match: Match, rule: str, answer_overlaps: BoolArray) -> Counts:
    truth_overlaps = comparison.truth.overlaps
    of_answer = answer_overlaps.copy()
    of_answer[match.answer] = truth_overlaps[match.truth]
    counts: Counts = {}
    for part in PARTS:
        wanted = {"all": (True, False), "isolated": (False,), "overlapping": (True,)}[part]
        counts[f"boundaries.true[{rule},{part}]"] = float(np.isin(truth_overlaps[match.truth_counts], wanted).sum())
        counts[f"boundaries.answered[{rule},{part}]"] = float(np.isin(of_answer[match.answer_counts], wanted).sum())
        counts[f"boundaries.found[{rule},{part}]"] = float(np.isin(truth_overlaps[match.truth], wanted).sum())
    return counts


def _touches_overlap(comparison: Comparison) -> BoolArray:
    pairs = comparison.pairs
    touches = np.zeros(comparison.answer.n_events, bool)
    touches[pairs.answer[comparison.truth.overlaps[pairs.truth]]] = True
    return touches


def _edges_close(comparison: Comparison, t: np.ndarray, a: np.ndarray) -> BoolArray:
    truth, answer, interval_s = comparison.truth, comparison.answer, comparison.truth.trace.interval_s
    tolerance_s = max(START_TOLERANCE_S, interval_s)
    duration_s = (truth.end[t] - truth.start[t]) * interval_s
    start_off = np.abs(answer.start[a] - truth.start[t]) * interval_s
    end_off = np.abs(answer.end[a] - truth.end[t]) * interval_s
    return np.asarray(
        (start_off <= tolerance_s) & (end_off <= np.maximum(tolerance_s, END_TOLERANCE_SHARE * duration_s)), np.bool_
    )
