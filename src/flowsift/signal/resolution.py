"""What a trace can't tell for its pulse, its interval and its length."""

from __future__ import annotations

from functools import partial

from flowsift.quality import Finding, finding_of, flow, volume
from flowsift.signal.trickle_floor import SCALES, STRETCH_PULSES
from flowsift.trace import Trace
from flowsift.units import SECONDS_PER_MINUTE

SURELY = 2.0
"""A trickle shows for sure from this many times the least that can show. By `benchmarks/trickles.py` on training seeds
192 of 193 leaks did from there on, and 32 of 35 from once to twice the least."""

FINEST_PULSE_L = 1e-4
"""Pulse of a register without a step, as far as trickles go [L] (assumption: its own noise)."""

SHORT_USE_S = 20.0
"""A tap runs about this long (common practice); with fewer looks at it its flow is not seen."""

READERS_SAY_S = 60.0
"""From this interval on, the finding of the reader says what can't be told."""

SMALL_USE_L = 1.0
"""A tap takes about this much (common practice); with a larger pulse it is not seen by itself."""


def least_visible_lpm(*, pulse_l: float, known_s: float) -> float:
    """Return the least constant flow that can show [L/min].

    `STRETCH_PULSES` pulses in the longest stretch whose window fits into the time known. Infinite for a time shorter
    than the shortest window.

    Parameters
    ----------
    pulse_l : float
        The meter's pulse [L]; a register without a step has one of `FINEST_PULSE_L`.
    known_s : float
        Length of the record without its gaps [s].
    """
    fits = [scale for scale in SCALES if scale.window_s <= known_s]
    if not fits:
        return float("inf")
    return STRETCH_PULSES * max(pulse_l, FINEST_PULSE_L) / (fits[-1].stretch_s / SECONDS_PER_MINUTE)


def smallest_trickle_lpm(trace: Trace) -> float:
    """Return the smallest constant flow that this trace would have shown [L/min].

    `SURELY` times the least that can show; what the meter's moving parts miss below their starting flow is not in it.
    """
    return SURELY * least_visible_lpm(pulse_l=trace.pulse_l, known_s=trace.duration_s - trace.gap_s)


def limits(trace: Trace) -> tuple[Finding, ...]:
    """List what can't be told from a trace of this resolution."""
    limit = partial(finding_of, kind="limit")
    found = []
    smallest = smallest_trickle_lpm(trace)
    if smallest == float("inf"):
        hours = SCALES[0].window_s / 3600.0
        text = f"the record is shorter than {hours:g} hours: a trickle can't be told from a use"
        found.append(limit(text, what="constant flow"))
    else:
        text = (
            "a constant flow below {} may not show with this pulse and length; mechanical meters also stop below their "
            "starting flow"
        )
        found.append(limit(text, flow(smallest), what="smallest trickle"))
    if SHORT_USE_S / 2 <= trace.interval_s < READERS_SAY_S:
        text = (
            f"intervals of {trace.interval_s:g} s: short draws of taps, partial flushes and dishwasher fills are hard "
            "to tell apart, and so are uses that overlap"
        )
        found.append(limit(text, what="short uses"))
    if trace.pulse_l > SMALL_USE_L / 2:
        text = "pulses of {}: uses of less than a few pulses show only as volume, and volumes are known to one pulse"
        found.append(limit(text, volume(trace.pulse_l), what="small uses"))
    return tuple(found)
