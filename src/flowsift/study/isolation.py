"""The isolation test: close one valve after another, and see which branch the constant flow goes to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.optimize import nnls

from flowsift.errors import NotEnoughDataError
from flowsift.study.isolation_draws import RepeatedDraws, repeated_draws
from flowsift.study.isolation_log import Step, branches_of, is_off
from flowsift.study.isolation_plan import LEAST_CELLS, SETTLING_MIN, smallest_visible_lpm, step_minutes
from flowsift.study.isolation_steps import MeasuredStep, measured_steps
from flowsift.study.steady_rate import SteadyRate, step_l
from flowsift.tables import Table
from flowsift.trace import BoolArray, FloatArray, Trace
from flowsift.units import SECONDS_PER_MINUTE

REST = "not located"
"""Name of the flow that no closed branch took away."""


@dataclass(frozen=True, kw_only=True)
class BranchLeak:
    """What leaks behind one branch.

    Attributes
    ----------
    branches : tuple of str
        The branch; several where they were only ever closed together, or can't be told apart; empty for what is not
        located.
    rate_lpm, low_lpm, high_lpm : float
        Leak and its bounds [L/min]; the rates of all branches add up to the whole.
    told : bool
        False where the steps leave the rate open.
    minutes : float
        Length a step would need to tell a leak of this size from none [min]; NaN where it was told already, or where
        longer steps would not tell it either.
    """

    branches: tuple[str, ...]
    rate_lpm: float
    low_lpm: float
    high_lpm: float
    told: bool
    minutes: float

    @property
    def name(self) -> str:
        """Branches in words."""
        return " + ".join(self.branches) if self.branches else REST

    @property
    def leaks(self) -> bool:
        """Tell whether the leak is surely above zero."""
        return self.told and self.low_lpm > 0


@dataclass(frozen=True, kw_only=True)
class Isolation:
    """Result of an isolation test.

    Attributes
    ----------
    steps : tuple of MeasuredStep
    branches : tuple of BranchLeak
        In the order in which they were closed; `rest` is not among them.
    rest : BranchLeak
        The part not yet located.
    total_lpm, total_low_lpm, total_high_lpm : float
        Whole steady flow with everything open, as fitted, and its bounds [L/min].
    visible_lpm : float
        Smallest leak that the longest step with the most closed can show [L/min].
    repeated : RepeatedDraws or None
        Short draws alike on top of the steady flow that came again and again: a toilet that refills?
    shift_s : tuple of float
        How far each written time was moved to fit the trace [s].

    Examples
    --------
    >>> import numpy as np
    >>> import flowsift as fs
    >>> from flowsift.study import Step, isolate
    >>> trace = fs.Trace.from_flow(np.arange(3600.0), np.where(np.arange(3600) < 1800, 0.6, 0.2))
    >>> steps = [
    ...     Step(start_s=0.0, end_s=1800.0, closed=frozenset()),
    ...     Step(start_s=1800.0, end_s=3600.0, closed=frozenset({"irrigation"})),
    ... ]
    >>> found = isolate(trace, steps)
    >>> [(branch.branches, round(branch.rate_lpm, 1)) for branch in found.branches]
    [(('irrigation',), 0.4)]
    """

    steps: tuple[MeasuredStep, ...]
    branches: tuple[BranchLeak, ...]
    rest: BranchLeak
    total_lpm: float
    total_low_lpm: float
    total_high_lpm: float
    visible_lpm: float
    repeated: RepeatedDraws | None = None
    shift_s: tuple[float, ...] = ()

    @property
    def done(self) -> bool:
        """Tell whether no draws repeat and no steady flow is left above the smallest visible rate."""
        return self.repeated is None and self.steady_done

    @property
    def steady_done(self) -> bool:
        """Tell whether no steady flow is left above the smallest visible rate."""
        return self.rest.told and self.rest.low_lpm <= 0 and self.rest.rate_lpm <= self.visible_lpm

    def table(self) -> Table:
        """Return one row a branch, what is not located, and the whole."""
        lines = [(leak.name, leak.rate_lpm, leak.low_lpm, leak.high_lpm) for leak in (*self.branches, self.rest)]
        lines.append(("whole", self.total_lpm, self.total_low_lpm, self.total_high_lpm))
        return Table(
            pd.DataFrame(lines, columns=["branch", "rate_lpm", "low_lpm", "high_lpm"]).astype({"branch": "str"})
        )

    def steps_table(self, trace: Trace) -> Table:
        """Return one row a step: its times, closed, rate and bounds, quiet time, surge, other water and draws, note."""
        nan = float("nan")
        return Table(
            {
                "start": [_time(trace, m.step.start_s) for m in self.steps],
                "end": [_time(trace, m.step.end_s) for m in self.steps],
                "closed": pd.Series([", ".join(sorted(m.step.closed)) for m in self.steps], dtype="str"),
                "rate_lpm": [m.rate.rate_lpm if m.rate else nan for m in self.steps],
                "low_lpm": [m.rate.low_lpm if m.rate else nan for m in self.steps],
                "high_lpm": [m.rate.high_lpm if m.rate else nan for m in self.steps],
                "quiet_s": [m.rate.quiet_s if m.rate else 0.0 for m in self.steps],
                "surge_l": [m.surge_l for m in self.steps],
                "beyond_l": [m.beyond_l for m in self.steps],
                "draws": [len(m.draws_l) for m in self.steps],
                "used": [m.used for m in self.steps],
                "note": pd.Series([m.note for m in self.steps], dtype="str"),
            }
        )


def isolate(trace: Trace, steps: Sequence[Step], *, starting_lpm: float = 0.0) -> Isolation:
    """Tell the leak of each branch from the steady flow of each step.

    Parameters
    ----------
    trace : Trace
    steps : sequence of Step
        From `read_steps`; times can be fitted to the trace first with `aligned_steps`.
    starting_lpm : float
        Flow below which the meter registers nothing [L/min]; a step that reads none may hide as much.

    Returns
    -------
    Isolation
        A branch's leak is what its closing took away; with more steps than branches all of them are weighed together.
        Leaks are as registered: close to its starting flow a mechanical meter shows less than flows.

    Raises
    ------
    NotEnoughDataError
        If fewer than two steps can be measured.

    Examples
    --------
    >>> import numpy as np
    >>> import flowsift as fs
    >>> from flowsift.study import Step, isolate
    >>> trace = fs.Trace.from_flow(np.arange(3600.0), np.where(np.arange(3600) < 1800, 0.6, 0.2))
    >>> steps = [
    ...     Step(start_s=0.0, end_s=1800.0, closed=frozenset()),
    ...     Step(start_s=1800.0, end_s=3600.0, closed=frozenset({"irrigation"})),
    ... ]
    >>> round(isolate(trace, steps).total_lpm, 1)
    0.6
    """
    measured = measured_steps(trace, steps)
    used = [m for m in measured if m.used and m.rate is not None]
    if len(used) < 2:
        problem = f"{len(used)} of {len(measured)} steps can be measured, expected at least 2"
        shortest_min = max(SETTLING_MIN + LEAST_CELLS * trace.interval_s / SECONDS_PER_MINUTE, 2.0)
        raise NotEnoughDataError(f"{problem}: steps of {shortest_min:.0f} min and more are needed")
    return _solved(trace, measured, used, starting_lpm)


def _solved(
    trace: Trace, measured: Sequence[MeasuredStep], used: Sequence[MeasuredStep], starting_lpm: float
) -> Isolation:
    names = branches_of([m.step for m in measured])
    on = np.array([[not is_off(name, m.step.closed) for name in names] for m in used], dtype=bool)
    groups, columns, untried = _grouped(names, on)
    rates = [m.rate for m in used if m.rate is not None]
    rate = np.array([r.rate_lpm for r in rates])
    below = rate - np.array([r.low_lpm for r in rates])
    above = np.array([r.high_lpm for r in rates]) - rate
    above = above + _unregistered_lpm(rate, starting_lpm)
    limit = np.array([r.is_limit for r in rates], dtype=bool)
    weight = 1.0 / np.maximum(0.5 * (below + above), 1e-9)
    design = columns * weight[:, None]
    inverse = np.linalg.pinv(design)
    told = np.abs(np.eye(design.shape[1]) - inverse @ design).max(axis=1, initial=0.0) < 1e-6
    solver = inverse * weight[None, :]
    free = solver @ rate
    fitted = nnls(design, rate * weight)[0]
    fitted[fitted < 1e-9 * rate.max()] = 0.0
    low, high = _bounds(solver, free, below, above, limit)
    # No leak is more than the whole of any step in which it ran.
    most = np.where(columns.T > 0, rate + above, np.inf).min(axis=1)
    low, high = np.minimum(np.maximum(low, 0.0), fitted), np.maximum(np.minimum(high, most), fitted)
    longest_s = max(r.quiet_s for r in _most_closed(used))
    visible = smallest_visible_lpm(pulse_l=step_l(trace), duration_s=longest_s, starting_lpm=starting_lpm)
    shortest_min = min(m.step.end_s - m.step.start_s for m in used) / SECONDS_PER_MINUTE
    leaks = [
        BranchLeak(
            branches=group,
            rate_lpm=float(fitted[k]),
            low_lpm=float(low[k]) if told[k] else 0.0,
            high_lpm=float(high[k]) if told[k] else float(rate.max()),
            told=bool(told[k]),
            minutes=_minutes_to_tell(trace, float(fitted[k]), float(low[k]), float(high[k]), lasted_min=shortest_min),
        )
        for k, group in enumerate(groups)
    ]
    leaks[-1:-1] = [_not_told(name, rate) for name in untried]
    whole = solver.sum(axis=0)
    total_low, total_high = _bounds(whole[None, :], np.array([free.sum()]), below, above, limit)
    total = float(fitted.sum())
    return Isolation(
        steps=tuple(measured),
        branches=tuple(leaks[:-1]),
        rest=leaks[-1],
        total_lpm=total,
        total_low_lpm=float(min(max(total_low[0], 0.0), total)),
        total_high_lpm=float(max(total_high[0], total)),
        visible_lpm=visible,
        repeated=repeated_draws(
            [m.draws_l for m in used],
            np.array([r.window_s for r in rates]),
            branches=groups[:-1],
            on=columns[:, :-1] > 0,
            pulse_l=step_l(trace),
        ),
    )


def _not_told(name: str, rate_lpm: FloatArray) -> BranchLeak:
    """Return the line of a branch none of whose steps can be used: its leak is part of what isn't located."""
    nan = float("nan")
    return BranchLeak(
        branches=(name,), rate_lpm=0.0, low_lpm=0.0, high_lpm=float(rate_lpm.max()), told=False, minutes=nan
    )


