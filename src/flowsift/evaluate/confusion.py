"""What was taken for what, by number of events and by volume."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pandas as pd

from flowsift.evaluate.account import VOLUME_COLUMNS, VOLUME_LABELS
from flowsift.evaluate.comparison import Comparison
from flowsift.evaluate.totals import Counts, Totals
from flowsift.labels import LABELS
from flowsift.trace import FloatArray

MISSED = "missed"
"""Column of true events that no answered event matches."""

INVENTED = "invented"
"""Row of answered events that match no true event."""


def count(comparison: Comparison) -> Counts:
    """Count events and litres by true and answered label.

    Events: every true event that counts stands in one column (or is missed), every answered one in one row (or is
    invented). Litres: cell by cell, what truth and answer both put on a label is on the diagonal; the rest of the true
    labels is spread over the rest of the answered labels in proportion, so that rows add up to the true volume and
    columns to the answered one (unknown truth and unexplained answer included).
    """
    truth, answer, match = comparison.truth, comparison.answer, comparison.loose
    n = len(LABELS)
    table = np.zeros((n + 1, n + 1))
    np.add.at(table, (truth.label[match.truth], answer.label[match.answer]), 1.0)
    missed, invented = match.truth_counts.copy(), match.answer_counts.copy()
    missed[match.truth] = False
    invented[match.answer] = False
    table[:n, n] = np.bincount(truth.label[missed], minlength=n)
    table[n, :n] = np.bincount(answer.label[invented], minlength=n)
    true_l, answered_l = truth.by_label_l, answer.by_label_l
    shared = np.minimum(true_l, answered_l)
    true_rest, answered_rest = true_l - shared, answered_l - shared
    rest = answered_rest.sum(axis=1, keepdims=True)
    share = np.divide(answered_rest, rest, out=np.zeros_like(answered_rest), where=rest > 0)
    litres = np.diag(shared.sum(axis=0)) + true_rest.T @ share
    return {
        **_named("confusion.events", (*LABELS, INVENTED), (*LABELS, MISSED), table),
        **_named("confusion.litres", VOLUME_COLUMNS, VOLUME_COLUMNS, litres),
    }


def confusion_table(totals: Totals, *, by: Literal["events", "litres"]) -> pd.DataFrame:
    """Return the confusion table of the first row of `totals`.

    Parameters
    ----------
    totals : Totals
        Counts of one home, or summed over homes.
    by : {"events", "litres"}

    Returns
    -------
    DataFrame
        True label down, answered label across. By events: a last row of invented events and a last column of missed
        ones. By litres: a row of volume whose truth is unknown, a column of volume left unexplained.
    """
    rows = (*LABELS, INVENTED) if by == "events" else (*VOLUME_LABELS, "unknown")
    columns = (*LABELS, MISSED) if by == "events" else VOLUME_COLUMNS
    row_keys = rows if by == "events" else VOLUME_COLUMNS
    values = [[totals[f"confusion.{by}[{row}>{column}]"][0] for column in columns] for row in row_keys]
    return pd.DataFrame(
        values, index=pd.Index(rows, name="true"), columns=pd.Index(columns, name="answered"), dtype=np.float64
    )


def _named(stem: str, rows: tuple[str, ...], columns: tuple[str, ...], table: FloatArray) -> Counts:
    return {f"{stem}[{rows[i]}>{columns[j]}]": float(table[i, j]) for i, j in zip(*np.nonzero(table), strict=True)}
