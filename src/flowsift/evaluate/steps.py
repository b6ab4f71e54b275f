"""Second by second and minute by minute: which labels run, and at what flow."""

from __future__ import annotations

import numpy as np

from flowsift.evaluate.account import VOLUME_LABELS
from flowsift.evaluate.comparison import Comparison
from flowsift.evaluate.definition import Definition
from flowsift.evaluate.totals import Counts, Figures, Totals, by_name, f1, mean_defined, ratio
from flowsift.evaluate.volumes import INDOOR
from flowsift.grouping import sum_rows_by
from flowsift.trace import FloatArray
from flowsift.units import NS_PER_S, SECONDS_PER_MINUTE

DEFINITIONS = (
    Definition(
        name="steps.f1",
        title="step F1",
        better="higher",
        meaning="F1 over metered cells of whether a label has any water in the cell.",
        source="sklearn.metrics.f1_score on one binary column a label",
    ),
    Definition(
        name="steps.macro_f1",
        title="step macro F1",
        better="higher",
        meaning="Mean of step F1 over the labels that occur in the truth.",
        source="sklearn.metrics.f1_score(average='macro') on the labels in the truth",
    ),
    Definition(
        name="minute.share",
        title="volume on the right label in the right minute",
        better="higher",
        meaning="Sum over minutes and labels of min(answered, true) over the labelled metered volume.",
    ),
    Definition(
        name="minute.nrmse",
        title="normalised RMSE at 1 min",
        better="lower",
        meaning="Root of the mean over all minutes of the trace (idle ones too) of the squared error of the label's "
        "flow, over the largest true flow of the label in any minute of that home; mean over homes that have the "
        "label. Without brackets: mean over the indoor labels.",
        source="as in Mazzoni et al. 2024, J. Hydroinformatics 26(2):408; normalisation by the range is the reading "
        "chosen here, the paper's own wasn't seen",
    ),
)


def count(comparison: Comparison) -> Counts:
    """Count active cells by label, and sum the squared error of each minute's flow."""
    true, answered = comparison.truth.by_label_l[:, :-1], comparison.answer.by_label_l[:, :-1]
    trace = comparison.truth.trace
    active, said = true > 0, answered > 0
    minute = (trace.start_ns + trace.cell * trace.interval_ns) // (60 * NS_PER_S)
    true_min, answered_min = sum_rows_by(minute, true), sum_rows_by(minute, answered)
    n_minutes = max(trace.duration_s / SECONDS_PER_MINUTE, 1.0)
    error = np.sqrt(((answered_min - true_min) ** 2).sum(axis=0) / n_minutes)
    largest = true_min.max(axis=0) if true_min.size else np.zeros(len(VOLUME_LABELS))
    nrmse: FloatArray = np.divide(error, largest, out=np.zeros_like(error), where=largest > 0)
    return {
        **by_name("steps.true", VOLUME_LABELS, active.sum(axis=0)),
        **by_name("steps.answered", VOLUME_LABELS, said.sum(axis=0)),
        **by_name("steps.found", VOLUME_LABELS, (active & said).sum(axis=0)),
        **by_name("minute.nrmse_sum", VOLUME_LABELS, nrmse),
        **by_name("minute.homes", VOLUME_LABELS, (largest > 0).astype(np.float64)),
        "minute.true": float(true_min.sum()),
        "minute.shared": float(np.minimum(true_min, answered_min).sum()),
    }


def figures(totals: Totals) -> Figures:
    """Return step F1 and the errors of the minutes; NaN for a label without truth."""
    true, answered, found = (totals.over(f"steps.{part}", VOLUME_LABELS) for part in ("true", "answered", "found"))
    by_label = f1(found, answered, true)
    nrmse = ratio(totals.over("minute.nrmse_sum", VOLUME_LABELS), totals.over("minute.homes", VOLUME_LABELS))
    indoor = [VOLUME_LABELS.index(label) for label in INDOOR]
    result = {
        "steps.macro_f1": mean_defined(by_label, where=true > 0),
        "minute.share": ratio(totals["minute.shared"], totals["minute.true"]),
        "minute.nrmse": mean_defined(nrmse[:, indoor], where=true[:, indoor] > 0),
    }
    for i, label in enumerate(VOLUME_LABELS):
        result[f"steps.f1[{label}]"] = by_label[:, i]
        result[f"minute.nrmse[{label}]"] = nrmse[:, i]
    return result
