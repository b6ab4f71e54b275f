"""How long each step of an isolation test must last, and the smallest leak that a meter can show."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from flowsift.errors import OptionError
from flowsift.standards import minimum_test_flow
from flowsift.study.isolation_steps import MARGIN_S, SETTLE_S
from flowsift.units import SECONDS_PER_MINUTE

SETTLING_MIN = (SETTLE_S + MARGIN_S) / SECONDS_PER_MINUTE
"""Time lost at the ends of each step, while pipes settle and for the clock [min]."""

PRECISION = 0.5
"""A leak is resolved when its bounds are within this share of it on either side."""

PLANNED_PULSES = 6.0
"""Pulses that a step must bring, so that the ticks between them hold the three that a quiet stretch must rest on
whatever the meter's phase (`steady_rate.LEAST_PULSES`)."""

LEAST_CELLS = 4
"""Intervals that a step must hold at least, to be read at all."""


def step_minutes(rate_lpm: float, *, pulse_l: float, interval_s: float = 1.0, precision: float = PRECISION) -> float:
    """Return how long each of two steps must last for their difference to resolve a leak [min].

    The rate of a step is known to one pulse over its quiet time ``T``, the difference of two equal steps to
    ``sqrt(2) * pulse / T``; a leak is resolved when that is at most `precision` of it. `PLANNED_PULSES` must come in
    any case, and time in which water is used comes on top.

    Parameters
    ----------
    rate_lpm : float
        Leak to be resolved [L/min], > 0.
    pulse_l : float
        Volume of one pulse [L], > 0.
    interval_s : float
        Length of the intervals of the log [s].
    precision : float
        Largest half-width of the bounds as a share of the rate, > 0.

    Returns
    -------
    float
        Minutes from valve to valve, rounded up.

    Raises
    ------
    OptionError
        If a number is not positive and finite.
    """
    for name, value in (("rate", rate_lpm), ("pulse", pulse_l), ("interval", interval_s), ("precision", precision)):
        if not (math.isfinite(value) and value > 0):
            raise OptionError(f"{name} is {value!r}, expected a number above 0")
    pulses = max(np.sqrt(2.0) / precision, PLANNED_PULSES)
    quiet_min = max(pulses * pulse_l / rate_lpm, LEAST_CELLS * interval_s / SECONDS_PER_MINUTE)
    return float(math.ceil(quiet_min + SETTLING_MIN - 1e-9))


@dataclass(frozen=True, kw_only=True)
class StepPlan:
    """How long the steps of an isolation test must last.

    Attributes
    ----------
    rate_lpm : float
        Leak to be resolved [L/min].
    pulse_l : float
        Volume of a pulse [L].
    interval_s : float
        Length of the intervals of the log [s].
    minutes : float
        From valve to valve [min].
    test_flow_lpm : float or None
        Smallest flow that a new meter of this size must see [L/min], None where no size is given.
    test_flow_source : str
        Where that is published.
    """

    rate_lpm: float
    pulse_l: float
    interval_s: float
    minutes: float
    test_flow_lpm: float | None = None
    test_flow_source: str = ""


def plan_steps(rate_lpm: float, *, pulse_l: float, interval_s: float = 1.0, meter_size: str | None = None) -> StepPlan:
    """Plan the steps of an isolation test.

    Parameters
    ----------
    rate_lpm, pulse_l, interval_s
        As in `step_minutes`, and so are the errors.
    meter_size : str, optional
        One of `flowsift.standards.METER_SIZES`.
    """
    minutes = step_minutes(rate_lpm, pulse_l=pulse_l, interval_s=interval_s)
    record = minimum_test_flow(meter_size) if meter_size is not None else None
    return StepPlan(
        rate_lpm=rate_lpm,
        pulse_l=pulse_l,
        interval_s=interval_s,
        minutes=minutes,
        test_flow_lpm=record.value_lpm if record is not None else None,
        test_flow_source=str(record.source) if record is not None else "",
    )


def smallest_visible_lpm(*, pulse_l: float, duration_s: float, starting_lpm: float = 0.0) -> float:
    """Return the smallest constant flow that shows within a time [L/min].

    Two pulses must come for a flow to be told from the leftover of an earlier use: the first may have been nearly due.
    Below the starting flow of the meter nothing shows, however long one waits.

    Parameters
    ----------
    pulse_l : float
        Volume of one pulse [L], >= 0.
    duration_s : float
        Quiet time [s], > 0.
    starting_lpm : float
        Starting flow of the meter [L/min]; where it isn't known, the published smallest test flow is the least that a
        new meter must see (`flowsift.standards.minimum_test_flow`).

    Raises
    ------
    OptionError
        If a number is out of range.
    """
    if not (math.isfinite(duration_s) and duration_s > 0):
        raise OptionError(f"duration_s is {duration_s!r}, expected a time above 0")
    if pulse_l < 0 or starting_lpm < 0:
        raise OptionError("pulse_l and starting_lpm are expected to be at least 0")
    return max(2.0 * pulse_l / duration_s * SECONDS_PER_MINUTE, starting_lpm)
