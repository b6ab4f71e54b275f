"""Refills with nobody flushing: a flapper that leaks lets the tank sink until the fill valve opens for a moment.

What tells such refills from hands washed at a tap: they are small, nearly one volume, come at the toilet's own refill
flow, keep coming while everybody sleeps, and come evenly. A leak is reported only if enough of them come at night and
at even spacing; the label alone is not enough.

On a coarse trace (`flushes_shape.COARSE_S`) single refills pass for hands washed by day, and hands washed for refills.
A flapper leaks by night as by day, and then nearly every small draw of the refills' volume is one of them, whatever it
was called: so the volume is the rate by night times the time that it leaked. That counts what a flush made up for, too.
Refills smaller than a pulse are lone pulses, to any meter a constant flow: such a leak is a trickle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from flowsift.arrays import BoolArray, FloatArray
from flowsift.disaggregation import Disaggregation
from flowsift.study.flushes_refills import Refills, refills_of
from flowsift.study.flushes_shape import COARSE_S
from flowsift.study.flushes_spells import spells_of
from flowsift.units import SECONDS_PER_DAY, SECONDS_PER_MINUTE

REFILL_L = (0.2, 3.0)
"""Volume of a refill with nobody flushing [L] (assumption: a float opens after the level has sunk by a part)."""

RUN_L = 6.0
"""More than this with nobody flushing is a run, as of a flapper that hangs open [L] (assumption)."""

NIGHT_H = (0.0, 5.0)
"""Local hours in which people sleep (assumption)."""

AT_NIGHT = 0.08
"""Least share of the refills in those hours; refills at an even rate have 5/24 of them there."""

LEAST_REFILLS, LEAST_AT_NIGHT = 12, 4
"""Refills, and of them at night, that a report takes."""

UNEVEN = 4.5
"""Largest ratio of the upper to the lower quartile of the time between refills by night."""

SEARCHED_REFILLS, SEARCHED_UNEVEN, SEARCHED_AT_NIGHT = 30, 3.0, 0.12
"""The same three where the refills carry another label: they must be more and more regular."""

SAME_FLOW, SAME_VOLUME = 0.12, 0.15
"""Refills that carry another label must agree this well with the toilet's flow and with each other's volume."""

CLOCK_S = 600.0
"""Step in which nights are counted [s]."""

HANDS_S = 300.0
"""A small draw that begins within this time of a flush's end is hands washed [s] (assumption)."""

SUSPECT = 0.5
"""A toilet is suspected if so many of the refills came at its flow."""

CELLS = 3.0
"""A refill that is shorter than so many intervals is held against the time it should take, not against its flow."""


@dataclass(frozen=True, kw_only=True)
class FlapperLeak:
    """Refills with nobody flushing.

    Attributes
    ----------
    toilets : tuple of str
        Toilets whose refill flow they share: more than one where the flows are alike, none where it fits no toilet.
    n_refills : int
        Refills told from taps, in the spells in which they came one after another; on a coarse trace there are more.
    refill_l, every_min : float
        Median volume [L], and mean time between refills by night [min].
    volume_l, per_day_l : float
        Volume in all [L], on a coarse trace at the rate by night, and a day of observed time [L].
    per_day_while_l : float
        Volume a day while it went on [L]; times of a day and more without any between spells don't count.
    first, last : Timestamp
        Of the refills, in the time zone people read the trace in.
    n_spans : int
        Times in which it went on, a day and more apart.
    at_night : float
        Share of the refills between midnight and five.
    labelled : bool
        Whether the refills were called so upstream; else they were found here by volume, flow and spacing.
    """

    toilets: tuple[str, ...]
    n_refills: int
    refill_l: float
    every_min: float
    volume_l: float
    per_day_l: float
    per_day_while_l: float
    first: pd.Timestamp
    last: pd.Timestamp
    n_spans: int
    at_night: float
    labelled: bool


@dataclass(frozen=True, kw_only=True)
class LongRuns:
    """Long flows at a toilet's refill flow that upstream took for a flapper hanging open: number and volume [L]."""

    n_runs: int
    volume_l: float


