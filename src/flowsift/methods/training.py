"""Labelled events of training homes, simulated at run time; no test home is ever among them."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from flowsift.arrays import IntArray
from flowsift.disaggregation import Disaggregation
from flowsift.evaluate.account import Account, account_of_answer, account_of_truth
from flowsift.evaluate.comparison import Comparison
from flowsift.evaluate.suites import SEEDS, training_homes
from flowsift.trace import Trace

N_HOMES = 16
"""Number of training homes."""

DAYS = 14
"""Days of each."""


def training_note(n_homes: int) -> str:
    """Say what a trained method was trained on."""
    first = SEEDS["train"][0]
    return f"{n_homes} simulated homes of {DAYS} days, standard population, seeds {first} to {first + n_homes - 1}"


def true_accounts(n_homes: int) -> Iterator[tuple[Trace, Account]]:
    """Yield the trace and the true account of each training home."""
    for home in training_homes(n_homes, days=DAYS):
        trace, truth = home.load()
        yield trace, account_of_truth(truth, trace)


def labels_of_answer(answer: Disaggregation, truth: Account) -> IntArray:
    """Return the true label of each answered event (its position in `LABELS`), -1 for one that matches no true event.

    Parameters
    ----------
    answer : Disaggregation
        On the trace of `truth`.
    truth : Account
    """
    match = Comparison(truth=truth, answer=account_of_answer(answer)).loose
    label = np.full(len(answer.events), -1, np.int64)
    label[match.answer] = truth.label[match.truth]
    return label
