"""Which fixture of a kind it was: the right toilet, the right zone."""

from __future__ import annotations

import numpy as np

from flowsift.evaluate.comparison import Comparison
from flowsift.evaluate.definition import Definition
from flowsift.evaluate.matching import assign
from flowsift.evaluate.totals import Counts, Figures, Totals, ratio
from flowsift.labels import LABELS

DEFINITIONS = (
    Definition(
        name="fixtures.right",
        title="right fixture",
        better="higher",
        meaning="Share of the events found with the right label that are on the right fixture, in homes with two or "
        "more true fixtures of that label. Names mean nothing: those of the answer are paired with true ones so "
        "that most events agree.",
        source="clustering accuracy by optimal assignment (scipy.optimize.linear_sum_assignment)",
    ),
    Definition(
        name="fixtures.number_error",
        title="error of the number of fixtures",
        better="lower",
        meaning="Mean over homes that have the label of |answered - true| number of fixtures with a use that counts.",
    ),
)


def count(comparison: Comparison) -> Counts:
    """Count the found events on the right fixture, and the fixtures themselves."""
    truth, answer, match = comparison.truth, comparison.answer, comparison.loose
    counts: Counts = {}
    for code, label in enumerate(LABELS):
        true_names = np.unique(truth.fixture[match.truth_counts & (truth.label == code)].astype(str))
        if true_names.size == 0:
            continue
        answered_names = np.unique(answer.fixture[match.answer_counts & (answer.label == code)].astype(str))
        counts[f"fixtures.homes[{label}]"] = 1.0
        counts[f"fixtures.number_off[{label}]"] = float(abs(answered_names.size - true_names.size))
        if true_names.size < 2:
            continue
        both = (truth.label[match.truth] == code) & (answer.label[match.answer] == code)
        pairing = name_pairing(truth.fixture[match.truth[both]], answer.fixture[match.answer[both]])
        counts[f"fixtures.found[{label}]"] = float(both.sum())
        counts[f"fixtures.right[{label}]"] = float(sum(n for _, _, n in pairing))
    return counts


def figures(totals: Totals) -> Figures:
    """Return the share on the right fixture by label, over all labels, and the error of their number."""
    found, right = totals.over("fixtures.found", LABELS), totals.over("fixtures.right", LABELS)
    homes, off = totals.over("fixtures.homes", LABELS), totals.over("fixtures.number_off", LABELS)
    result = {"fixtures.right": ratio(right.sum(axis=1), found.sum(axis=1))}
    for i, label in enumerate(LABELS):
        result[f"fixtures.right[{label}]"] = ratio(right[:, i], found[:, i])
        result[f"fixtures.number_error[{label}]"] = ratio(off[:, i], homes[:, i])
    return result


def name_pairing(true: np.ndarray, answered: np.ndarray) -> list[tuple[str, str, int]]:
    """Pair true and answered names one to one so that most events agree: (true, answered, events that agree)."""
    if true.size == 0:
        return []
    true_names, t = np.unique(true.astype(str), return_inverse=True)
    answered_names, a = np.unique(answered.astype(str), return_inverse=True)
    together, n = np.unique(np.column_stack([t, a]), axis=0, return_counts=True)
    chosen = assign(together[:, 0], together[:, 1], n.astype(np.float64))
    return [(str(true_names[together[i, 0]]), str(answered_names[together[i, 1]]), int(n[i])) for i in chosen]
