"""The study of one home: what each toilet takes per flush, how sure that is, and what it means."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import theilslopes

from flowsift.arrays import BoolArray, FloatArray
from flowsift.disaggregation import Disaggregation
from flowsift.standards import dual_flush_effective_l
from flowsift.standards.conversion import DAYS_PER_MONTH
from flowsift.study.flushes_classes import ClassCall, ClassSet, call_class, volume_classes
from flowsift.study.flushes_leaks import FlapperLeak, LongRuns, flapper_leak, long_runs
from flowsift.study.flushes_meter import MeterKind, MeterLimits, meter_limits
from flowsift.study.flushes_modes import Reading
from flowsift.study.flushes_names import toilet_names
from flowsift.study.flushes_refills import Refills, refills_of
from flowsift.study.flushes_saving import Saving, replacement_saving
from flowsift.study.flushes_shape import COARSE_S
from flowsift.study.flushes_toilets import LEAST_SHARE_COARSE, LeftOut, ToiletRefills, resolve_toilets
from flowsift.study.flushes_volume import COVERAGE, OwnVolume, own_volume
from flowsift.tables import Table
from flowsift.units import SECONDS_PER_DAY, SECONDS_PER_MINUTE

ENOUGH_ALONE = 8
"""Refills with nothing next to them that are enough to do without the others."""

SHORT_D = 7.0
"""A record shorter than this is called short [d]."""

COARSE_PULSE_L = 1.0
"""A pulse from which single flushes are hardly measured [L] (assumption: a fifth of an efficient flush)."""

DOUBTED_REDUCED = 0.60
"""On a coarse trace (`COARSE_S`) a reduced flush of this share of the full one, or more, may be the only flush, and the
full one that flush with hands washed: the class then names both (set on homes of the training seeds)."""

DOUBTED_PULSES = 1.5
"""By so many pulses either way a class is called more widely on a coarse trace (set on homes of the training seeds)."""

DRIFT_FLUSHES, DRIFT_NEAR = 12, 0.08
"""Flushes that each half of the record needs before a drift is told, and how near to the toilet's own volume they must
be, as a share: others are partial or have other water in them."""

DRIFT_SURE = 0.998
"""Confidence from which a drift is told: a street has many toilets."""


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
class Drift:
    """Change of the volume per flush over the record.

    Attributes
    ----------
    per_month_l, low_l, high_l : float
        Change in 30 days and its 90 % interval [L].
    told : bool
        Whether it is more than chance.
    """

    per_month_l: float
    low_l: float
    high_l: float
    told: bool


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
        Flow with the valve open wide [L/min], and usual time of a full refill [s].
    share_of_home : float
        Part of the metered volume, 0 to 1.
    drift : Drift or None
        None with too few flushes.
    classes : ClassCall
        Of the full flush.
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


@dataclass(frozen=True, kw_only=True, eq=False)
class FlushStudy:
    """What one trace tells of the toilets of a home.

    Attributes
    ----------
    toilets : tuple of Toilet
        By falling volume of the full flush; empty where no toilet could be resolved.
    left_out : tuple of LeftOut
        Events called flushes that entered no volume, by reason.
    leak : FlapperLeak or None
    runs : LongRuns
    observed_s, metered_l : float
        Time with data [s] and metered volume [L].
    pulse_l, interval_s : float
        Reading of the trace.
    meter : str
        Kind of meter whose limits were used.
    limits : tuple of str
        What this trace can't tell, in words.
    members : Table
        One row a flush: ``event`` (row of the table of events), ``toilet`` and ``kind`` (``full`` or ``reduced``).
    coverage : float
        Of every interval.

    Examples
    --------
    >>> import flowsift as fs
    >>> result = fs.disaggregate(fs.households.read_shipped("demo").trace)
    >>> study = fs.study.flushes(result)
    >>> all(toilet.full.low_l <= toilet.full.volume_l <= toilet.full.high_l for toilet in study.toilets)
    True
    """

    toilets: tuple[Toilet, ...]
    left_out: tuple[LeftOut, ...]
    leak: FlapperLeak | None
    runs: LongRuns
    observed_s: float
    metered_l: float
    pulse_l: float
    interval_s: float
    meter: MeterKind
    limits: tuple[str, ...]
    members: Table
    coverage: float = COVERAGE

    @property
    def days(self) -> float:
        """Days with data."""
        return self.observed_s / SECONDS_PER_DAY

    def __repr__(self) -> str:
        """Return the toilets and their volumes."""
        each = ", ".join(f"{t.full.volume_l:.2f} L ({t.full.low_l:.2f} to {t.full.high_l:.2f})" for t in self.toilets)
        return f"FlushStudy({self.days:.1f} days, {len(self.toilets)} toilets{': ' if each else ''}{each})"


def flushes(
    result: Disaggregation,
    *,
    meter: MeterKind = "displacement",
    classes: ClassSet = "us",
    replacement_l: float | None = None,
) -> FlushStudy:
    """Study the volume per flush of each toilet of a home.

    The refills called flushes are sorted into toilets by volume and flow (`flushes_toilets`), the volume of each is
    estimated from those that ran alone and those that other water is mixed with (`flushes_volume`), and the interval
    is widened by what the meter may be off at that flow (`flushes_meter`). The trickle below a refill does not count.

    Toilets are told apart where they are distinct: their volumes differ by more than their intervals, or their refill
    flows by more than one refill shows at this reading. Toilets alike are one group, of which `Toilet.at_least` says
    how many it surely holds. On coarse traces (`flushes_shape.COARSE_S`) a seldom used toilet isn't told, and a
    class is called only where the volume lies well inside it.

    Parameters
    ----------
    result : Disaggregation
        From `flowsift.disaggregate`, or another method with the same table of events.
    meter : {"displacement", "class-2", "exact"}
        Meter whose published limits are used.
    classes : {"us", "uk"}
        Classes of flush volume.
    replacement_l : float, optional
        Volume per flush of a replacement [L]; the high-efficiency limit if not given.

    Returns
    -------
    FlushStudy
        Without toilets where no volume repeats.

    Raises
    ------
    OptionError
        If `meter` or `classes` is unknown.

    Examples
    --------
    >>> import flowsift as fs
    >>> result = fs.disaggregate(fs.households.read_shipped("demo").trace)
    >>> [round(toilet.full.volume_l) for toilet in fs.study.flushes(result).toilets]
    [11, 5]
    """
    trace = result.trace
    # Known before the work, whether or not there is a toilet.
    meter_limits(1.0, kind=meter)
    volume_classes(classes)
    observed_s = trace.duration_s - trace.gap_s
    reading = Reading(pulse_l=trace.pulse_l, interval_s=trace.interval_s)
    refills = refills_of(result, "flush")
    resolved = resolve_toilets(refills, reading=reading)
    names = toilet_names([refills.row[t.full | t.reduced] for t in resolved.toilets], result.events)
    toilets = tuple(
        _toilet(
            name,
            found,
            refills,
            result,
            reading=reading,
            observed_s=observed_s,
            meter=meter,
            classes=classes,
            new_l=replacement_l,
        )
        for name, found in zip(names, resolved.toilets, strict=True)
    )
    leak = flapper_leak(
        result,
        names=names,
        flow_lpm=np.array([t.refill_lpm for t in toilets]),
        observed_s=observed_s,
    )
    return FlushStudy(
        toilets=toilets,
        left_out=resolved.left_out,
        leak=leak,
        runs=long_runs(result),
        observed_s=observed_s,
        metered_l=trace.metered_l,
        pulse_l=trace.pulse_l,
        interval_s=trace.interval_s,
        meter=meter,
        limits=_limits(observed_s, reading),
        members=_members(names, resolved.toilets, refills),
    )


def _limits(observed_s: float, reading: Reading) -> tuple[str, ...]:
    """Say what a trace of that length and reading can't tell."""
    limits = []
    if observed_s < SHORT_D * SECONDS_PER_DAY:
        limits.append("the record is short: a toilet that is seldom used may be missing, and a weekday is not a week")
    if reading.interval_s >= COARSE_S:
        limits.append(
            f"at {reading.interval_s:g} s, hands washed during a refill are one event with it, and fills of other "
            "fixtures pass for flushes: volumes hold better than the number of toilets does, two toilets of like "
            f"volume and flow are one here, and one with less than {100 * LEAST_SHARE_COARSE:.0f} % of the flushes "
            "isn't told; a class is called only where the volume lies well inside it"
        )
    if reading.pulse_l >= COARSE_PULSE_L:
        limits.append("a pulse is a large part of a flush: only the mean of many flushes is known")
    return tuple(limits)