def _grouped(names: tuple[str, ...], on: BoolArray) -> tuple[list[tuple[str, ...]], FloatArray, list[str]]:
    """Put branches that were on and off together in one column.

    Returns the groups and their columns, with what was on all the time as the last, and the branches that were never
    off in a step that can be used.
    """
    groups: dict[tuple[bool, ...], list[str]] = {}
    for name, column in zip(names, on.T, strict=True):
        groups.setdefault(tuple(column.tolist()), []).append(name)
    always = (True,) * on.shape[0]
    untried = groups.pop(always, [])
    columns = np.array([*groups, always], dtype=np.float64).T
    return [*(tuple(group) for group in groups.values()), ()], columns, untried


def _bounds(
    solver: FloatArray, middle: FloatArray, below: FloatArray, above: FloatArray, limit: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Carry the bounds of the steps to the branches.

    Errors of measured steps are independent and add in squares. Where a step gives a limit only, the truth may be
    anywhere below it, in one step as in the next: these add up as they are.
    """
    up = np.where(solver > 0, solver * above[None, :], solver * below[None, :])
    down = np.where(solver > 0, solver * below[None, :], solver * above[None, :])
    sums = [np.sqrt((x[:, ~limit] ** 2).sum(axis=1)) + np.abs(x[:, limit]).sum(axis=1) for x in (down, up)]
    return middle - sums[0], middle + sums[1]


def _unregistered_lpm(rate_lpm: FloatArray, starting_lpm: float) -> FloatArray:
    """Most that the meter may have missed of steady flows [L/min].

    All of it up to the starting flow; above, a loss that falls as the square of starting flow over flow, which fits
    the published 95 % at the smallest test flow of a sound meter and about half in worn ones (figures
    meter.new_meter_minimum_flow and meter.in_service_error_at_0_25_gpm_25_to_33_years; the form is an assumption).
    """
    if starting_lpm <= 0:
        return np.zeros(rate_lpm.size)
    return starting_lpm**2 / np.maximum(rate_lpm, starting_lpm)


def _most_closed(used: Sequence[MeasuredStep]) -> list[SteadyRate]:
    most = max(len(m.step.closed) for m in used)
    return [m.rate for m in used if len(m.step.closed) == most and m.rate is not None]


def _minutes_to_tell(trace: Trace, rate_lpm: float, low_lpm: float, high_lpm: float, *, lasted_min: float) -> float:
    target = rate_lpm if rate_lpm > 0 else 0.5 * high_lpm
    if low_lpm > 0 or target <= 0:
        return float("nan")
    minutes = step_minutes(target, pulse_l=step_l(trace), interval_s=trace.interval_s)
    # Steps that long don't tell it either: the whole leak's wander hides it, not the pulses.
    return minutes if minutes > lasted_min else float("nan")


def _time(trace: Trace, seconds: float) -> pd.Timestamp:
    return trace.start + pd.Timedelta(seconds, "s")
