"""A baseline of hidden Markov models: one model of the flow's course for each label, the likeliest one wins."""

from __future__ import annotations

import logging
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import logsumexp

from flowsift.arrays import FloatArray, IntArray
from flowsift.disaggregation import Disaggregation
from flowsift.errors import OptionError
from flowsift.labels import LABELS
from flowsift.methods.answers import answer_from_labels, cuts_of_uses
from flowsift.methods.cuts import Cuts, cut_on_pauses, sampled_flow
from flowsift.methods.training import N_HOMES, training_note, true_accounts
from flowsift.trace import Trace

N_STATES = 3
STEP_S = 5.0
"""Time between samples of the flow [s]; one interval where that is longer."""

MOST_STEPS = 60
"""A longer event is represented by as many samples, evenly spaced: it bounds the work."""

LEAST_EVENTS = 20
"""A label with fewer training events gets no model."""

MOST_EVENTS = 300
"""Training events of a label; more are thinned out evenly."""

RANDOM_STATE = 0


class HiddenMarkovMethod:
    """Cut on pauses; label by the likelihood of the flow's course and size, times the label's share of all events.

    The idea of one model for each kind of use is that of Nguyen, Zhang & Stewart 2013, Water Research (from memory);
    states, samples and priors are chosen here.

    Parameters
    ----------
    n_homes : int
        Number of training homes.
    """

    def __init__(self, n_homes: int = N_HOMES) -> None:
        try:
            from hmmlearn.hmm import GaussianHMM
        except ImportError as error:
            raise OptionError("method 'hmm' needs hmmlearn: pip install hmmlearn") from error
        self._model: Any = GaussianHMM
        self.n_homes = n_homes
        self.training_data = training_note(n_homes)
        self._models: dict[int, Any] = {}
        self._sizes: dict[int, tuple[FloatArray, FloatArray]] = {}
        self._log_share: dict[int, float] = {}

    def prepare(self) -> None:
        """Fit one model for each label on the isolated events of the training homes."""
        if self._models:
            return
        shapes: dict[int, list[FloatArray]] = {}
        sizes: dict[int, list[FloatArray]] = {}
        n_events = 0
        for trace, account in true_accounts(self.n_homes):
            alone = np.flatnonzero((account.volume_l > 0) & ~account.overlaps)
            cuts = Cuts(
                start=account.start[alone],
                end=account.end[alone],
                volume_l=account.volume_l[alone],
                peak_lpm=np.zeros(alone.size),
                interval_s=trace.interval_s,
            )
            n_events += alone.size
            for code, shape, size in zip(account.label[alone], courses(trace, cuts), _sizes(cuts), strict=True):
                shapes.setdefault(int(code), []).append(shape)
                sizes.setdefault(int(code), []).append(size)
        for code, found in sorted(shapes.items()):
            if len(found) < LEAST_EVENTS:
                continue
            chosen = [found[i] for i in np.unique(np.linspace(0, len(found) - 1, MOST_EVENTS).astype(int))]
            model = self._model(N_STATES, covariance_type="diag", min_covar=1e-2, n_iter=15, random_state=RANDOM_STATE)
            with _quiet():
                model.fit(np.concatenate(chosen), [len(shape) for shape in chosen])
            self._models[code] = model
            all_sizes = np.array(sizes[code])
            self._sizes[code] = all_sizes.mean(axis=0), np.maximum(all_sizes.std(axis=0), 0.1)
            self._log_share[code] = float(np.log(len(found) / n_events))

    def disaggregate(self, trace: Trace) -> Disaggregation:
        """Return every span of flow as one event of the likeliest label."""
        self.prepare()
        cuts = cut_on_pauses(trace)
        labels, probability = self._classify(trace, cuts)
        return answer_from_labels(trace, cuts, label=labels, probability=probability)

    def label_events(self, trace: Trace, uses: pd.DataFrame) -> Sequence[str]:
        """Return the likeliest label of events whose cuts are given."""
        self.prepare()
        return self._classify(trace, cuts_of_uses(trace, uses))[0]

    def _classify(self, trace: Trace, cuts: Cuts) -> tuple[list[str], FloatArray]:
        if cuts.start.size == 0:
            return [], np.empty(0)
        codes = list(self._models)
        shapes = list(courses(trace, cuts))
        n_steps = np.array([len(shape) for shape in shapes])
        # Per sample: neighbouring samples are far from independent, and long events would swamp the sizes.
        score = np.column_stack([log_likelihoods(self._models[code], shapes) / n_steps for code in codes])
        sizes = _sizes(cuts)
        for column, code in enumerate(codes):
            mean, spread = self._sizes[code]
            misfit = ((sizes - mean) / spread) ** 2 / 2.0 + np.log(spread)
            score[:, column] += self._log_share[code] - misfit.sum(axis=1)
        weight = np.exp(score - score.max(axis=1, keepdims=True))
        probability = weight / weight.sum(axis=1, keepdims=True)
        best = probability.argmax(axis=1)
        return [LABELS[codes[i]] for i in best], probability[np.arange(best.size), best]


def courses(trace: Trace, cuts: Cuts) -> Iterator[FloatArray]:
    """Yield the course of each event: the logarithm of its flow at even steps, shape (n_steps, 1)."""
    for first, stop in zip(cuts.start.tolist(), cuts.end.tolist(), strict=True):
        edge, rate = sampled_flow(trace, first, stop)
        steps = int(np.clip(np.ceil((stop - first) * trace.interval_s / STEP_S), 1, MOST_STEPS))
        steps = min(steps, rate.size)
        bounds: IntArray = np.linspace(0, rate.size, steps + 1).astype(np.int64)
        weight = np.diff(edge).astype(np.float64)
        mean = np.add.reduceat(rate * weight, bounds[:-1]) / np.add.reduceat(weight, bounds[:-1])
        yield np.log(mean + 0.1).reshape(-1, 1)


def log_likelihoods(model: Any, shapes: Sequence[FloatArray]) -> FloatArray:
    """Return the logarithm of the likelihood of each course under a fitted model with one feature, shape (n_courses,).

    The same as ``model.score`` of each, but courses of one length go through the forward recursion together.
    """
    mean, variance = model.means_[:, 0], model.covars_[:, 0, 0]
    with np.errstate(divide="ignore"):
        log_start, log_move = np.log(model.startprob_), np.log(model.transmat_)
    result = np.empty(len(shapes))
    length = np.array([len(shape) for shape in shapes])
    for n_steps in np.unique(length):
        rows = np.flatnonzero(length == n_steps)
        course = np.stack([shapes[row][:, 0] for row in rows.tolist()])[:, :, np.newaxis]
        emitted = -0.5 * ((course - mean) ** 2 / variance + np.log(2.0 * np.pi * variance))
        forward = log_start + emitted[:, 0]
        for step in range(1, n_steps):
            forward = logsumexp(forward[:, :, np.newaxis] + log_move, axis=1) + emitted[:, step]
        result[rows] = logsumexp(forward, axis=1)
    return result


def _sizes(cuts: Cuts) -> FloatArray:
    return np.log(np.maximum(np.column_stack([cuts.volume_l, cuts.duration_s]), 1e-3))


@contextmanager
def _quiet() -> Iterator[None]:
    """Silence notes on convergence: fifteen rounds are a choice, not a failure."""
    log = logging.getLogger("hmmlearn.base")
    level = log.level
    log.setLevel(logging.ERROR)
    try:
        yield
    finally:
        log.setLevel(level)
