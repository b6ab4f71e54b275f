"""What the page needs to say of each use why it got its label: a few small numbers a use, the words once."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from flowsift.disaggregation import Disaggregation
from flowsift.explanation import range_readings
from flowsift.labels import LABELS, label_words
from flowsift.report.steps_drawn import label_positions
from flowsift.standards import typical_ranges

TOLD, OUTSIDE = 8, {"volume_l": 1, "flow_lpm": 2, "duration_s": 4}
"""Bits of the column ``flags``: somebody wrote the label down; a figure lies outside the label's usual range."""

NO_LABEL = 255
"""Stands in the column ``next`` where the method kept no other label."""


def reason_columns(result: Disaggregation) -> dict[str, npt.NDArray[Any]]:
    """Return the columns that tell a use's reasons, one element a use.

    Returns
    -------
    dict
        ``label`` and ``next`` (positions in `LABELS`; the next likeliest label), ``sure`` and ``next_sure`` (their
        probabilities in per cent), ``flags`` (see `OUTSIDE`) and ``who`` (position in `reason_words`'s fixtures).
    """
    events, reasons, n = result.events, result.reasons, len(result.events)
    label = label_positions(result)
    following, following_sure = np.full(n, NO_LABEL), np.zeros(n)
    flags = np.zeros(n, np.uint8)
    figures = events[["volume_l", "mean_lpm", "duration_s"]].to_numpy(dtype=np.float64).tolist()
    for k, (name, (volume_l, flow_lpm, duration_s)) in enumerate(zip(events["label"], figures, strict=True)):
        readings = range_readings(str(name), volume_l=volume_l, flow_lpm=flow_lpm, duration_s=duration_s)
        flags[k] = sum(OUTSIDE[reading.quantity] for reading in readings if not reading.inside)
    if reasons is not None and n:
        others = reasons.label_probability.copy()
        others[np.arange(n), label] = -1.0
        following = others.argmax(axis=1)
        following_sure = others.max(axis=1)
        flags |= np.where(reasons.told, TOLD, 0).astype(np.uint8)
    position = {pair: k for k, pair in enumerate(_fixtures(result))}
    who = [position[pair] for pair in zip(events["fixture"], events["label"], strict=True)]
    return {
        "label": label.astype(np.uint8),
        "next": following.astype(np.uint8),
        "sure": np.round(100.0 * events["probability"].to_numpy(dtype=np.float64)).astype(np.uint8),
        "next_sure": np.round(100.0 * following_sure).astype(np.uint8),
        "flags": flags,
        "who": np.array(who, dtype=np.uint16 if len(position) < 2**16 else np.uint32),
    }


def reason_words(result: Disaggregation) -> dict[str, Any]:
    """Return labels with their usual ranges, and fixtures with their usual use, as JSON can hold them."""
    usual = typical_ranges()
    return {
        "labels": [
            {
                "words": label_words(label),
                "volume_l": [usual[label].volume_l.low, usual[label].volume_l.high],
                "flow_lpm": [usual[label].flow_lpm.low, usual[label].flow_lpm.high],
                "duration_s": [usual[label].duration_s.low, usual[label].duration_s.high],
            }
            for label in LABELS
        ],
        "other": LABELS.index("other"),
        "pulse_l": result.trace.pulse_l,
        "fixtures": [
            {name: row[name] for name in ("fixture", "uses", "typical_volume_l", "low_l", "high_l", "typical_lpm")}
            for row in result.fixtures.to_dict("records")
        ],
    }


def _fixtures(result: Disaggregation) -> list[tuple[Any, Any]]:
    table = result.fixtures
    return list(zip(table["fixture"], table["label"], strict=True))
