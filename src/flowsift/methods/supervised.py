"""A trained baseline: the library's own cuts, labelled by a classifier that learned from simulated homes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from sklearn.ensemble import RandomForestClassifier

import flowsift
from flowsift.arrays import FloatArray, IntArray
from flowsift.disaggregation import Disaggregation, TrickleSpans, assemble
from flowsift.evaluate.account import account_of_answer
from flowsift.evaluate.precut import uses_table
from flowsift.labels import FIXTURE_STEM, LABELS
from flowsift.methods.event_features import event_features
from flowsift.methods.training import N_HOMES, labels_of_answer, training_note, true_accounts
from flowsift.trace import Trace

RANDOM_STATE = 0


class SupervisedMethod:
    """Events of `flowsift.disaggregate`, their labels replaced by those of a random forest.

    It shows what labels learned from many homes are worth on the same cuts. Trained once a process, in memory; nothing
    is loaded from a file.

    Parameters
    ----------
    n_homes : int
        Number of training homes.
    """

    def __init__(self, n_homes: int = N_HOMES) -> None:
        self.n_homes = n_homes
        self.training_data = training_note(n_homes)
        self._on_answers: Any = None
        self._on_true_cuts: Any = None

    def prepare(self) -> None:
        """Simulate the training homes and fit one forest on the library's cuts, one on true cuts."""
        if self._on_answers is not None:
            return
        answered: list[tuple[FloatArray, IntArray]] = []
        true: list[tuple[FloatArray, IntArray]] = []
        for trace, account in true_accounts(self.n_homes):
            answer = flowsift.disaggregate(trace)
            label = labels_of_answer(answer, account)
            answered.append((event_features(trace, answer.events)[label >= 0], label[label >= 0]))
            seen = account.volume_l > 0
            true.append((event_features(trace, uses_table(account).iloc[np.flatnonzero(seen)]), account.label[seen]))
        self._on_true_cuts = _fitted(true)
        self._on_answers = _fitted(answered)

    def disaggregate(self, trace: Trace) -> Disaggregation:
        """Return the library's events with the forest's labels; its trickle is kept."""
        self.prepare()
        answer = flowsift.disaggregate(trace)
        if len(answer.events) == 0:
            return answer
        chance = self._on_answers.predict_proba(event_features(trace, answer.events))
        best = chance.argmax(axis=1)
        label = [LABELS[code] for code in self._on_answers.classes_[best]]
        account = account_of_answer(answer)
        trickle = answer.trickle
        return assemble(
            trace,
            start_cell=account.start,
            end_cell=account.end,
            label=label,
            probability=chance[np.arange(best.size), best],
            fixture=[FIXTURE_STEM[name] for name in label],
            cycle=account.cycle,
            shares=answer.shares,
            trickle=TrickleSpans(
                start=account.trickle_start,
                end=account.trickle_end,
                rate_lpm=account.trickle_lpm,
                low_lpm=trickle["low_lpm"].to_numpy(dtype=np.float64),
                high_lpm=trickle["high_lpm"].to_numpy(dtype=np.float64),
            ),
            trickle_l=answer.trickle_l,
        )

    def label_events(self, trace: Trace, uses: pd.DataFrame) -> Sequence[str]:
        """Return the labels of the forest that was trained on true cuts."""
        self.prepare()
        if len(uses) == 0:
            return []
        return [LABELS[code] for code in self._on_true_cuts.predict(event_features(trace, uses))]


def _fitted(parts: list[tuple[FloatArray, IntArray]]) -> Any:
    features = np.concatenate([part[0] for part in parts])
    label = np.concatenate([part[1] for part in parts])
    forest = RandomForestClassifier(
        n_estimators=100, min_samples_leaf=3, max_features="sqrt", n_jobs=1, random_state=RANDOM_STATE
    )
    return forest.fit(features, label)
