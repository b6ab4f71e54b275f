"""Can the meter be trusted? Zero test, register check and bucket test, and a correction that is applied when asked."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd

from flowsift.errors import NotEnoughDataError, OptionError
from flowsift.ingest.falls import RESET, SET_BACK
from flowsift.quality import Finding
from flowsift.standards import figure, minimum_test_flow
from flowsift.study.steady_rate import steady_rate, step_l
from flowsift.trace import Trace
from flowsift.units import L_PER_UNIT, NS_PER_S, SECONDS_PER_MINUTE

Verdict = Literal["sound", "doubtful", "wrong", "can't tell"]

ROUND_RATIOS = {f"1 {a} read as 1 {b}": L_PER_UNIT[a] / L_PER_UNIT[b] for a in L_PER_UNIT for b in L_PER_UNIT if a != b}
ROUND_RATIOS |= {f"{n} times the pulse volume": float(n) for n in (2, 4, 5, 10, 100, 1000)}
ROUND_RATIOS |= {f"1/{n} of the pulse volume": 1.0 / n for n in (2, 4, 5, 10, 100, 1000)}
"""Factors that come of a unit or a pulse volume set wrong."""

AROUND_S = 1800.0
"""Time before and after a draw in which a steady flow is looked for [s]: long enough for a small one to show beside
uses (assumption)."""


@dataclass(frozen=True, kw_only=True)
class ZeroTest:
    """What the meter read while the supply behind it was closed.

    Attributes
    ----------
    minutes : float
        Time with data [min].
    n_pulses : float
        Pulses that came.
    volume_l : float
        Volume read [L].
    rate_lpm, low_lpm, high_lpm : float
        Steady flow read and its bounds [L/min].
    verdict : {"sound", "doubtful", "wrong", "can't tell"}
    reason : str
    """

    minutes: float
    n_pulses: float
    volume_l: float
    rate_lpm: float
    low_lpm: float
    high_lpm: float
    verdict: Verdict
    reason: str


@dataclass(frozen=True, kw_only=True)
class Factor:
    """A correction factor: true volume over recorded volume.

    Attributes
    ----------
    factor, low, high : float
        Factor and its bounds.
    known_l, recorded_l : float
        Volumes that were compared [L].
    verdict : {"sound", "doubtful", "wrong", "can't tell"}
    reason : str
    source : str
        ``register`` or ``bucket``.
    steady_lpm : float
        Steady flow that ran around a bucket test and is not taken off [L/min]; 0 where it counts for nothing.
    """

    factor: float
    low: float
    high: float
    known_l: float
    recorded_l: float
    verdict: Verdict
    reason: str
    source: str
    steady_lpm: float = 0.0


def zero_test(trace: Trace, *, start_s: float, end_s: float) -> ZeroTest:
    """Read the meter while everything behind it is closed: it must read nothing.

    Nothing read counts for something only where the least flow of the meter's own test would have shown.

    Parameters
    ----------
    trace : Trace
    start_s, end_s : float
        Span in which the supply was closed, in seconds since the start of the trace.

    Raises
    ------
    NotEnoughDataError
        If the span holds fewer than two intervals with data.

    Examples
    --------
    >>> import numpy as np
    >>> import flowsift as fs
    >>> trace = fs.Trace.from_volumes(np.arange(3600.0), np.zeros(3600), 0.1)
    >>> fs.study.zero_test(trace, start_s=0.0, end_s=3600.0).verdict
    'sound'
    """
    rate = steady_rate(trace, start_s=start_s, end_s=end_s)
    pulse = step_l(trace)
    n = rate.volume_l / pulse
    verdict: Verdict
    if n < 0.5 and rate.high_lpm > minimum_test_flow().value_lpm:
        verdict, reason = "can't tell", "too short for this pulse: a flow that meters must register may have run unseen"
    elif n < 0.5:
        verdict, reason = "sound", "it read nothing"
    elif n < 1.5:
        verdict, reason = "can't tell", "one pulse came: it may have been nearly due; close for longer"
    else:
        verdict = "wrong"
        reason = (
            "it read flow: the valve doesn't hold, something leaks between meter and valve, or the logger counts "
            "pulses that no water made"
        )
    return ZeroTest(
        minutes=rate.window_s / SECONDS_PER_MINUTE,
        n_pulses=n,
        volume_l=rate.volume_l,
        rate_lpm=rate.rate_lpm,
        low_lpm=rate.low_lpm,
        high_lpm=rate.high_lpm,
        verdict=verdict,
        reason=reason,
    )


def register_check(
    trace: Trace, *, start_s: float, end_s: float, first_l: float, last_l: float, least_count_l: float
) -> Factor:
    """Compare two readings of the register with the volume recorded between them.

    Parameters
    ----------
    trace : Trace
    start_s, end_s : float
        Times of the readings in seconds since the start of the trace.
    first_l, last_l : float
        Readings [L].
    least_count_l : float
        Smallest step that was read off [L]; each reading is good to half of it.

    Raises
    ------
    NotEnoughDataError
        If nothing was recorded, or data are missing between the readings whose volume isn't known.
    OptionError
        If the readings go backwards or the least count is no volume.

    Examples
    --------
    >>> import numpy as np
    >>> import flowsift as fs
    >>> trace = fs.Trace.from_flow(np.arange(36000.0), np.full(36000, 6.0))  # ten hours at 6 L/min: 3600 L
    >>> readings = {"first_l": 1000.0, "last_l": 4600.0, "least_count_l": 1.0}
    >>> fs.study.register_check(trace, start_s=0.0, end_s=36000.0, **readings).verdict
    'sound'
    """
    if not (math.isfinite(first_l) and math.isfinite(last_l) and last_l > first_l):
        first, last = (f"{reading_l / L_PER_UNIT[trace.unit]:.10g}" for reading_l in (first_l, last_l))
        problem = f"the readings are {first} and {last} {trace.unit}, expected the second to be the larger"
        raise OptionError(problem + _started_anew(trace, start_s, end_s))
    recorded = recorded_l(trace, start_s=start_s, end_s=end_s)
    return _factor(
        known_l=last_l - first_l,
        known_half_l=_checked_volume("least_count_l", least_count_l) / math.sqrt(2.0),
        recorded_l=recorded,
        recorded_half_l=step_l(trace),
        source="register",
    )


def bucket_test(
    trace: Trace,
    *,
    spans_s: Sequence[tuple[float, float]],
    volumes_l: Sequence[float],
    resolution_l: float,
    background_lpm: float | None = None,
) -> Factor:
    """Compare known volumes drawn into a bucket with what the meter recorded of them.

    Parameters
    ----------
    trace : Trace
    spans_s : sequence of (float, float)
        Span of each draw, a few seconds longer on both sides, in seconds since the start of the trace.
    volumes_l : sequence of float
        Volume of each draw as measured [L].
    resolution_l : float
        How well each is known [L]: half-width.
    background_lpm : float, optional
        Steady flow at the time (a leak), which is taken off [L/min]. Where it isn't given and the trace shows one
        around the draws that brings more than their resolution, the answer is "can't tell" and names it
        (`Factor.steady_lpm`).

    Raises
    ------
    NotEnoughDataError
        If nothing was recorded, or data are missing in a span.
    OptionError
        If lengths differ, a volume is not positive or the background is negative or no number.

    Examples
    --------
    >>> import numpy as np
    >>> import flowsift as fs
    >>> trace = fs.Trace.from_flow(np.arange(36000.0), np.full(36000, 6.0))  # ten hours at 6 L/min: 3600 L
    >>> found = fs.study.bucket_test(trace, spans_s=[(0.0, 200.0)], volumes_l=[20.0], resolution_l=0.05)
    >>> round(found.factor, 3)
    1.0
    """
    if len(spans_s) != len(volumes_l) or not volumes_l:
        raise OptionError(f"found {len(spans_s)} spans and {len(volumes_l)} volumes, expected one or more of each")
    known = sum(_checked_volume("volume", volume) for volume in volumes_l)
    recorded = sum(recorded_l(trace, start_s=a, end_s=b) for a, b in spans_s)
    minutes = sum(b - a for a, b in spans_s) / SECONDS_PER_MINUTE
    if background_lpm is not None and not (math.isfinite(background_lpm) and background_lpm >= 0):
        raise OptionError(f"background_lpm is {background_lpm!r}, expected a flow of at least 0")
    recorded -= (background_lpm or 0.0) * minutes
    n = len(volumes_l)
    known_half_l = _checked_volume("resolution_l", resolution_l) * math.sqrt(n)
    factor = _factor(
        known_l=known,
        known_half_l=known_half_l,
        recorded_l=recorded,
        recorded_half_l=step_l(trace) * math.sqrt(n),
        source="bucket",
    )
    steady_lpm = 0.0 if background_lpm is not None else _steady_around_lpm(trace, spans_s)
    if steady_lpm * minutes <= known_half_l:
        return factor
    reason = "a steady flow ran around it, which may be in what was recorded: take it off"
    return replace(factor, verdict="can't tell", reason=reason, steady_lpm=steady_lpm)


def corrected(trace: Trace, factor: Factor) -> Trace:
    """Return the trace with every volume multiplied by the factor, and a finding that says so.

    Parameters
    ----------
    trace : Trace
    factor : Factor
        From `register_check` or `bucket_test`.

    Raises
    ------
    OptionError
        If the factor is no positive number.

    Examples
    --------
    >>> import numpy as np
    >>> import flowsift as fs
    >>> trace = fs.Trace.from_flow(np.arange(36000.0), np.full(36000, 6.0))  # ten hours at 6 L/min: 3600 L
    >>> found = fs.study.bucket_test(trace, spans_s=[(0.0, 200.0)], volumes_l=[22.0], resolution_l=0.05)
    >>> round(fs.study.corrected(trace, found).metered_l)
    3960
    """
    value = factor.factor
    if not (math.isfinite(value) and value > 0):
        raise OptionError(f"the factor is {value!r}, expected a number above 0")
    scaled = replace(
        trace,
        volume_l=trace.volume_l * value,
        gap_volume_l=trace.gap_volume_l * value,
        pulse_l=trace.pulse_l * value,
    )
    treatment = f"Every volume was multiplied by {value:.4f} ({factor.low:.4f} to {factor.high:.4f}), by a "
    return scaled.with_findings(
        Finding(kind="assumption", what="meter correction", treatment=f"{treatment}{factor.source} test.")
    )


def recorded_l(trace: Trace, *, start_s: float, end_s: float) -> float:
    """Return the volume recorded in a span [L]; cells cut by its ends count in proportion.

    Raises
    ------
    NotEnoughDataError
        If the span lies outside the trace, is empty, or data are missing in it whose volume isn't known.
    """
    if not (0.0 <= start_s < end_s <= trace.duration_s + 1e-6):
        raise NotEnoughDataError(
            f"the span from {start_s:.0f} s to {end_s:.0f} s is not inside the trace of {trace.duration_s:.0f} s"
        )
    a, b = start_s / trace.interval_s, end_s / trace.interval_s
    i, j = np.searchsorted(trace.cell, [math.floor(a), math.ceil(b)])
    cell = trace.cell[i:j].astype(np.float64)
    share = np.clip(np.minimum(cell + 1.0, b) - np.maximum(cell, a), 0.0, 1.0)
    volume = float((trace.volume_l[i:j] * share).sum())
    for (first, stop), known in zip(trace.gaps, trace.gap_volume_l, strict=True):
        if stop <= a or first >= b:
            continue
        if known <= 0 or first < a or stop > b:
            raise NotEnoughDataError("data are missing in the span: choose one without a gap")
        volume += float(known)
    return volume


def _steady_around_lpm(trace: Trace, spans_s: Sequence[tuple[float, float]]) -> float:
    """Return the steady flow that surely ran around draws, their mean weighted by time [L/min]."""
    rates = [steady_rate(trace, start_s=a - AROUND_S, end_s=b + AROUND_S) for a, b in spans_s]
    sure_lpm = [rate.rate_lpm if rate.low_lpm > 0 else 0.0 for rate in rates]
    return float(np.average(sure_lpm, weights=[b - a for a, b in spans_s]))


def _started_anew(trace: Trace, start_s: float, end_s: float) -> str:
    """Say that the counter started anew within a span, where the trace knows of it."""
    for finding in trace.findings:
        if finding.what not in (RESET, SET_BACK) or finding.first_ns is None:
            continue
        if start_s <= (finding.first_ns - trace.start_ns) / NS_PER_S <= end_s:
            at = pd.Timestamp(finding.first_ns, tz="UTC").tz_convert(trace.timezone)
            return (
                f"; in between, at {at:%Y-%m-%d %H:%M}, the counter started anew (a meter exchanged or reset): take "
                "both readings on one side of it"
            )
    return ""


def _factor(*, known_l: float, known_half_l: float, recorded_l: float, recorded_half_l: float, source: str) -> Factor:
    if recorded_l <= 0:
        raise NotEnoughDataError(f"nothing was recorded of {known_l:.1f} L: no pulses, or the wrong times")
    factor = known_l / recorded_l
    half = factor * math.hypot(known_half_l / known_l, recorded_half_l / recorded_l)
    low, high = max(factor - half, 0.0), factor + half
    verdict, reason = _judged(factor, low, high)
    if source == "register" and verdict in ("sound", "doubtful") and not low <= 1.0 <= high:
        # Logger and register hang on one measuring element: they differ by pulses lost or doubled, not by its error.
        reason += "; yet a log of the same meter should agree with its register: pulses are lost or counted twice"
    return Factor(
        factor=factor,
        low=low,
        high=high,
        known_l=known_l,
        recorded_l=recorded_l,
        verdict=verdict,
        reason=reason,
        source=source,
    )


def _judged(factor: float, low: float, high: float) -> tuple[Verdict, str]:
    """Judge a factor by the published limits of a new meter's registration at ordinary flows (98.5 to 101.5 %)."""
    limits = figure("meter.new_meter_intermediate_and_maximum_flow")
    least, most = 100.0 / limits.high, 100.0 / limits.low
    if high - low > 2 * (most - least):
        return "can't tell", f"known to {50 * (high - low) / factor:.0f} % only: compare a larger volume"
    if low > most or high < least:
        close = [name for name, ratio in ROUND_RATIOS.items() if low <= ratio <= high and abs(ratio - 1) > 0.1]
        if close:
            return "wrong", f"a unit or pulse volume is set wrong: it fits {close[0]}"
        which = "less" if factor > 1 else "more"
        return "wrong", f"it records {which} than passes, beyond the {limits.low:g} to {limits.high:g} % of a new meter"
    if least <= low and high <= most:
        return "sound", f"within the {limits.low:g} to {limits.high:g} % of a new meter"
    if low <= 1.0 <= high:
        return "sound", "no error shows within the bounds"
    return "doubtful", "an error shows, within what a new meter may have or near it"


def _checked_volume(name: str, value: float) -> float:
    if not (math.isfinite(value) and value > 0):
        raise OptionError(f"{name} is {value!r}, expected a volume above 0")
    return float(value)
