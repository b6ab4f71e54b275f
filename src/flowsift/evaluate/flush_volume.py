"""Litres per flush: of each flush, and of each toilet."""

from __future__ import annotations

import numpy as np

from flowsift.evaluate.comparison import Comparison
from flowsift.evaluate.definition import Definition
from flowsift.evaluate.fixture_names import name_pairing
from flowsift.evaluate.totals import Counts, Figures, Totals, ratio
from flowsift.fixtures import median_interval
from flowsift.labels import LABELS

DEFINITIONS = (
    Definition(
        name="flush.rmse_l",
        title="error of a flush's volume",
        better="lower",
        unit="L",
        meaning="Root mean square of answered - real volume over flushes found as such: the meter's error and "
        "the method's.",
        source="as the yardstick of a lone pulse of volume V, V/sqrt(6) (triangular error of two uniform edges)",
    ),
    Definition(
        name="flush.metered_rmse_l",
        title="error of a flush's metered volume",
        better="lower",
        unit="L",
        meaning="The same against the metered volume that was due to the flush: the method's error alone.",
    ),
    Definition(
        name="flush.bias_l",
        title="bias of a flush's volume",
        better="zero",
        unit="L",
        meaning="Mean of answered - real volume over flushes found as such.",
    ),
    Definition(
        name="flush.toilet_error",
        title="error of a toilet's flush volume",
        better="lower",
        meaning="Mean over true toilets of |median answered - median real| over the median real volume; toilets are "
        "paired by name as in fixtures.right, medians are over all events on the fixture.",
    ),
    Definition(
        name="flush.toilet_found",
        title="toilets found",
        better="higher",
        meaning="Share of true toilets that have an answered toilet paired with them.",
    ),
    Definition(
        name="flush.coverage",
        title="coverage of the 90 % interval",
        better="higher",
        meaning="Share of paired toilets whose real median lies in the answer's 90 % interval of the median "
        "(flowsift.fixtures.median_interval on the answered events): 0.9 is right, more is too wide.",
    ),
)


def count(comparison: Comparison) -> Counts:
    """Sum the errors of flushes and of toilets."""
    truth, answer, match = comparison.truth, comparison.answer, comparison.loose
    flush = LABELS.index("flush")
    both = (truth.label[match.truth] == flush) & (answer.label[match.answer] == flush)
    t, a = match.truth[both], match.answer[both]
    off, metered_off = answer.volume_l[a] - truth.used_l[t], answer.volume_l[a] - truth.volume_l[t]
    true_flush = match.truth_counts & (truth.label == flush)
    answered_flush = answer.label == flush
    counts = {
        "flush.found": float(both.sum()),
        "flush.squared": float((off**2).sum()),
        "flush.metered_squared": float((metered_off**2).sum()),
        "flush.off": float(off.sum()),
        "flush.toilets": float(np.unique(truth.fixture[true_flush].astype(str)).size),
    }
    for name, answered_name, _ in name_pairing(truth.fixture[t], answer.fixture[a]):
        real_l = float(np.median(truth.used_l[true_flush & (truth.fixture == name)]))
        volumes = np.sort(answer.volume_l[answered_flush & (answer.fixture == answered_name)])
        low, high = median_interval(volumes, pulse_l=answer.trace.pulse_l)
        for key, value in (
            ("paired", 1.0),
            ("toilet_off", abs(float(np.median(volumes)) - real_l) / real_l),
            ("covered", float(low <= real_l <= high)),
        ):
            counts[f"flush.{key}"] = counts.get(f"flush.{key}", 0.0) + value
    return counts


def figures(totals: Totals) -> Figures:
    """Return the errors; NaN where no flush was found."""
    found, paired = totals["flush.found"], totals["flush.paired"]
    return {
        "flush.rmse_l": np.sqrt(ratio(totals["flush.squared"], found)),
        "flush.metered_rmse_l": np.sqrt(ratio(totals["flush.metered_squared"], found)),
        "flush.bias_l": ratio(totals["flush.off"], found),
        "flush.toilet_error": ratio(totals["flush.toilet_off"], paired),
        "flush.toilet_found": ratio(paired, totals["flush.toilets"]),
        "flush.coverage": ratio(totals["flush.covered"], paired),
    }
