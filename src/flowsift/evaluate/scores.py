"""All scores of one answer against the truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from flowsift.disaggregation import Disaggregation
from flowsift.evaluate import (
    boundaries,
    calibration,
    confusion,
    cost,
    events,
    fixture_names,
    flush_volume,
    loads,
    precut,
    steps,
    trickle,
    volumes,
)
from flowsift.evaluate.account import VOLUME_COLUMNS, account_of_answer, account_of_truth
from flowsift.evaluate.comparison import Comparison
from flowsift.evaluate.definition import Definition
from flowsift.evaluate.totals import Counts, Figures, Totals
from flowsift.households.truth import Truth
from flowsift.labels import LABELS

COUNTED = (volumes, events, steps, boundaries, fixture_names, flush_volume, trickle, loads, calibration, confusion)
"""Every subject that counts what an answer has right: a module with ``count(comparison)``. The counts of `precut` and
`cost` come while a method runs; those of `confusion` are read as a table, not as figures."""

FIGURED = (
    volumes,
    events,
    precut,
    steps,
    boundaries,
    fixture_names,
    flush_volume,
    trickle,
    loads,
    calibration,
    cost,
)
"""Every subject that makes figures of counts: a module with ``figures(totals)`` and ``DEFINITIONS``."""

DEFINITIONS: dict[str, Definition] = {d.name: d for subject in FIGURED for d in subject.DEFINITIONS}
"""Every figure's definition by its name without brackets."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Scores:
    """The additive counts of one home, and the figures that follow.

    Attributes
    ----------
    counts : dict of str to float
    """

    counts: Counts

    @cached_property
    def totals(self) -> Totals:
        """The counts as one row."""
        return Totals.of_homes([self.counts])

    @cached_property
    def figures(self) -> dict[str, float]:
        """Every figure by name; NaN where it isn't defined."""
        return {name: float(value[0]) for name, value in figures(self.totals).items()}

    def share_over(self, labels: Sequence[str]) -> dict[str, float]:
        """Return recall, precision and F1 of volume at the right second over some labels alone."""
        return {name: float(value[0]) for name, value in volumes.share_over(self.totals, labels).items()}

    def by_label(self) -> pd.DataFrame:
        """Return one row a label: true and answered volume and events, and their scores."""
        table = pd.DataFrame(
            {
                "true_l": self.totals.over("volume.true", VOLUME_COLUMNS)[0],
                "answered_l": self.totals.over("volume.answered", VOLUME_COLUMNS)[0],
            },
            index=pd.Index(VOLUME_COLUMNS, name="label"),
        )
        for figure in ("recall", "precision", "f1"):
            table[f"volume_{figure}"] = [self.figures.get(f"volume.{figure}[{name}]", np.nan) for name in table.index]
        for name in ("true", "answered"):
            table[f"{name}_events"] = pd.Series(self.totals.over(f"events.{name}", LABELS)[0], index=list(LABELS))
        for figure in ("recall", "precision", "f1", "strict_f1"):
            table[f"event_{figure}"] = [self.figures.get(f"events.{figure}[{name}]", np.nan) for name in table.index]
        return table

    def __repr__(self) -> str:
        """Return the two headline figures."""
        f = self.figures
        return f"Scores(volume.share={f['volume.share']:.3f}, events.macro_f1={f['events.macro_f1']:.3f})"


def score_home(answer: Disaggregation, truth: Truth) -> Scores:
    """Score an answer against the truth of the same home.

    Parameters
    ----------
    answer : Disaggregation
    truth : Truth
        In the cells of ``answer.trace``.

    Returns
    -------
    Scores
    """
    comparison = Comparison(truth=account_of_truth(truth, answer.trace), answer=account_of_answer(answer))
    return Scores(counts=count(comparison))


def count(comparison: Comparison) -> Counts:
    """Return the additive counts of an answer beside the truth."""
    return {name: value for subject in COUNTED for name, value in subject.count(comparison).items()}


def figures(totals: Totals) -> Figures:
    """Return every figure, one value a row of `totals`."""
    return {name: values for subject in FIGURED for name, values in subject.figures(totals).items()}
