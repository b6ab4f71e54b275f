"""Whether a probability of 0.8 is right eight times in ten."""

from __future__ import annotations

import numpy as np

from flowsift.evaluate.comparison import Comparison
from flowsift.evaluate.definition import Definition
from flowsift.evaluate.totals import Counts, Figures, Totals, by_name, ratio

N_BINS = 10
BINS = tuple(f"{i / N_BINS:.1f} to {(i + 1) / N_BINS:.1f}" for i in range(N_BINS))
"""Names of the classes of stated probability, equal in width."""

DEFINITIONS = (
    Definition(
        name="calibration.brier",
        title="Brier score",
        better="lower",
        meaning="Mean over answered events that count of (stated probability - right)^2; right is 1 for an event that "
        "matches a true event of its label, else 0.",
        source="Brier 1950, Verification of forecasts expressed in terms of probability, Monthly Weather Review 78(1); "
        "sklearn.metrics.brier_score_loss",
    ),
    Definition(
        name="calibration.ece",
        title="expected calibration error",
        better="lower",
        meaning=f"Mean over {N_BINS} equal classes of stated probability, weighted by their number of events, of |mean "
        "stated - share right|.",
        source="Naeini, Cooper & Hauskrecht 2015, Obtaining well calibrated probabilities using Bayesian binning, AAAI "
        "(from memory); classes as in sklearn.calibration.calibration_curve(strategy='uniform')",
    ),
)


def count(comparison: Comparison) -> Counts:
    """Count answered events by stated probability, and those that are right."""
    answer, match = comparison.answer, comparison.loose
    right = np.zeros(answer.n_events, bool)
    right[match.answer] = comparison.truth.label[match.truth] == answer.label[match.answer]
    right, stated = right[match.answer_counts], answer.probability[match.answer_counts]
    # The last class holds 1, as in scikit-learn.
    place = np.clip(np.searchsorted(np.linspace(0.0, 1.0, N_BINS + 1)[1:-1], stated), 0, N_BINS - 1)
    return {
        **by_name("calibration.events", BINS, np.bincount(place, minlength=N_BINS)),
        **by_name("calibration.stated", BINS, np.bincount(place, stated, minlength=N_BINS)),
        **by_name("calibration.right", BINS, np.bincount(place, right, minlength=N_BINS)),
        "calibration.squared": float(((stated - right) ** 2).sum()),
    }


def figures(totals: Totals) -> Figures:
    """Return the Brier score and the expected calibration error; NaN without answered events."""
    events, stated, right = (totals.over(f"calibration.{part}", BINS) for part in ("events", "stated", "right"))
    n = events.sum(axis=1)
    return {
        "calibration.brier": ratio(totals["calibration.squared"], n),
        "calibration.ece": ratio(np.abs(stated - right).sum(axis=1), n),
    }
