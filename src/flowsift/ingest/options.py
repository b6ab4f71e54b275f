"""Options of reading a trace, checked where they are given."""

from __future__ import annotations

from typing import Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np

from flowsift.errors import OptionError
from flowsift.units import NS_PER_S

Absent = Literal["missing", "zero"]

SMALLEST_GIVEN_PULSE_L, LARGEST_GIVEN_PULSE_L = 1e-6, 1e5
"""Pulse volumes that can be given [L]: meters emit pulses of 0.001 to 10 L, and up to 10 m3 where they only bill; a
wide margin on either side (assumption) still catches a volume in the wrong unit by many orders."""

SHORTEST_INTERVAL_S, LONGEST_INTERVAL_S = 0.001, 366 * 86_400.0
"""Intervals of a trace [s]: no water meter is read a thousand times a second (assumption)."""


def checked_interval_ns(interval_s: float) -> int:
    """Return an interval that was given [ns] (OptionError unless it lies between a millisecond and a year)."""
    number = isinstance(interval_s, int | float | np.number)
    if not (number and SHORTEST_INTERVAL_S <= interval_s <= LONGEST_INTERVAL_S):
        raise OptionError(
            f"interval_s is {interval_s!r}, expected a positive number of seconds, {SHORTEST_INTERVAL_S:g} to a year"
        )
    return round(interval_s * NS_PER_S)


def checked_pulse_l(pulse_l: float) -> float:
    """Return a pulse volume that was given (OptionError unless it is one that a meter can have)."""
    number = isinstance(pulse_l, int | float | np.number)
    if not (number and SMALLEST_GIVEN_PULSE_L <= pulse_l <= LARGEST_GIVEN_PULSE_L):
        raise OptionError(
            f"pulse_l is {pulse_l!r}, expected a volume from {SMALLEST_GIVEN_PULSE_L:g} to "
            f"{LARGEST_GIVEN_PULSE_L:,.0f} litres"
        )
    return float(pulse_l)


def given_pulse_l(pulse_l: float | None) -> float | None:
    """Return a pulse volume that may be given: None stays, and 0 says that the meter has no pulse."""
    return pulse_l if pulse_l is None or pulse_l == 0 else checked_pulse_l(pulse_l)


def checked_absent(absent: str) -> Absent:
    """Return `absent` if it is a known word (OptionError otherwise)."""
    if absent not in ("missing", "zero"):
        raise OptionError(f"absent is {absent!r}, expected 'missing' or 'zero'")
    return absent  # type: ignore[return-value]


def checked_zone(timezone: str | ZoneInfo) -> str:
    """Return the name of a zone of the tz database (OptionError for an unknown one)."""
    name = str(timezone) if isinstance(timezone, ZoneInfo) else timezone
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, TypeError, OSError) as error:
        raise OptionError(
            f"unknown time zone {timezone!r}, expected a name of the tz database such as America/Denver"
        ) from error
    return name