def flapper_leak(
    result: Disaggregation, *, names: tuple[str, ...], flow_lpm: FloatArray, observed_s: float
) -> FlapperLeak | None:
    """Look for refills with nobody flushing.

    Parameters
    ----------
    result : Disaggregation
    names : tuple of str
        Toilets found.
    flow_lpm : ndarray, shape (n_toilets,)
        Their refill flows [L/min].
    observed_s : float
        Time with data [s].

    Returns
    -------
    FlapperLeak or None
        None where the evidence is too thin; a leak that is slower than the meter's pulses or its starting flow can't be
        seen at all.
    """
    called = refills_of(result, "toilet_leak")
    short = called.chosen(_within(called.volume_l, REFILL_L))
    others = _unlike_hands(result, refills_of(result, "toilet_leak", "faucet", "other", "flush"))
    others = others.chosen(_within(others.volume_l, REFILL_L))
    if comes_evenly(short, result):
        return _leak(short, others, result, names, flow_lpm, observed_s, labelled=True)
    found: Refills | None = None
    for flow in flow_lpm.tolist():
        near = others.chosen(_at_flow(others, flow, interval_s=result.trace.interval_s))
        alike = near.chosen(_densest(near.volume_l, pulse_l=result.trace.pulse_l))
        if not comes_evenly(alike, result, least=SEARCHED_REFILLS, uneven=SEARCHED_UNEVEN, at_night=SEARCHED_AT_NIGHT):
            continue
        if found is None or len(alike) > len(found):
            found = alike
    return None if found is None else _leak(found, others, result, names, flow_lpm, observed_s, labelled=False)


def long_runs(result: Disaggregation) -> LongRuns:
    """Return the long flows that were taken for a flapper hanging open."""
    called = refills_of(result, "toilet_leak")
    runs = called.volume_l[called.volume_l >= RUN_L]
    return LongRuns(n_runs=int(runs.size), volume_l=float(runs.sum()))


def _within(values: FloatArray, bounds: tuple[float, float]) -> BoolArray:
    return np.asarray((values >= bounds[0]) & (values <= bounds[1]), dtype=np.bool_)


def _at_flow(refills: Refills, flow_lpm: float, *, interval_s: float) -> BoolArray:
    """Tell which refills came at a flow, or in the time that it takes where they are too short to show a flow."""
    should_s = refills.volume_l / flow_lpm * SECONDS_PER_MINUTE
    took_s = refills.end_s - refills.start_s
    in_time = (took_s > should_s - interval_s) & (took_s < should_s + 2.0 * interval_s)
    flow = np.abs(np.log(refills.flow_lpm / flow_lpm)) < SAME_FLOW
    return np.where(should_s < CELLS * interval_s, in_time, flow)


def _densest(volume_l: FloatArray, *, pulse_l: float) -> BoolArray:
    """Tell which volumes lie in the window of `SAME_VOLUME` or a pulse either way that holds most of them."""
    if volume_l.size == 0:
        return np.zeros(0, bool)
    place = np.sort(volume_l)
    # Twice the half-width above the lowest: (1 + s) / (1 - s), or two pulses.
    top = np.maximum(place * (1.0 + SAME_VOLUME) / (1.0 - SAME_VOLUME), place + 2.0 * pulse_l)
    stop = np.searchsorted(place, top + 1e-9, side="right")
    k = int(np.argmax(stop - np.arange(place.size)))
    return _within(volume_l, (float(place[k]), float(place[stop[k] - 1])))


def _unlike_hands(result: Disaggregation, refills: Refills) -> Refills:
    """Return the draws that do not begin right after a flush, when hands are washed."""
    flush = refills_of(result, "flush")
    end_s = np.sort(flush.end_s[flush.volume_l > REFILL_L[1]])
    before = np.searchsorted(end_s, refills.start_s, side="right") - 1
    since_s = refills.start_s - np.concatenate([end_s, [-np.inf]])[before]
    return refills.chosen(since_s > HANDS_S)


def _by_night(refills: Refills, others: Refills, result: Disaggregation, span_s: FloatArray) -> Refills:
    """Return the draws of the refills' volume by night, whatever they were called, in the spans in which it went on.

    At least the refills themselves, sorted by start.
    """
    usual = float(np.median(refills.volume_l))
    off = max(SAME_VOLUME * usual, result.trace.pulse_l * (1.0 + 1e-6))
    alike = _within(others.volume_l, (usual - off, usual + off))
    meanwhile = np.searchsorted(span_s.ravel(), others.start_s, side="right") % 2 == 1
    either = others.chosen((alike & meanwhile) | np.isin(others.row, refills.row))
    return either.chosen(_within(_hours(either, result), NIGHT_H))


