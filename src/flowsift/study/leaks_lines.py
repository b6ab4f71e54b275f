"""The lines of the leak ledger, one function a kind of loss."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from scipy.special import gammaincinv

from flowsift.disaggregation import Disaggregation
from flowsift.standards import figure, typical_ranges
from flowsift.standards.conversion import DAYS_PER_YEAR
from flowsift.study.flushes_leaks import comes_evenly
from flowsift.study.flushes_refills import refills_of
from flowsift.study.flushes_spells import spells_of
from flowsift.units import NS_PER_S, SECONDS_PER_DAY, SECONDS_PER_MINUTE

Sure = Literal["firm", "likely", "weak"]

SAME_LEAK_S = 12 * 3600.0
"""Trickle spans less than this apart are one leak [s] (assumption: heavy use hides a trickle for hours)."""

FIRM_S, LIKELY_S = 2 * SECONDS_PER_DAY, 0.5 * SECONDS_PER_DAY
"""How long a trickle must have run to be firm, or likely [s]: two nights, or one."""

LONGER_THAN_USUAL = 3.0
"""A use that lasts longer than so many times the longest usual one was left running (assumption)."""

LEAST_EXCESS_L = 20.0
"""Water beyond the largest usual use from which on a long use is worth a line [L] (assumption)."""

LEFT_RUNNING = ("faucet", "shower", "bathtub", "hose", "pool_fill", "flush", "toilet_leak", "other")
"""Labels of uses that somebody can forget."""

HELD_AGAINST = {"pool_fill": "hose"}
"""A hose that was forgotten looks like a pool that is filled: such a fill is held against what hoses take."""

ONCE_DAYS = 3.0
"""A use like no other may be a burst if it took as much as everything else takes in so many days (assumption: nothing
that belongs to a home's days does)."""

LEAST_REFILLS = 5
"""Refills with nobody flushing from which on they are a line; fewer are one only if they took `LEAST_EXCESS_L`."""


@dataclass(frozen=True, kw_only=True)
class LeakLine:
    """One loss.

    Attributes
    ----------
    kind : str
        ``constant trickle``, ``toilet refills``, ``left running`` or ``zone above its history``.
    fixture : str
        Name of the fixture where one is known, else empty.
    since, until : Timestamp
        First and last time it was seen, in the time zone people read the trace in.
    ongoing : bool
        It still went on when the record ended.
    rate_lpm, low_lpm, high_lpm : float
        Its flow with a 90 % interval [L/min]: latest rate of a trickle, mean loss of refills, a zone's rise.
    volume_l : float
        Volume lost in the record [L].
    per_day_l, low_per_day_l, high_per_day_l : float
        Loss a day with its interval [L]; of a single event the mean over the record isn't given: 0.
    per_year_l : float
        Loss a year if it goes on [L]; 0 where it has ended.
    cost_per_year : float
        Its cost a year; NaN without a tariff.
    sure : {"firm", "likely", "weak"}
    reason : str
        Why it is as sure as that.
    where : tuple of str
        Where to look first, in order.
    """

    kind: str
    fixture: str
    since: pd.Timestamp
    until: pd.Timestamp
    ongoing: bool
    rate_lpm: float
    low_lpm: float
    high_lpm: float
    volume_l: float
    per_day_l: float
    low_per_day_l: float
    high_per_day_l: float
    per_year_l: float
    cost_per_year: float
    sure: Sure
    reason: str
    where: tuple[str, ...]


def trickles(result: Disaggregation) -> list[LeakLine]:
    """Return a line for each constant trickle: spans with short breaks between them are one leak."""
    spans, trace = result.trickle, result.trace
    if not len(spans):
        return []
    zone = trace.timezone
    start, end = spans["start"].to_list(), spans["end"].to_list()
    groups: list[list[int]] = []
    for i in range(len(spans)):
        if groups and (start[i] - end[groups[-1][-1]]).total_seconds() <= SAME_LEAK_S:
            groups[-1].append(i)
        else:
            groups.append([i])
    rates = spans[["rate_lpm", "low_lpm", "high_lpm"]].to_numpy(dtype=np.float64)
    volume = spans["volume_l"].to_numpy(dtype=np.float64)
    lines = []
    for group in groups:
        first, last = group[0], group[-1]
        rate, low, high = (float(x) for x in rates[last])
        seconds = (end[last] - start[first]).total_seconds()
        ongoing = (trace.end - end[last]).total_seconds() <= SAME_LEAK_S
        sure: Sure = "firm" if seconds >= FIRM_S else "likely" if seconds >= LIKELY_S else "weak"
        hours = seconds / 3600.0
        reason = f"never stopped in {hours / 24:.1f} days" if hours >= 48 else f"never stopped in {hours:.0f} hours"
        if rates[first, 2] < low or rates[first, 1] > high:
            times = rate / max(rates[first, 0], 1e-12)
            to = f"grew to {times:.1f} times" if times > 1 else f"fell to {100 * times:.0f} % of"
            apart = [k for k in group if rates[k, 2] < low or rates[k, 1] > high]
            reason += f"; {to} its first rate by {start[apart[-1] + 1].tz_convert(zone):%Y-%m-%d %H:%M}"
        per_day = rate * SECONDS_PER_DAY / SECONDS_PER_MINUTE
        lines.append(
            LeakLine(
                kind="constant trickle",
                fixture="",
                since=start[first].tz_convert(zone),
                until=end[last].tz_convert(zone),
                ongoing=ongoing,
                rate_lpm=rate,
                low_lpm=low,
                high_lpm=high,
                volume_l=float(volume[group].sum()),
                per_day_l=per_day,
                low_per_day_l=low * per_day / rate if rate > 0 else 0.0,
                high_per_day_l=high * per_day / rate if rate > 0 else 0.0,
                per_year_l=per_day * DAYS_PER_YEAR if ongoing else 0.0,
                cost_per_year=float("nan"),
                sure=sure,
                reason=reason,
                where=_where_trickle(rate),
            )
        )
    return lines


def refills(result: Disaggregation, *, days: float) -> list[LeakLine]:
    """Return a line for each toilet that refills with nobody flushing."""
    events, trace = result.events, result.trace
    lines = []
    short = events[(events["label"] == "toilet_leak") & ~is_left_running(result)]
    for fixture, group in short.groupby("fixture", sort=True):
        if len(group) < LEAST_REFILLS and group["volume_l"].sum() < LEAST_EXCESS_L:
            continue
        start = pd.DatetimeIndex(group["start"]).as_unit("ns")
        spells = spells_of((start.asi8 - trace.start_ns) / NS_PER_S, end_s=trace.duration_s)
        group = group.iloc[spells.member]
        n, volume = len(group), float(group["volume_l"].sum())
        per_day = volume * SECONDS_PER_DAY / min(spells.lasted_s, max(days, 1.0) * SECONDS_PER_DAY)
        low, high = _count_interval(n)
        probability = float(np.average(group["probability"], weights=np.maximum(group["volume_l"], 1e-9)))
        # Hands washed are small too: what comes evenly, and by night, is a tank that sinks.
        evenly = comes_evenly(refills_of(result, "toilet_leak").at_rows(group.index.to_numpy()), result)
        sure: Sure = "firm" if evenly and n >= 20 else "likely" if evenly or probability >= 0.8 else "weak"
        rate = per_day * SECONDS_PER_MINUTE / SECONDS_PER_DAY
        lines.append(
            LeakLine(
                kind="toilet refills",
                fixture=str(fixture),
                since=group["start"].iloc[0].tz_convert(trace.timezone),
                until=group["end"].max().tz_convert(trace.timezone),
                ongoing=spells.ongoing,
                rate_lpm=rate,
                low_lpm=rate * low,
                high_lpm=rate * high,
                volume_l=volume,
                per_day_l=per_day,
                low_per_day_l=per_day * low,
                high_per_day_l=per_day * high,
                per_year_l=per_day * DAYS_PER_YEAR if spells.ongoing else 0.0,
                cost_per_year=float("nan"),
                sure=sure,
                reason=f"{n} refill{'s' * (n != 1)} with nobody flushing, {100 * probability:.0f} % probable"
                + (", evenly and by night too" if evenly else ", not evenly through the nights")
                + (f", in {len(spells.span_s)} spells" if len(spells.span_s) > 1 else ""),
                where=(
                    "flapper and its seat of this toilet (dye in the tank)",
                    "fill valve and float",
                    "handle and chain",
                ),
            )
        )
    return lines


def left_running(result: Disaggregation) -> list[LeakLine]:
    """Return a line for each fixture that was left running, and for each use that may be a burst.

    The former lost what they took beyond the largest usual use, the latter the whole of it.
    """
    events, ranges = result.events, typical_ranges()
    lines = []
    forgotten = _is_forgotten(events)
    for (_, label), group in events[forgotten].groupby(["fixture", "label"], sort=True):
        n, minutes = len(group), float(group["duration_s"].mean()) / SECONDS_PER_MINUTE
        lines.append(
            _running_line(
                group,
                result,
                volume_l=float((group["volume_l"] - ranges[_held_against(str(label))].volume_l.high).sum()),
                sure="likely" if float(group["probability"].mean()) >= 0.5 and label not in HELD_AGAINST else "weak",
                reason=f"{n} use{'s' * (n != 1)}, {minutes:.0f} min each, far longer than such uses last"
                + (", unless a pool was filled" if label in HELD_AGAINST else ""),
                where=("ask who left it on, or whether it was meant", "hose taps, tubs, a stuck flapper"),
            )
        )
    for _, once in events[_came_once(result) & ~forgotten].groupby(level=0, sort=True):
        volume = float(once["volume_l"].sum())
        lines.append(
            _running_line(
                once,
                result,
                volume_l=volume,
                sure="weak",
                reason=f"came once, {100 * volume / result.balance.metered_l:.0f} % of all water: a watering zone, a "
                "pool being filled, or a burst",
                where=(
                    "ask whether it was meant: watering, a pool",
                    "main, heater, hoses and pipes in the ground: wet or sunken spots",
                ),
            )
        )
    return lines


def is_left_running(result: Disaggregation) -> pd.Series:
    """Tell of each event whether it was left running or may be a burst (a boolean column)."""
    return _is_forgotten(result.events) | _came_once(result)


def _is_forgotten(events: pd.DataFrame) -> pd.Series:
    """Tell of each event whether it lasted and took far more than such uses do (a boolean column)."""
    can = events["label"].isin(LEFT_RUNNING)
    longest, largest = _usual_most(events)
    return can & (events["duration_s"] > LONGER_THAN_USUAL * longest) & (events["volume_l"] > largest + LEAST_EXCESS_L)


def _came_once(result: Disaggregation) -> pd.Series:
    """Tell of each event whether it is beyond what such uses are, like no other, and took much of the home's water."""
    events, trace = result.events, result.trace
    volume = events["volume_l"]
    longest, largest = _usual_most(events)
    beyond = (events["duration_s"] > longest) | (volume > largest)
    # Of the largest use of a fixture: the next one, or none.
    next_l = volume.groupby(events["fixture"]).transform(lambda each: each.nlargest(2).iloc[1:].sum())
    others_per_day_l = (result.balance.metered_l - volume) / (trace.metered_s / SECONDS_PER_DAY)
    return beyond & (volume > LONGER_THAN_USUAL * next_l) & (volume > ONCE_DAYS * others_per_day_l)


def _usual_most(events: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Return how long [s] and how large [L] uses of each event's label usually are at most."""
    ranges = typical_ranges()
    held = events["label"].map(_held_against)
    return (
        held.map({label: usual.duration_s.high for label, usual in ranges.items()}).astype("float64"),
        held.map({label: usual.volume_l.high for label, usual in ranges.items()}).astype("float64"),
    )


def _held_against(label: str) -> str:
    return HELD_AGAINST.get(label, label)


def _running_line(
    uses: pd.DataFrame, result: Disaggregation, *, volume_l: float, sure: Sure, reason: str, where: tuple[str, ...]
) -> LeakLine:
    """Return the line of uses of one fixture, their loss a single one."""
    trace = result.trace
    minutes = float(uses["duration_s"].sum()) / SECONDS_PER_MINUTE
    rate = float(uses["volume_l"].sum()) / minutes
    doubt = float(trace.pulse_l * np.sqrt(len(uses)) / minutes)
    return LeakLine(
        kind="left running",
        fixture=str(uses["fixture"].iloc[0]),
        since=uses["start"].min().tz_convert(trace.timezone),
        until=uses["end"].max().tz_convert(trace.timezone),
        ongoing=bool(uses["end"].max() >= trace.end - pd.Timedelta(2 * trace.interval_s, "s")),
        rate_lpm=rate,
        low_lpm=max(rate - doubt, 0.0),
        high_lpm=rate + doubt,
        volume_l=volume_l,
        per_day_l=0.0,
        low_per_day_l=0.0,
        high_per_day_l=0.0,
        per_year_l=0.0,
        cost_per_year=float("nan"),
        sure=sure,
        reason=reason,
        where=where,
    )


def _count_interval(n: int) -> tuple[float, float]:
    """90 % interval of a rate seen through `n` events, n >= 1, as shares of it (Poisson, exact)."""
    return float(gammaincinv(n, 0.05)) / n, float(gammaincinv(n + 1, 0.95)) / n


def _where_trickle(rate_lpm: float) -> tuple[str, ...]:
    """Where leaks of that rate are usually found, likeliest first.

    Toilets come first: 95 % of the leaks that a utility found were there, 4.5 % outdoors (figures
    leak.leaks_found_at_toilets_utility_experience and leak.leaks_found_outdoors_utility_experience). What follows is
    in or out by the published range of its rate.
    """
    places = ["toilets: dye in each tank, listen for a hiss"]
    drip = figure("leak.dripping_faucet").range_lpm
    hidden = figure("leak.concealed_leak_or_broken_mainline").range_lpm
    if rate_lpm <= drip[1]:
        places.append("dripping faucets, shower heads and hose taps, the heater's relief valve")
    places.append("softener, humidifier, ice maker and filter drains that never stop")
    if rate_lpm >= hidden[0]:
        places.append("pipes in the ground or a wall: an isolation test tells which branch")
    else:
        places.append("irrigation valves that weep: wet spots at the lowest head")
    return tuple(places)