def _members(names: Sequence[str], found: Sequence[ToiletRefills], refills: Refills) -> Table:
    """Return which flush is whose, sorted by event."""
    event = np.concatenate([refills.row[t.full | t.reduced] for t in found]) if found else np.empty(0, np.int64)
    toilet = [name for name, t in zip(names, found, strict=True) for _ in range(int((t.full | t.reduced).sum()))]
    kind = np.concatenate([np.where(t.full, "full", "reduced")[t.full | t.reduced] for t in found] or [np.empty(0)])
    table = Table({"event": event, "toilet": pd.array(toilet, dtype="str"), "kind": pd.array(kind, dtype="str")})
    return Table(table.sort_values("event", ignore_index=True))


def _toilet(
    name: str,
    found: ToiletRefills,
    refills: Refills,
    result: Disaggregation,
    *,
    reading: Reading,
    observed_s: float,
    meter: MeterKind,
    classes: ClassSet,
    new_l: float | None,
) -> Toilet:
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
    mine = found.full | found.reduced
    per_day = float(count.sum()) * SECONDS_PER_DAY / observed_s if observed_s else 0.0
    used_l = mean * float(count.sum())
    effective = None if reduced is None else dual_flush_effective_l(reduced_l=reduced.volume_l, full_l=full.volume_l)
    named = result.events["fixture"].iloc[refills.row[mine]].value_counts()
    return Toilet(
        name=name,
        fixtures=tuple(str(fixture) for fixture in named.index),
        at_least=_at_once(refills.chosen(mine)),
        full=full,
        reduced=reduced,
        flushes_per_day=per_day,
        refill_lpm=found.flow_lpm,
        refill_s=full.volume_l / found.flow_lpm * SECONDS_PER_MINUTE,
        share_of_home=min(used_l / result.trace.metered_l, 1.0) if result.trace.metered_l else 0.0,
        drift=_drift(refills.start_s[found.full], refills.volume_l[found.full], full),
        classes=call_class(*_called_between_l(full, reduced, reading), which=classes),
        effective_l=effective,
        mean_l=mean,
        meter=limits,
        saving=replacement_saving(mean, low, high, flushes_per_day=per_day, new_l=new_l),
    )


