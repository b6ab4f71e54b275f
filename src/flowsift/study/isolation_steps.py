"""What each step of an isolation test measures: its steady flow, its refill surge, and whether it can be used."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from flowsift.errors import NotEnoughDataError
from flowsift.study.isolation_draws import draws_above
from flowsift.study.isolation_log import Step, is_off
from flowsift.study.steady_rate import SteadyRate, steady_rate
from flowsift.trace import Trace
from flowsift.units import SECONDS_PER_MINUTE

SETTLE_S = 60.0
"""Time after a valve has moved that is left out [s]: pipes refill or lose their pressure, and clocks differ
(assumption: a home's pipes refill in seconds)."""

MARGIN_S = 15.0
"""Time before a valve moves that is left out [s]: written times are good to a quarter of a minute at best."""

SURGE_S = 120.0
"""Water above the steady flow within this time after an opening is the refill surge [s]."""

ZERO_SHARE = 0.1
"""A step without a pulse reads zero if it bounds the flow to this share of the largest step; else it was too short."""


@dataclass(frozen=True, kw_only=True)
class MeasuredStep:
    """One step and its steady flow.

    Attributes
    ----------
    step : Step
    rate : SteadyRate or None
        None where the step is too short to measure anything.
    surge_l : float
        Refill of the pipes after an opening, above the steady flow [L]; it is neither a use nor a leak.
    beyond_l : float
        Water of the measured part beyond the steady flow [L]: uses, or a toilet that refills.
    draws_l : tuple of float
        Volume of each draw that shows in it [L].
    used : bool
        False where the rate can't be the leak's: more flowed than with less closed, so a use ran all through it.
    note : str
        What is wrong with the step, empty for nothing.
    """

    step: Step
    rate: SteadyRate | None
    surge_l: float = 0.0
    beyond_l: float = 0.0
    draws_l: tuple[float, ...] = ()
    used: bool
    note: str


def measured_window(step: Step) -> tuple[float, float]:
    """Return the part of a step that is measured: without the time in which pipes and pressures settle [s]."""
    margin = min(MARGIN_S, 0.1 * (step.end_s - step.start_s))
    settle = min(SETTLE_S, 0.3 * (step.end_s - step.start_s))
    return step.start_s + settle, step.end_s - margin


def measured_steps(trace: Trace, steps: Sequence[Step]) -> list[MeasuredStep]:
    """Measure the steady flow of each step, and set apart those in which a use ran all through."""
    rates: list[SteadyRate | None] = []
    for step in steps:
        start_s, end_s = measured_window(step)
        try:
            rates.append(steady_rate(trace, start_s=start_s, end_s=end_s))
        except NotEnoughDataError:
            rates.append(None)
    most_lpm = max((rate.rate_lpm for rate in rates if rate is not None), default=0.0)
    measured = []
    for i, (step, rate) in enumerate(zip(steps, rates, strict=True)):
        if rate is None:
            measured.append(MeasuredStep(step=step, rate=None, used=False, note="too short to measure"))
            continue
        note = "" if not rate.is_limit else "short: too few pulses to measure, only a limit"
        if rate.volume_l == 0.0 and rate.high_lpm <= ZERO_SHARE * most_lpm:
            note = "reads zero"
        used = True
        for j, other in enumerate(rates):
            # Closing can only take flow away: a step with more flow than one with less closed had a use running.
            if other is not None and j != i and _closes_all_of(step, steps[j]) and rate.low_lpm > other.high_lpm:
                used, note = False, "a use ran all through it: repeat it"
        start_s, end_s = measured_window(step)
        if step.opened:
            start_s = max(start_s, step.start_s + SURGE_S)
        measured.append(
            MeasuredStep(
                step=step,
                rate=rate,
                surge_l=_surge_l(trace, step, rate.rate_lpm) if step.opened else 0.0,
                beyond_l=max(rate.volume_l - rate.rate_lpm * rate.window_s / SECONDS_PER_MINUTE, 0.0),
                draws_l=draws_above(trace, rate, start_s=start_s, end_s=end_s),
                used=used,
                note=note,
            )
        )
    return measured


def _closes_all_of(step: Step, other: Step) -> bool:
    return all(is_off(branch, step.closed) for branch in other.closed)


def _surge_l(trace: Trace, step: Step, rate_lpm: float) -> float:
    """Water above the steady flow right after an opening [L]."""
    end_s = min(step.start_s + SURGE_S, step.end_s)
    i, j = np.searchsorted(trace.cell, np.array([step.start_s, end_s]) / trace.interval_s)
    volume = float(trace.volume_l[i:j].sum())
    return max(volume - rate_lpm * (end_s - step.start_s) / SECONDS_PER_MINUTE - trace.pulse_l, 0.0)
