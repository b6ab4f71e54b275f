"""Events by label: precision, recall and F1 of a one-to-one matching in time."""

from __future__ import annotations

import numpy as np

from flowsift.evaluate.comparison import Comparison
from flowsift.evaluate.definition import Definition
from flowsift.evaluate.totals import Counts, Figures, Totals, by_name, f1, mean_defined, ratio
from flowsift.labels import LABELS

_MATCHING = (
    "Events are matched one to one so that the total agreement (mean of intersection over union in time and in volume) "
    "is largest; a pair needs an agreement of 0.1 (strict: 0.5)."
)

DEFINITIONS = (
    Definition(
        name="events.precision",
        title="precision",
        better="higher",
        meaning=f"Share of answered events of a label that match a true event of that label. {_MATCHING}",
        source="sklearn.metrics.precision_score on the matched events",
    ),
    Definition(
        name="events.recall",
        title="recall",
        better="higher",
        meaning=f"Share of true events of a label that match an answered event of that label. {_MATCHING}",
        source="sklearn.metrics.recall_score on the matched events",
    ),
    Definition(
        name="events.f1",
        title="F1",
        better="higher",
        meaning="2 TP / (2 TP + FP + FN) of one label.",
        source="sklearn.metrics.f1_score on the matched events",
    ),
    Definition(
        name="events.macro_f1",
        title="macro F1",
        better="higher",
        meaning="Mean of F1 over the labels that occur in the truth.",
        source='sklearn.metrics.f1_score(average="macro", labels=labels in the truth)',
    ),
    Definition(
        name="events.micro_f1",
        title="micro F1",
        better="higher",
        meaning="F1 of the counts summed over labels: every event weighs the same.",
        source='sklearn.metrics.f1_score(average="micro")',
    ),
    Definition(
        name="events.weighted_f1",
        title="weighted F1",
        better="higher",
        meaning="Mean of F1 over labels, weighted by their number of true events.",
        source='sklearn.metrics.f1_score(average="weighted")',
    ),
    Definition(
        name="events.volume_f1",
        title="F1 by volume",
        better="higher",
        meaning="Harmonic mean of volume-weighted precision and recall: every litre of an event weighs the same.",
    ),
    Definition(
        name="events.strict_f1",
        title="strict F1",
        better="higher",
        meaning="F1 of one label where a pair needs an agreement of 0.5.",
    ),
    Definition(
        name="events.strict_macro_f1",
        title="strict macro F1",
        better="higher",
        meaning="Macro F1 where a pair needs an agreement of 0.5.",
    ),
    Definition(
        name="events.strict_micro_f1",
        title="strict micro F1",
        better="higher",
        meaning="Micro F1 where a pair needs an agreement of 0.5.",
    ),
    Definition(
        name="events.accuracy_isolated",
        title="event accuracy, isolated",
        better="higher",
        meaning="Share of true events that share no second with another which are found with the right label.",
        source="as the event accuracy of single uses in Nguyen et al. 2015, 10.1016/j.asoc.2015.03.007",
    ),
    Definition(
        name="events.accuracy_overlapping",
        title="event accuracy, overlapping",
        better="higher",
        meaning="The same share of true events that overlap another.",
        source="as the event accuracy of overlapping uses in Nguyen et al. 2015, 10.1016/j.asoc.2015.03.007",
    ),
    Definition(
        name="events.counted",
        title="events that count",
        better="higher",
        meaning="Share of true events whose metered volume reaches one pulse (0.02 L at least): of the data.",
    ),
)


def count(comparison: Comparison) -> Counts:
    """Count true, answered and found events by label, and their volume."""
    truth, answer, loose, strict = comparison.truth, comparison.answer, comparison.loose, comparison.strict
    n = len(LABELS)
    true_label, answered_label = truth.label[loose.truth_counts], answer.label[loose.answer_counts]
    right = truth.label[loose.truth] == answer.label[loose.answer]
    t, a = loose.truth[right], loose.answer[right]
    strictly = truth.label[strict.truth] == answer.label[strict.answer]
    isolated, found = ~truth.overlaps, np.zeros(truth.n_events, bool)
    found[t] = True
    counted = loose.truth_counts
    return {
        **by_name("events.true", LABELS, np.bincount(true_label, minlength=n)),
        **by_name("events.answered", LABELS, np.bincount(answered_label, minlength=n)),
        **by_name("events.strictly_answered", LABELS, np.bincount(answer.label[strict.answer_counts], minlength=n)),
        **by_name("events.found", LABELS, np.bincount(truth.label[t], minlength=n)),
        **by_name("events.strictly_found", LABELS, np.bincount(truth.label[strict.truth[strictly]], minlength=n)),
        "events.true_l": float(truth.volume_l[loose.truth_counts].sum()),
        "events.answered_l": float(answer.volume_l[loose.answer_counts].sum()),
        "events.found_true_l": float(truth.volume_l[t].sum()),
        "events.found_answered_l": float(answer.volume_l[a].sum()),
        "events.isolated": float((counted & isolated).sum()),
        "events.isolated_found": float((found & isolated).sum()),
        "events.overlapping": float((counted & ~isolated).sum()),
        "events.overlapping_found": float((found & ~isolated).sum()),
        "events.in_truth": float(truth.n_events),
        "events.counting": float(counted.sum()),
    }


def figures(totals: Totals) -> Figures:
    """Return precision, recall and F1 by label and their averages.

    Precision isn't defined without an answer, recall without truth, F1 without either (NaN).
    """
    true, answered, found = (totals.over(f"events.{name}", LABELS) for name in ("true", "answered", "found"))
    strictly_answered = totals.over("events.strictly_answered", LABELS)
    strictly_found = totals.over("events.strictly_found", LABELS)
    by_label, strict_by_label = f1(found, answered, true), f1(strictly_found, strictly_answered, true)
    precision_l = ratio(totals["events.found_answered_l"], totals["events.answered_l"])
    recall_l = ratio(totals["events.found_true_l"], totals["events.true_l"])
    # Neither right answers nor defined shares: a product of zeros over their sum is a score of zero.
    worthless = (precision_l + recall_l == 0) | ((totals["events.answered_l"] == 0) ^ (totals["events.true_l"] == 0))
    result = {
        "events.macro_f1": mean_defined(by_label, where=true > 0),
        "events.micro_f1": f1(found.sum(axis=1), answered.sum(axis=1), true.sum(axis=1)),
        "events.weighted_f1": ratio((np.nan_to_num(by_label) * true).sum(axis=1), true.sum(axis=1)),
        "events.volume_f1": np.where(worthless, 0.0, ratio(2.0 * precision_l * recall_l, precision_l + recall_l)),
        "events.strict_macro_f1": mean_defined(strict_by_label, where=true > 0),
        "events.strict_micro_f1": f1(strictly_found.sum(axis=1), strictly_answered.sum(axis=1), true.sum(axis=1)),
        "events.accuracy_isolated": ratio(totals["events.isolated_found"], totals["events.isolated"]),
        "events.accuracy_overlapping": ratio(totals["events.overlapping_found"], totals["events.overlapping"]),
        "events.counted": ratio(totals["events.counting"], totals["events.in_truth"]),
    }
    for i, label in enumerate(LABELS):
        result[f"events.precision[{label}]"] = ratio(found[:, i], answered[:, i])
        result[f"events.recall[{label}]"] = ratio(found[:, i], true[:, i])
        result[f"events.f1[{label}]"] = by_label[:, i]
        result[f"events.strict_f1[{label}]"] = strict_by_label[:, i]
    return result