def _asleep_s(result: Disaggregation, span_s: FloatArray) -> float:
    """Return how much of the spans lies in `NIGHT_H` and has data [s], to a step of the clock."""
    trace = result.trace
    at_s = np.concatenate([np.arange(first_s, stop_s, CLOCK_S) for first_s, stop_s in span_s])
    times = trace.time_of(np.floor(at_s / trace.interval_s).astype(np.int64)).tz_convert(trace.timezone)
    hour = np.asarray(times.hour + times.minute / SECONDS_PER_MINUTE, dtype=np.float64)
    asleep = _within(hour, NIGHT_H)
    edge_s = trace.gaps.ravel() * trace.interval_s
    missing = np.searchsorted(edge_s, at_s, side="right") % 2 == 1
    return float((asleep & ~missing).sum()) * CLOCK_S


def _hours(refills: Refills, result: Disaggregation) -> FloatArray:
    """Return the local hour of each refill, 0 to 24."""
    times = result.events["start"].iloc[refills.row].dt.tz_convert(result.trace.timezone)
    return np.asarray(times.dt.hour + times.dt.minute / SECONDS_PER_MINUTE, dtype=np.float64)


def comes_evenly(
    refills: Refills,
    result: Disaggregation,
    *,
    least: int = LEAST_REFILLS,
    uneven: float = UNEVEN,
    at_night: float = AT_NIGHT,
) -> bool:
    """Tell whether short refills come as a leaking flapper's do: enough of them, by night too, and evenly spaced there.

    Parameters
    ----------
    refills : Refills
        Sorted by start.
    result : Disaggregation
        Where they come from.
    least : int
        Refills that it takes.
    uneven : float
        Largest ratio of the upper to the lower quartile of the time between them by night.
    at_night : float
        Least share of them by night.
    """
    if len(refills) < least:
        return False
    asleep = _within(_hours(refills, result), NIGHT_H)
    if asleep.sum() < LEAST_AT_NIGHT or asleep.mean() < at_night:
        return False
    # Spacing within the nights: flushes put a tank's clock back by day, and a day lies between two nights.
    gap_s = np.diff(refills.start_s)[asleep[1:] & asleep[:-1]]
    gap_s = gap_s[gap_s < 0.25 * SECONDS_PER_DAY]
    if gap_s.size < LEAST_AT_NIGHT - 1:
        return False
    lower, upper = np.quantile(gap_s, [0.25, 0.75])
    return bool(upper < uneven * lower)


def _leak(
    refills: Refills,
    others: Refills,
    result: Disaggregation,
    names: tuple[str, ...],
    flow_lpm: FloatArray,
    observed_s: float,
    *,
    labelled: bool,
) -> FlapperLeak:
    trace, zone = result.trace, result.trace.timezone
    spells = spells_of(refills.start_s, end_s=trace.duration_s)
    refills = refills.chosen(np.isin(np.arange(len(refills)), spells.member))
    # A short refill starts and ends in part of a cell: its flow reads lower than a flush's.
    fits = [_at_flow(refills, flow, interval_s=trace.interval_s).mean() for flow in flow_lpm.tolist()]
    suspects = tuple(name for name, share in zip(names, fits, strict=True) if share >= SUSPECT)
    start = result.events["start"].iloc[refills.row]
    night = _by_night(refills, others, result, spells.span_s)
    # Enough of them came by night (`comes_evenly`), so that there is a night.
    asleep_s = max(_asleep_s(result, spells.span_s), CLOCK_S)
    volume = float(refills.volume_l.sum())
    if trace.interval_s >= COARSE_S:
        volume = float(night.volume_l.sum()) * spells.went_on_s / asleep_s
    return FlapperLeak(
        toilets=suspects,
        n_refills=len(refills),
        refill_l=float(np.median(refills.volume_l)),
        every_min=asleep_s / len(night) / SECONDS_PER_MINUTE,
        volume_l=volume,
        per_day_l=volume * SECONDS_PER_DAY / observed_s if observed_s else 0.0,
        per_day_while_l=volume * SECONDS_PER_DAY / spells.lasted_s,
        first=start.iloc[0].tz_convert(zone),
        last=start.iloc[-1].tz_convert(zone),
        n_spans=len(spells.span_s),
        at_night=float(_within(_hours(refills, result), NIGHT_H).mean()),
        labelled=labelled,
    )
