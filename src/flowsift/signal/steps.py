"""Steps: the rate inside runs as plateaus, found by merging neighbours that the meter can't tell apart."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from flowsift.arrays import BoolArray, FloatArray, IntArray
from flowsift.grouping import greatest_by, least_by
from flowsift.units import SECONDS_PER_MINUTE

SPLIT_SCORE = 7.0
"""Squared difference of two levels, in units of its variance, from which they are two plateaus. Two to three standard
deviations, as every cell is a place where a step could be."""

UNSTEADY = 0.05
"""Standard deviation of a steady draw's rate from cell to cell, as a share of the rate (assumption: turbulence,
hands on handles)."""

UNSTEADY_LPM = 0.05
"""The same at no flow [L/min] (assumption)."""

DRIFT = 0.02
"""Slow drift of a steady draw, as a share of the rate (assumption: street pressure); it does not average out."""

CELLS_AT_ONCE = 200_000
"""Cells in the runs that are split at once, at least."""

EDGE_S = 8.0
"""Stretch on either side of a step over which it must show if it is sharp [s]."""

SHARP = 0.5
"""A step that shows by less than this share of itself within `EDGE_S` of its place is a slow change."""

WANDER = 0.25
"""Slow changes within this share of the level are one plateau (assumption: a pump's cycle, street pressure); beyond it
something was turned or taps off."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Plateaus:
    """Stretches of one level on the dense axis of `flowsift.signal.runs.Runs`, in order, without holes.

    Attributes
    ----------
    first : ndarray of int64, shape (n_plateaus + 1,)
        Place at which each begins, then the length of the axis.
    level_lpm : ndarray of float64, shape (n_plateaus,)
        Mean rate [L/min].
    opens_run : ndarray of bool, shape (n_plateaus,)
        True for the first plateau of a run.
    """

    first: IntArray
    level_lpm: FloatArray
    opens_run: BoolArray

    @property
    def length(self) -> IntArray:
        """Cells in each plateau."""
        return np.diff(self.first)


def level_variance(level_lpm: FloatArray, length: IntArray, *, pulse_l: float, interval_s: float) -> FloatArray:
    """Return the variance of a mean rate read from a pulse meter [(L/min)^2].

    A stretch's volume is known to one pulse at each end whatever its length, so the error of its mean falls with the
    length; the unsteadiness of the draw falls with its square root.
    """
    reading = pulse_l * SECONDS_PER_MINUTE / (length * interval_s)
    unsteady = UNSTEADY * level_lpm + UNSTEADY_LPM
    return np.asarray(reading**2 / 3.0 + unsteady**2 / length, dtype=np.float64)


def find_plateaus(
    rate_lpm: FloatArray, run_first: IntArray, *, pulse_l: float, interval_s: float, random_state: int = 0
) -> Plateaus:
    """Split the rate of all runs into plateaus at once.

    Starts from stretches of equal rate and merges, round after round, every pair of neighbours that is more alike than
    the pairs on either side, until all neighbours differ by `SPLIT_SCORE`. Work falls by about a third a round, so the
    cost is a few passes over the cells with flow.

    Parameters
    ----------
    rate_lpm : ndarray, shape (n_dense,)
    run_first : ndarray of int64, shape (n_runs + 1,)
    pulse_l, interval_s : float
    random_state : int
        Seed of the choices between pairs that are equally alike.

    Returns
    -------
    Plateaus
    """
    # Runs are apart from each other: taking some at a time spares memory.
    cuts = np.searchsorted(run_first, np.arange(0, rate_lpm.size, CELLS_AT_ONCE))
    tie = np.random.default_rng(random_state).random(1024)
    parts = [
        _find_in_runs(rate_lpm, run_first[a : b + 1], tie, pulse_l=pulse_l, interval_s=interval_s)
        for a, b in pairwise(np.unique(np.append(cuts, run_first.size - 1)))
    ]
    if not parts:
        return Plateaus(first=np.zeros(1, np.int64), level_lpm=np.empty(0), opens_run=np.empty(0, bool))
    first, level, opens_run = (np.concatenate(column) for column in zip(*parts, strict=True))
    return Plateaus(first=np.append(first, rate_lpm.size), level_lpm=level, opens_run=opens_run)


def _find_in_runs(
    rate_lpm: FloatArray, run_first: IntArray, tie: FloatArray, *, pulse_l: float, interval_s: float
) -> tuple[IntArray, FloatArray, BoolArray]:
    """Return first place, level and whether it opens a run of each plateau of some runs."""
    start, stop = int(run_first[0]), int(run_first[-1])
    rate = rate_lpm[start:stop]
    opens = np.zeros(rate.size, bool)
    opens[run_first[:-1] - start] = True
    starts = opens.copy()
    starts[1:] |= rate[1:] != rate[:-1]
    first = np.flatnonzero(starts)
    length = np.diff(np.append(first, rate.size))
    level = rate[first]
    opens_run = opens[first]
    done_first, done_level, done_opens = [], [], []
    while first.size:
        merge = _merging_pairs(level, length, opens_run, tie, pulse_l=pulse_l, interval_s=interval_s)
        run = np.cumsum(opens_run) - 1
        busy = np.bincount(run[1:][merge], minlength=run[-1] + 1) > 0
        settled = ~busy[run]
        done = np.flatnonzero(settled)
        done_first.append(first[done])
        done_level.append(level[done])
        done_opens.append(opens_run[done])
        absorbed = np.append(False, merge)
        host = np.flatnonzero(absorbed) - 1
        total = length[host] + length[host + 1]
        level[host] = (level[host] * length[host] + level[host + 1] * length[host + 1]) / total
        length[host] = total
        keep = np.flatnonzero(~settled & ~absorbed)
        first, level, length, opens_run = first[keep], level[keep], length[keep], opens_run[keep]
    order = np.argsort(np.concatenate(done_first), kind="stable")
    return (
        start + np.concatenate(done_first)[order],
        np.concatenate(done_level)[order],
        np.concatenate(done_opens)[order],
    )


def _merging_pairs(
    level: FloatArray,
    length: IntArray,
    opens_run: BoolArray,
    tie: FloatArray,
    *,
    pulse_l: float,
    interval_s: float,
) -> BoolArray:
    """Tell which plateaus merge with the one before them, shape (n - 1,): no two merges touch."""
    variance = level_variance(level, length, pulse_l=pulse_l, interval_s=interval_s)
    drift = (DRIFT * np.maximum(level[1:], level[:-1])) ** 2
    score = np.diff(level) ** 2 / (variance[1:] + variance[:-1] + drift)
    # Equal scores would merge one pair a round: a fixed jitter by place inside the run breaks the ties.
    place = np.arange(level.size) - np.maximum.accumulate(np.where(opens_run, np.arange(level.size), 0))
    ranked = score + 1e-3 * tie[place[1:] % tie.size]
    ranked[opens_run[1:]] = np.inf
    padded = np.concatenate([[np.inf], ranked, [np.inf]])
    return np.asarray((score < SPLIT_SCORE) & np.isfinite(ranked) & (ranked < padded[:-2]) & (ranked <= padded[2:]))


def merge_wander(plateaus: Plateaus, rate_lpm: FloatArray, *, interval_s: float) -> Plateaus:
    """Merge plateaus between which the rate only wanders, as it does with a pump's cycle or the street's pressure.

    A valve moves within seconds, so its step shows close to its place; a wandering rate crosses from one level to the
    next without a step.

    Parameters
    ----------
    plateaus : Plateaus
    rate_lpm : ndarray, shape (n_dense,)
        The rate that they were found in.
    interval_s : float

    Returns
    -------
    Plateaus
    """
    n = plateaus.level_lpm.size
    if n < 2:
        return plateaus
    reach = max(round(EDGE_S / interval_s), 1)
    place = plateaus.first[1:-1]
    upto = np.concatenate([[0.0], np.cumsum(rate_lpm)])
    left = np.maximum(place - reach, plateaus.first[:-2])
    right = np.minimum(place + reach, plateaus.first[2:])
    at_edge = (upto[right] - upto[place]) / (right - place) - (upto[place] - upto[left]) / (place - left)
    step = np.diff(plateaus.level_lpm)
    slow = (at_edge * np.sign(step) < SHARP * np.abs(step)) & ~plateaus.opens_run[1:]
    group = np.concatenate([[0], np.cumsum(~slow)])
    n_groups = int(group[-1]) + 1
    lowest = least_by(group, plateaus.level_lpm, n_groups)
    highest = greatest_by(group, plateaus.level_lpm, n_groups)
    steady = highest - lowest <= WANDER * highest
    opens = np.concatenate([[True], ~(slow & steady[group[1:]])])
    first = plateaus.first[:-1][opens]
    ends = np.append(first[1:], plateaus.first[-1])
    return Plateaus(
        first=np.append(first, plateaus.first[-1]),
        level_lpm=(upto[ends] - upto[first]) / (ends - first),
        opens_run=plateaus.opens_run[opens],
    )