def _called_between_l(full: FlushVolume, reduced: FlushVolume | None, reading: Reading) -> tuple[float, float]:
    """Return between which volumes the class of a full flush is called [L].

    On a coarse trace the groups themselves may be wrong by what hands take: a full flush may be the reduced one with
    hands washed, a toilet another one's refills cut short or mixed.
    """
    if reading.interval_s < COARSE_S:
        return full.low_l, full.high_l
    low_l = full.low_l
    if reduced is not None and reduced.volume_l >= DOUBTED_REDUCED * full.volume_l:
        low_l = reduced.low_l
    doubt_l = DOUBTED_PULSES * reading.pulse_l
    return max(low_l - doubt_l, 0.0), full.high_l + doubt_l


def _volume(mine: Refills, near_l: float, limits: MeterLimits, reading: Reading) -> FlushVolume:
    # Something right before or after may have mixed with a refill: take those that stand alone where there are enough.
    chosen = mine.volume_l[mine.isolated] if mine.isolated.sum() >= ENOUGH_ALONE else mine.volume_l
    own: OwnVolume = own_volume(chosen, near_l=near_l, pulse_l=reading.pulse_l, interval_s=reading.interval_s)
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


def _drift(start_s: FloatArray, volume_l: FloatArray, full: FlushVolume) -> Drift | None:
    """Fit a straight line over time through the volumes near the toilet's own, by the median of all slopes."""
    near: BoolArray = np.abs(volume_l / full.volume_l - 1.0) < DRIFT_NEAR
    t, v = start_s[near] / SECONDS_PER_DAY / DAYS_PER_MONTH, volume_l[near]
    if near.sum() < 2 * DRIFT_FLUSHES:
        return None
    middle = 0.5 * (t[0] + t[-1])
    if min((t < middle).sum(), (t >= middle).sum()) < DRIFT_FLUSHES:
        return None
    usual, sure = theilslopes(v, t, alpha=COVERAGE), theilslopes(v, t, alpha=DRIFT_SURE)
    return Drift(
        per_month_l=float(usual[0]),
        low_l=float(usual[2]),
        high_l=float(usual[3]),
        told=bool(sure[2] > 0.0 or sure[3] < 0.0),
    )
