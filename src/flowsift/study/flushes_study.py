"""The study of one home: what each toilet takes per flush, how sure that is, and what it means."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from flowsift.disaggregation import Disaggregation
from flowsift.errors import OptionError
from flowsift.study.flushes_classes import ClassSet, volume_classes
from flowsift.study.flushes_leaks import FlapperLeak, LongRuns, flapper_leak, long_runs
from flowsift.study.flushes_measured import COARSE_PULSE_L, Toilet, measured_toilet
from flowsift.study.flushes_meter import MeterKind, meter_limits
from flowsift.study.flushes_modes import Reading
from flowsift.study.flushes_names import toilet_names
from flowsift.study.flushes_refills import Refills, refills_of
from flowsift.study.flushes_shape import COARSE_S
from flowsift.study.flushes_toilets import LeftOut, ToiletRefills, resolve_toilets
from flowsift.study.flushes_volume import COVERAGE
from flowsift.tables import Table
from flowsift.units import SECONDS_PER_DAY

SHORT_D = 7.0
"""A record shorter than this is called short [d]."""


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
    how many it surely holds. On coarse traces (`flushes_shape.COARSE_S`) a seldom used toilet isn't told.

    Parameters
    ----------
    result : Disaggregation
        From `flowsift.disaggregate`, or another method with the same table of events.
    meter : {"displacement", "class-2", "exact"}
        Meter whose published limits are used.
    classes : {"us", "uk"}
        Classes of flush volume.
    replacement_l : float, optional
        Volume per flush of a replacement [L], >= 0; the high-efficiency limit if not given.

    Returns
    -------
    FlushStudy
        Without toilets where no volume repeats.

    Raises
    ------
    OptionError
        If `meter` or `classes` is unknown, or `replacement_l` is negative or no number.

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
    if replacement_l is not None and not (math.isfinite(replacement_l) and replacement_l >= 0):
        raise OptionError(f"replacement_l is {replacement_l!r}, expected a number of at least 0")
    observed_s = trace.duration_s - trace.gap_s
    reading = Reading(pulse_l=trace.pulse_l, interval_s=trace.interval_s)
    refills = refills_of(result, "flush")
    resolved = resolve_toilets(refills, reading=reading)
    n_flushes = sum(int(found.all.sum()) for found in resolved.toilets)
    n_left_out = sum(left.n_events for left in resolved.left_out)
    names = toilet_names([refills.row[t.all] for t in resolved.toilets], result.events)
    toilets = tuple(
        measured_toilet(
            name,
            found,
            refills,
            result,
            reading=reading,
            observed_s=observed_s,
            n_left_out=n_left_out * float(found.all.sum()) / n_flushes,
            meter=meter,
            classes=classes,
            new_l=replacement_l,
        )
        for name, found in zip(names, resolved.toilets, strict=True)
    )
    leak = flapper_leak(
        result,
        names=names,
        flow_lpm=np.array([t.flow_lpm for t in resolved.toilets]),
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
            "volume and flow are one here, and one that is seldom used isn't told"
        )
    if reading.pulse_l >= COARSE_PULSE_L:
        limits.append("a pulse is a large part of a flush: only the mean of many flushes is known")
    return tuple(limits)


def _members(names: Sequence[str], found: Sequence[ToiletRefills], refills: Refills) -> Table:
    """Return which flush is whose, sorted by event."""
    event = np.concatenate([refills.row[t.all] for t in found]) if found else np.empty(0, np.int64)
    toilet = [name for name, t in zip(names, found, strict=True) for _ in range(int(t.all.sum()))]
    kind = np.concatenate([np.where(t.full, "full", "reduced")[t.all] for t in found] or [np.empty(0)])
    table = Table({"event": event, "toilet": pd.array(toilet, dtype="str"), "kind": pd.array(kind, dtype="str")})
    return Table(table.sort_values("event", ignore_index=True))
