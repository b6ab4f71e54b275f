"""One toilet measured: its volumes per flush with their intervals, and what follows from them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from flowsift.disaggregation import Disaggregation
from flowsift.standards import dual_flush_effective_l
from flowsift.study.flushes_classes import ClassCall, ClassSet, call_class
from flowsift.study.flushes_drift import Drift, drift
from flowsift.study.flushes_meter import MeterKind, MeterLimits, meter_limits
from flowsift.study.flushes_modes import Reading
from flowsift.study.flushes_refills import Refills
from flowsift.study.flushes_saving import Saving, replacement_saving
from flowsift.study.flushes_shape import COARSE_S
from flowsift.study.flushes_toilets import ToiletRefills
from flowsift.study.flushes_volume import own_volume
from flowsift.units import SECONDS_PER_DAY, SECONDS_PER_MINUTE

ENOUGH_ALONE = 8
"""Refills with nothing next to them that are enough to do without the others."""

LARGEST_REDUCED_L, LEAST_REDUCED = 4.2, 0.5
"""Largest reduced flush [L], and least share of the full one that it takes (published pairs: 1.1 of 1.6 and 0.8 of
1.6 gal, 3 of 6 L)."""

COARSE_PULSE_L = 1.0
"""A pulse from which single flushes are hardly measured [L] (assumption: a fifth of an efficient flush)."""


@dataclass(frozen=True, kw_only=True)
class FlushVolume:
    """Volume of one kind of flush.

    Attributes
    ----------
    volume_l, low_l, high_l : float
        Most probable volume and its 90 % interval, the meter's own error included [L].
    metered_low_l, metered_high_l : float
        The interval without the meter's own error [L].
    spread : float
        Standard deviation between flushes, as a share.
    flushes : int
        Flushes counted.
    clean_share, mixed_share : float
        Share of them that ran alone, and with other water in them.
    """

    volume_l: float
    low_l: float
    high_l: float
    metered_low_l: float
    metered_high_l: float
    spread: float
    flushes: int
    clean_share: float
    mixed_share: float


@dataclass(frozen=True, kw_only=True)
class Toilet:
    """A toilet, or several that can't be told apart.

    Attributes
    ----------
    name : str
        As most of its flushes are called in the table of events, so that it stays from record to record.
    fixtures : tuple of str
        Names under which its flushes stand in the table of events, the commonest first.
    at_least : int
        Toilets that the group holds at least: refills of it that ran at the same time.
    full : FlushVolume
    reduced : FlushVolume or None
        None for a single flush.
    flushes_per_day : float
        Full and reduced ones a day of observed time.
    refill_lpm, refill_s : float
        Flow with the valve open wide [L/min], and usual time of a full refill [s]; NaN where a pulse is a large part of
        a flush (`COARSE_PULSE_L`).
    share_of_home : float
        Part of the metered volume, 0 to 1.
    drift : Drift or None
        None with too few flushes, or where a pulse is a large part of one.
    classes : ClassCall
        Of the full flush. On a coarse trace (`flushes_shape.COARSE_S`) one small enough for a reduced flush may be that
        of a toilet whose full one is too seldom to be told, so that classes of the larger one are named too.
    effective_l : float or None
        Effective volume of a dual flush: two reduced and one full, over three [L].
    mean_l : float
        Mean volume of its flushes as it is used: full and reduced ones in their real numbers [L].
    meter : MeterLimits
        Limits of the meter at its refill flow.
    saving : Saving
    """

    name: str
    fixtures: tuple[str, ...]
    at_least: int
    full: FlushVolume
    reduced: FlushVolume | None
    flushes_per_day: float
    refill_lpm: float
    refill_s: float
    share_of_home: float
    drift: Drift | None
    classes: ClassCall
    effective_l: float | None
    mean_l: float
    meter: MeterLimits
    saving: Saving


def measured_toilet(
    name: str,
    found: ToiletRefills,
    refills: Refills,
    result: Disaggregation,
    *,
    reading: Reading,
    observed_s: float,
    n_left_out: float,
    meter: MeterKind,
    classes: ClassSet,
    new_l: float | None,
) -> Toilet:
    """Measure one toilet.

    Parameters
    ----------
    name : str
        What it is to be called.
    found : ToiletRefills
        Which of `refills` are its.
    refills : Refills
        Events called flushes.
    result : Disaggregation
        Where they come from.
    reading : Reading
    observed_s : float
        Time with data [s].
    n_left_out : float
        Events called flushes that entered no toilet and may be its.
    meter, classes
        As in `flowsift.study.flushes`.
    new_l : float or None
        Volume per flush of a replacement [L]; the high-efficiency limit if None.
    """
    limits = meter_limits(found.flow_lpm, kind=meter)
    full = _volume(refills.chosen(found.full), found.full_near_l, limits, reading)
    reduced = None
    if found.reduced.any():
        reduced = _volume(refills.chosen(found.reduced), found.reduced_near_l, limits, reading)
    kinds = [full] if reduced is None else [full, reduced]
    count = np.array([kind.flushes for kind in kinds], dtype=np.float64)
    mean, low, high = (
        float(np.average([getattr(kind, bound) for kind in kinds], weights=count))
        for bound in ("volume_l", "low_l", "high_l")
    )
    per_day = float(count.sum()) * SECONDS_PER_DAY / observed_s if observed_s else 0.0
    used_l = mean * float(count.sum())
    effective = None if reduced is None else dual_flush_effective_l(reduced_l=reduced.volume_l, full_l=full.volume_l)
    sure = reduced is not None or reading.interval_s < COARSE_S or full.volume_l > LARGEST_REDUCED_L
    coarse = reading.pulse_l >= COARSE_PULSE_L
    flow_lpm = float("nan") if coarse else found.flow_lpm
    drifts = None if coarse else drift(refills.start_s[found.full], refills.volume_l[found.full], own_l=full.volume_l)
    named = result.events["fixture"].iloc[refills.row[found.all]].value_counts()
    return Toilet(
        name=name,
        fixtures=tuple(str(fixture) for fixture in named.index),
        at_least=_at_once(refills.chosen(found.all)),
        full=full,
        reduced=reduced,
        flushes_per_day=per_day,
        refill_lpm=flow_lpm,
        refill_s=full.volume_l / flow_lpm * SECONDS_PER_MINUTE,
        share_of_home=min(used_l / result.trace.metered_l, 1.0) if result.trace.metered_l else 0.0,
        drift=drifts,
        classes=call_class(full.low_l, full.high_l if sure else full.high_l / LEAST_REDUCED, which=classes),
        effective_l=effective,
        mean_l=mean,
        meter=limits,
        saving=replacement_saving(
            mean,
            low,
            high,
            flushes_per_day=per_day,
            n_flushes=float(count.sum()),
            n_left_out=n_left_out,
            new_l=new_l,
        ),
    )


def _volume(mine: Refills, near_l: float, limits: MeterLimits, reading: Reading) -> FlushVolume:
    measured = partial(own_volume, near_l=near_l, pulse_l=reading.pulse_l, interval_s=reading.interval_s)
    own = measured(mine.volume_l)
    alone = mine.volume_l[mine.isolated]
    if ENOUGH_ALONE <= alone.size < len(mine):
        # Something right before or after may have mixed with a refill. But where nearly every flush has hands washed
        # after it, those that stand alone are the ones whose water could not be told apart: the truth is between.
        every, own = own, measured(alone)
        if not own.low_l <= every.volume_l <= own.high_l:
            own = replace(own, low_l=min(own.low_l, every.low_l), high_l=max(own.high_l, every.high_l))
    low, high = limits.widened(own.volume_l, own.low_l, own.high_l)
    return FlushVolume(
        volume_l=own.volume_l,
        low_l=low,
        high_l=high,
        metered_low_l=own.low_l,
        metered_high_l=own.high_l,
        spread=own.spread,
        flushes=len(mine),
        clean_share=own.clean_share,
        mixed_share=own.mixed_share,
    )


def _at_once(refills: Refills) -> int:
    """Return how many of the refills ran at once, for most of the shorter one's time: one tank can't refill twice."""
    most = 1
    order = np.argsort(refills.start_s, kind="stable")
    start, end = refills.start_s[order], refills.end_s[order]
    for k in range(start.size):
        later = np.arange(k + 1, int(np.searchsorted(start, end[k])))
        both = np.minimum(end[later], end[k]) - start[later]
        shorter = np.minimum(end[later] - start[later], end[k] - start[k])
        most = max(most, 1 + int((both > 0.5 * shorter).any()))
    return most
