"""The lay-out of a trace: trickle, runs, plateaus, and the spans of plateaus in which something is used."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsift.arrays import BoolArray, FloatArray, IntArray
from flowsift.disaggregation import TrickleSpans
from flowsift.signal.runs import LEAST_USE_LPM, Runs, find_runs
from flowsift.signal.steps import Plateaus, find_plateaus, level_variance, merge_wander
from flowsift.signal.trickle import find_trickle
from flowsift.trace import Trace
from flowsift.units import SECONDS_PER_MINUTE

RAMP_S = 2.0
"""A valve takes up to about this long to open or close [s]; a shorter plateau between a lower and a higher one is
such a ramp."""

DIP_S = 2.0
"""One valve closing as another opens, or a diverter turned, leaves a dip of about this length at most [s]
(assumption)."""

CLOSED = 0.4
"""What flows where one valve has closed and another opens is less than this share of the flow before and after
(assumption: the meter's cell holds a little of both)."""

LEAST_USE_L = 0.02
"""Less than this is no use [L] (assumption: a stray pulse of a fine meter, a drip)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Layout:
    """What a trace holds before uses are told apart, one element a plateau unless said otherwise.

    Attributes
    ----------
    trace : Trace
    trickle : TrickleSpans
    runs : Runs
    plateaus : Plateaus
    variance : ndarray
        Variance of each plateau's level [(L/min)^2].
    base_lpm, net_lpm : ndarray
        The trickle under each plateau, and what runs above it [L/min].
    busy : ndarray of bool
        Something is used there.
    ramp : ndarray of bool
        It is only the way from one level to the next.
    spans : ndarray of int64, shape (n_spans, 2)
        First plateau, and the one after the last, of each unbroken span of use.
    """

    trace: Trace
    trickle: TrickleSpans
    runs: Runs
    plateaus: Plateaus
    variance: FloatArray
    base_lpm: FloatArray
    net_lpm: FloatArray
    busy: BoolArray
    ramp: BoolArray
    spans: IntArray


def lay_out(trace: Trace, *, trickle: TrickleSpans | None = None, random_state: int = 0) -> Layout:
    """Find trickle, runs, plateaus and spans of a trace.

    Parameters
    ----------
    trace : Trace
    trickle : TrickleSpans, optional
        The constant flow under it, where that is known; found where it isn't given.
    random_state : int
        Seed of the choices between equal steps.

    Returns
    -------
    Layout
    """
    meter = {"pulse_l": trace.pulse_l, "interval_s": trace.interval_s}
    trickle = find_trickle(trace) if trickle is None else trickle
    gap_before = np.searchsorted(trace.gaps[:, 0], trace.cell)
    runs = find_runs(trace.cell, trace.volume_l, barrier=np.diff(gap_before, prepend=0) > 0, **meter)
    found = find_plateaus(runs.rate_lpm, runs.first, random_state=random_state, **meter)
    plateaus = merge_wander(found, runs.rate_lpm, interval_s=trace.interval_s)
    variance = level_variance(plateaus.level_lpm, plateaus.length, **meter)
    base = _trickle_under(plateaus, runs, trickle)
    net = np.maximum(plateaus.level_lpm - base, 0.0)
    busy = _is_busy(net, base, variance)
    ramp = _find_ramps(plateaus, busy, net, trace.interval_s)
    return Layout(
        trace=trace,
        trickle=trickle,
        runs=runs,
        plateaus=plateaus,
        variance=variance,
        base_lpm=base,
        net_lpm=net,
        busy=busy,
        ramp=ramp,
        spans=_find_spans(plateaus, busy, ramp, net, trace),
    )


def _trickle_under(plateaus: Plateaus, runs: Runs, trickle: TrickleSpans) -> FloatArray:
    """Rate of the trickle under each plateau [L/min]."""
    if trickle.start.size == 0 or plateaus.level_lpm.size == 0:
        return np.zeros(plateaus.level_lpm.size)
    middle = runs.cell[(plateaus.first[:-1] + plateaus.first[1:] - 1) // 2]
    k = np.searchsorted(trickle.start, middle, side="right") - 1
    inside = (k >= 0) & (middle < trickle.end[k])
    return np.where(inside, trickle.rate_lpm[k], 0.0)


def _is_busy(net: FloatArray, base: FloatArray, variance: FloatArray) -> BoolArray:
    """Tell which plateaus hold a use: what rises above the trickle by more than it and the meter waver."""
    waver = np.where(base > 0, np.maximum(3.0 * np.sqrt(variance), 0.25 * base), 0.0)
    return np.asarray(net > np.maximum(0.5 * LEAST_USE_LPM, waver))


def _find_spans(plateaus: Plateaus, busy: BoolArray, ramp: BoolArray, net: FloatArray, trace: Trace) -> IntArray:
    """Return the first plateau and the one after the last of each span of use, shape (n_spans, 2)."""
    opens = plateaus.opens_run | np.append(False, _closes(plateaus, busy, ramp, net)[:-1])
    before = np.append(False, busy[:-1]) & ~opens
    after = np.append(busy[1:] & ~opens[1:], False)
    spans = np.stack([np.flatnonzero(busy & ~before), np.flatnonzero(busy & ~after) + 1], axis=1)
    upto = np.concatenate([[0.0], np.cumsum(net * plateaus.length)]) * (trace.interval_s / SECONDS_PER_MINUTE)
    return spans[upto[spans[:, 1]] - upto[spans[:, 0]] >= LEAST_USE_L]


def _closes(plateaus: Plateaus, busy: BoolArray, ramp: BoolArray, net: FloatArray) -> BoolArray:
    """Tell at which plateaus the flow all but ends before something else opens: no use goes on through them."""
    stretch = np.cumsum(~busy | plateaus.opens_run)
    level = np.flatnonzero(busy & ~ramp)
    dip = np.flatnonzero(ramp & (net < np.append(np.inf, net[:-1])) & (net < np.append(net[1:], np.inf)))
    after = np.searchsorted(level, dip)
    inside = (after > 0) & (after < level.size)
    dip, after = dip[inside], after[inside]
    before, after = level[after - 1], level[after]
    closed = (
        (stretch[before] == stretch[after])
        & (np.diff(before, prepend=-1) > 0)  # a level lies between two places at which it closes
        & (net[dip] < CLOSED * np.minimum(net[before], net[after]))
    )
    closes = np.zeros(net.size, np.bool_)
    closes[dip[closed]] = True
    return closes


def _find_ramps(plateaus: Plateaus, busy: BoolArray, net: FloatArray, interval_s: float) -> BoolArray:
    """Tell which busy plateaus are only the way from one level to the next."""
    level = np.where(busy, net, 0.0)
    before = np.where(plateaus.opens_run, 0.0, np.append(0.0, level[:-1]))
    after = np.append(np.where(plateaus.opens_run[1:], 0.0, level[1:]), 0.0)
    between = (level - before) * (after - level) > 0
    brief = plateaus.length <= max(round(RAMP_S / interval_s), 1)
    dip = (before > level) & (after > level) & (plateaus.length * interval_s <= DIP_S)
    return np.asarray(busy & (between & brief | dip))
