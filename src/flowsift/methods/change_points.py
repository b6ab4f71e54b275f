"""A baseline that sees overlaps: change points of the flow, rises paired with falls, nearest published range."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.disaggregation import Disaggregation, Shares, assemble
from flowsift.errors import OptionError
from flowsift.grouping import expand_ranges
from flowsift.labels import FIXTURE_STEM
from flowsift.methods.cuts import Cuts, cut_on_pauses, sampled_flow
from flowsift.methods.floor import COMMON_LABELS, range_probabilities
from flowsift.trace import Trace

LEAST_SAMPLES = 8
"""A shorter span is one use."""

LEAST_STEP_LPM = 1.0
"""A smaller change of flow opens or closes nothing [L/min]. Assumption: a fixture draws more."""

NOISE_LPM = 0.3
"""Least standard deviation of the flow that the penalty reckons with [L/min]. Assumption."""


@dataclass
class Draw:
    """A rise of flow that has not been paired with a fall yet: cell of the trace, size [L/min]."""

    start: int
    size_lpm: float
    end: int = -1


class ChangePointMethod:
    """Cut on pauses, cut again at change points (`ruptures`, least squares, exact), pair rises with falls."""

    training_data = "none: published ranges"

    def __init__(self) -> None:
        try:
            import ruptures
        except ImportError as error:
            raise OptionError("method 'change-points' needs ruptures: pip install 'flowsift[bench]'") from error
        self._ruptures: Any = ruptures

    def disaggregate(self, trace: Trace) -> Disaggregation:
        """Return rectangles of flow as events, each metered cell divided in proportion to their sizes."""
        spans = cut_on_pauses(trace)
        draws = [draw for i in range(spans.start.size) for draw in self._draws_of(trace, spans, i)]
        start = np.array([draw.start for draw in draws], np.int64)
        end = np.array([draw.end for draw in draws], np.int64)
        shares = divide(trace, start, end, np.array([draw.size_lpm for draw in draws]))
        volume_l = np.bincount(shares.event, shares.volume_l, minlength=start.size).astype(np.float64)
        cuts = Cuts(start=start, end=end, volume_l=volume_l, peak_lpm=np.zeros(start.size), interval_s=trace.interval_s)
        probability = range_probabilities(cuts)
        best = probability.argmax(axis=1)
        label = [COMMON_LABELS[i] for i in best]
        return assemble(
            trace,
            start_cell=start,
            end_cell=end,
            label=label,
            probability=probability[np.arange(best.size), best],
            fixture=[FIXTURE_STEM[name] for name in label],
            cycle=np.full(start.size, -1, np.int64),
            shares=shares,
        )

    def _draws_of(self, trace: Trace, spans: Cuts, i: int) -> list[Draw]:
        first, stop = int(spans.start[i]), int(spans.end[i])
        edge, rate = sampled_flow(trace, first, stop)
        if rate.size < LEAST_SAMPLES:
            return [Draw(start=first, size_lpm=1.0, end=stop)]
        noise = max(float(np.median(np.abs(np.diff(rate)))) / 0.6745 / np.sqrt(2.0), NOISE_LPM)
        # Twice the variance by the logarithm of the length: common practice for a change of mean (BIC).
        penalty = 2.0 * noise**2 * np.log(rate.size)
        search = self._ruptures.KernelCPD(kernel="linear", min_size=2).fit(rate.reshape(-1, 1))
        breaks = [0, *search.predict(pen=penalty)]
        level = [float(rate[a:b].mean()) for a, b in pairwise(breaks)]
        return pair_steps([int(edge[b]) for b in breaks], level)


def pair_steps(edge: list[int], level_lpm: list[float]) -> list[Draw]:
    """Turn levels of flow into draws: a rise opens one, a fall closes the open one of the nearest size.

    Parameters
    ----------
    edge : list of int, length n_levels + 1
        Cells at which levels begin, then the end.
    level_lpm : list of float, length n_levels
    """
    done: list[Draw] = []
    running: list[Draw] = []
    before = 0.0
    for cell, level in zip(edge, [*level_lpm, 0.0], strict=True):
        step = level - before
        if not running or step >= LEAST_STEP_LPM:
            running.append(Draw(start=cell, size_lpm=max(step, 1e-6)))
        while running and step <= -LEAST_STEP_LPM and len(running) > 1:
            nearest = min(running, key=lambda draw: abs(draw.size_lpm + step))
            if nearest.size_lpm > -2.0 * step:
                break
            running.remove(nearest)
            nearest.end = cell
            done.append(nearest)
            step += nearest.size_lpm
        before = level
    done += [Draw(start=draw.start, size_lpm=draw.size_lpm, end=edge[-1]) for draw in running if draw.start < edge[-1]]
    return [draw for draw in done if draw.end > draw.start]


def divide(trace: Trace, start: IntArray, end: IntArray, weight: FloatArray) -> Shares:
    """Divide each metered cell among the events that cover it, in proportion to their weights."""
    first, stop = np.searchsorted(trace.cell, start), np.searchsorted(trace.cell, end)
    event, flow = expand_ranges(first, stop)
    total = np.bincount(flow, weight[event], minlength=trace.n_flow)
    return Shares(event=event, flow=flow, volume_l=trace.volume_l[flow] * weight[event] / total[flow])
