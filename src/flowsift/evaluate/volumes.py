"""Litres by label: at the right second, over each day and over the whole period."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from flowsift.evaluate.account import VOLUME_COLUMNS, VOLUME_LABELS, Account
from flowsift.evaluate.comparison import Comparison
from flowsift.evaluate.definition import Definition
from flowsift.evaluate.totals import Counts, Figures, Totals, by_name, f1, ratio
from flowsift.grouping import sum_rows_by
from flowsift.trace import IntArray

INDOOR = ("flush", "shower", "bathtub", "faucet", "clothes_washer", "dishwasher")
"""Labels of `volume.indoor_f1`: the uses that studies of indoor demand compare."""

WITHIN = 0.1
"""Error of a label's volume that is small enough to act on, as a share of it."""

DEFINITIONS = (
    Definition(
        name="volume.share",
        title="volume on the right label at the right second",
        better="higher",
        meaning="Sum over cells and labels (the trickle is one) of min(answered, true), over the labelled metered "
        "volume; water whose truth isn't known is left out.",
    ),
    Definition(
        name="volume.home_share",
        title="volume on the right label, mean over homes",
        better="higher",
        meaning="Mean over homes of volume.share: a home that irrigates weighs no more than another.",
    ),
    Definition(
        name="volume.indoor_f1",
        title="volume F1 indoors",
        better="higher",
        meaning="F1 of volume at the right second over the indoor labels together: min(answered, true) on each of them "
        "against what is true and what is answered there.",
    ),
    Definition(
        name="volume.recall",
        title="volume recall",
        better="higher",
        meaning="Volume of a label that the answer puts on it at the right second, over its true volume.",
    ),
    Definition(
        name="volume.precision",
        title="volume precision",
        better="higher",
        meaning="The same over the volume that the answer puts on the label.",
    ),
    Definition(
        name="volume.f1",
        title="volume F1",
        better="higher",
        meaning="Harmonic mean of volume precision and recall of a label.",
    ),
    Definition(
        name="volume.period_share",
        title="volume on the right label over the period",
        better="higher",
        meaning="Sum over labels of min(answered, true) of each home's whole period over its labelled metered volume: "
        "the share of water on the right use, whatever the time.",
        source="as the volume accuracy in Mazzoni et al. 2024, J. Hydroinformatics 26(2):408 (definition not seen)",
    ),
    Definition(
        name="volume.period_error",
        title="volume error over the period",
        better="lower",
        meaning="Sum over homes of |answered - true| of a label over its true volume.",
    ),
    Definition(
        name="volume.period_within",
        title="homes whose volume over the period is within a tenth",
        better="higher",
        meaning="Share of the homes with a label in which its volume over the period is answered within 10 %.",
    ),
    Definition(
        name="volume.bias",
        title="volume bias",
        better="zero",
        meaning="Sum over homes of (answered - true) of a label over its true volume.",
    ),
    Definition(
        name="volume.day_error",
        title="volume error by day",
        better="lower",
        meaning="Sum over local days of |answered - true| of a label over its true volume.",
    ),
    Definition(
        name="volume.unexplained",
        title="unexplained",
        better="lower",
        meaning="Share of the metered volume that the answer leaves unexplained.",
    ),
)


def count(comparison: Comparison) -> Counts:
    """Sum true, answered and rightly placed litres by label."""
    true, answered = comparison.truth.by_label_l, comparison.answer.by_label_l
    shared = np.minimum(true, answered).sum(axis=0)
    day = local_day(comparison.truth)
    day_error = np.abs(sum_rows_by(day, answered) - sum_rows_by(day, true)).sum(axis=0)
    true_l, answered_l = true.sum(axis=0), answered.sum(axis=0)
    off = np.abs(answered_l - true_l)
    labelled = slice(0, len(VOLUME_LABELS))
    all_true = float(true_l[labelled].sum())
    home = {"volume.homes": 1.0, "volume.home_shares": float(shared[labelled].sum()) / all_true} if all_true else {}
    return {
        **home,
        **by_name("volume.true", VOLUME_COLUMNS, true_l),
        **by_name("volume.answered", VOLUME_COLUMNS, answered_l),
        **by_name("volume.shared", VOLUME_LABELS, shared[labelled]),
        **by_name("volume.period_shared", VOLUME_LABELS, np.minimum(true_l, answered_l)[labelled]),
        **by_name("volume.period_off", VOLUME_LABELS, off[labelled]),
        **by_name("volume.day_off", VOLUME_LABELS, day_error[labelled]),
        **by_name("volume.with", VOLUME_LABELS, (true_l > 0)[labelled]),
        **by_name("volume.within", VOLUME_LABELS, ((true_l > 0) & (off <= WITHIN * true_l))[labelled]),
    }


def figures(totals: Totals) -> Figures:
    """Return the shares and errors over everything and by label; NaN for a label without truth (F1: nor answer)."""
    true, answered = totals.over("volume.true", VOLUME_LABELS), totals.over("volume.answered", VOLUME_LABELS)
    shared = totals.over("volume.shared", VOLUME_LABELS)
    all_true = true.sum(axis=1)
    period_off = totals.over("volume.period_off", VOLUME_LABELS)
    day_off = totals.over("volume.day_off", VOLUME_LABELS)
    homes, within = (totals.over(f"volume.{part}", VOLUME_LABELS) for part in ("with", "within"))
    unexplained = totals["volume.answered[unexplained]"]
    result = {
        "volume.share": ratio(shared.sum(axis=1), all_true),
        "volume.home_share": ratio(totals["volume.home_shares"], totals["volume.homes"]),
        "volume.indoor_f1": share_over(totals, INDOOR)["f1"],
        "volume.period_share": ratio(totals.over("volume.period_shared", VOLUME_LABELS).sum(axis=1), all_true),
        "volume.unexplained": ratio(unexplained, unexplained + answered.sum(axis=1)),
    }
    for i, label in enumerate(VOLUME_LABELS):
        result[f"volume.recall[{label}]"] = ratio(shared[:, i], true[:, i])
        result[f"volume.precision[{label}]"] = ratio(shared[:, i], answered[:, i])
        result[f"volume.f1[{label}]"] = f1(shared[:, i], answered[:, i], true[:, i])
        result[f"volume.period_error[{label}]"] = ratio(period_off[:, i], true[:, i])
        result[f"volume.period_within[{label}]"] = ratio(within[:, i], homes[:, i])
        result[f"volume.bias[{label}]"] = ratio(answered[:, i] - true[:, i], true[:, i])
        result[f"volume.day_error[{label}]"] = ratio(day_off[:, i], true[:, i])
    return result


def share_over(totals: Totals, labels: Sequence[str]) -> Figures:
    """Return the share of volume on the right label at the right second over some labels alone.

    Parameters
    ----------
    totals : Totals
    labels : sequence of str
        Names from `VOLUME_LABELS`.

    Returns
    -------
    dict
        ``recall`` (of their true volume), ``precision`` (of what the answer puts on them) and ``f1``. A share over
        some labels alone can be bought by answering nothing else: read recall and precision together.
    """
    true, answered, shared = (
        totals.over(f"volume.{part}", labels).sum(axis=1) for part in ("true", "answered", "shared")
    )
    return {"recall": ratio(shared, true), "precision": ratio(shared, answered), "f1": f1(shared, answered, true)}


def local_day(account: Account) -> IntArray:
    """Return a number for the local calendar day of each metered cell, shape (n_flow,)."""
    trace = account.trace
    local = trace.time_of(trace.cell).tz_convert(trace.timezone).tz_localize(None)
    return np.asarray(local.as_unit("s").asi8 // 86_400, np.int64)
