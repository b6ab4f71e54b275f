"""The times of an isolation test, read from the trace: shift written ones that are off, propose those not written."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from flowsift.errors import NotEnoughDataError
from flowsift.study.isolation_log import Step
from flowsift.study.isolation_steps import measured_window
from flowsift.study.steady_rate import SteadyRate, steady_rate
from flowsift.trace import BoolArray, FloatArray, Trace

GRID_S = 15.0
"""Times are looked for on this grid [s]; valves and clocks are not known better."""

COST_OF_SHIFT = 0.2
"""Quiet time that a shift must gain, as a share of the shift: without a gain the written times stand."""

LEAST_WINDOW_S = 300.0
"""Shortest stretch on either side of a proposed time [s]."""


@dataclass(frozen=True, kw_only=True)
class ProposedTime:
    """A time at which the steady flow changes.

    Attributes
    ----------
    at_s : float
        Seconds since the start of the trace.
    before, after : SteadyRate
        Steady flow on its two sides.
    """

    at_s: float
    before: SteadyRate
    after: SteadyRate


def aligned_steps(
    trace: Trace, steps: Sequence[Step], *, within_s: float
) -> tuple[tuple[Step, ...], tuple[float, ...]]:
    """Shift the times of steps so that each holds one steady flow.

    Parameters
    ----------
    trace : Trace
    steps : sequence of Step
    within_s : float
        Largest shift looked for [s], >= 0.

    Returns
    -------
    steps : tuple of Step
    shift_s : tuple of float
        Shift of the start of each step, then of the end of the last [s].

    Notes
    -----
    First all times together (a clock that is off), then each on its own (a note made late). A step that reaches into
    its neighbour holds two steady flows, and the time that supports its lowest one drops; the sum of supporting times
    over all steps is made as large as it gets. A time at which the flow does not change is moved with all others or not
    at all.
    """
    if not steps:
        return (), ()
    edges = np.array([*(s.start_s for s in steps), steps[-1].end_s])
    joined = np.array([abs(a.end_s - b.start_s) < 1.0 for a, b in itertools.pairwise(steps)], dtype=bool)
    if within_s < GRID_S or not joined.all():
        # Steps with pauses between them were measured on purpose where they stand.
        return tuple(steps), (0.0,) * edges.size
    offsets = np.arange(-np.floor(within_s / GRID_S), np.floor(within_s / GRID_S) + 1) * GRID_S
    written = edges.copy()
    inner = slice(1, edges.size - 1)

    def score(candidate: FloatArray) -> float:
        gain = sum(_support_s(trace, a, b) for a, b in itertools.pairwise(candidate))
        return gain - COST_OF_SHIFT * float(np.abs(candidate - written)[inner].mean())

    def moved(offset: float) -> FloatArray:
        out = written.copy()
        out[inner] += offset
        return out

    candidates = [moved(float(o)) for o in offsets if _in_order(moved(float(o)))]
    together = edges = max(candidates, key=score, default=edges)
    for _ in range(2):
        for k in range(1, edges.size - 1):
            edges = _best_edge(trace, edges, k, written[k] + offsets, written[k])
    changes = _changes(trace, edges)
    # Where the flow does not change, nothing tells the time; but times stay in order.
    settled = np.where(changes, edges, together) if changes[inner].any() else written
    edges = settled if _in_order(settled) else edges
    shifted = tuple(
        replace(step, start_s=float(a), end_s=float(b)) for step, a, b in zip(steps, edges[:-1], edges[1:], strict=True)
    )
    return shifted, tuple(float(s) for s in edges - written)


def propose_times(trace: Trace, *, start_s: float, end_s: float) -> tuple[ProposedTime, ...]:
    """Find the times at which the steady flow changes, in a stretch of a few hours.

    Parameters
    ----------
    trace : Trace
    start_s, end_s : float
        Stretch in seconds since the start of the trace.

    Returns
    -------
    tuple of ProposedTime
        In order: changes whose bounds on the two sides don't meet. A use of more than some minutes looks like one.
    """
    edges = [start_s, end_s]
    queue = [(start_s, end_s)]
    while queue:
        a, b = queue.pop()
        found = _best_split(trace, a, b)
        if found is None:
            continue
        edges.append(found)
        queue += [(a, found), (found, b)]
    edges.sort()
    # Splitting coarse to fine leaves edges that a later, better one made needless.
    k = 1
    while k < len(edges) - 1:
        before, after = _rate(trace, edges[k - 1], edges[k]), _rate(trace, edges[k], edges[k + 1])
        if before is None or after is None or not _differ(before, after):
            del edges[k]
            k = 1
        else:
            k += 1
    out = []
    for k in range(1, len(edges) - 1):
        before, after = _rate(trace, edges[k - 1], edges[k]), _rate(trace, edges[k], edges[k + 1])
        if before is not None and after is not None:
            out.append(ProposedTime(at_s=float(edges[k]), before=before, after=after))
    return tuple(out)


def _best_edge(trace: Trace, edges: FloatArray, k: int, places: FloatArray, written: float) -> FloatArray:
    least = min(LEAST_WINDOW_S / 2, 0.25 * (edges[k + 1] - edges[k - 1]))
    best, place = -np.inf, edges[k]
    for at in places:
        if not edges[k - 1] + least <= at <= edges[k + 1] - least:
            continue
        gain = _support_s(trace, edges[k - 1], at) + _support_s(trace, at, edges[k + 1])
        gain -= COST_OF_SHIFT * abs(at - written)
        if gain > best:
            best, place = gain, at
    out = edges.copy()
    out[k] = place
    return out


def _best_split(trace: Trace, a: float, b: float) -> float | None:
    """Time that splits a stretch into two steady flows that differ, or None."""
    whole = _support_s(trace, a, b)
    count = int((b - a) / GRID_S)
    step = max(count // 60, 1)
    at = a + np.arange(1, count) * GRID_S
    at = at[(at >= a + LEAST_WINDOW_S) & (at <= b - LEAST_WINDOW_S)]
    if at.size == 0:
        return None

    def gain(t: float) -> float:
        return _support_s(trace, a, t) + _support_s(trace, t, b)

    coarse = at[::step]
    centre = float(max(coarse, key=lambda t: gain(float(t))))
    near = at[np.abs(at - centre) <= step * GRID_S]
    place = float(max(near, key=lambda t: gain(float(t))))
    before, after = _rate(trace, a, place), _rate(trace, place, b)
    better = gain(place) > whole + LEAST_WINDOW_S / 2
    differs = before is not None and after is not None and _differ(before, after)
    return place if better and differs else None


def _differ(before: SteadyRate, after: SteadyRate) -> bool:
    return before.low_lpm > after.high_lpm or after.low_lpm > before.high_lpm


def _changes(trace: Trace, edges: FloatArray) -> BoolArray:
    """Tell at which times the steady flow changes; the first and the last are none."""
    rates = [_rate(trace, a, b) for a, b in itertools.pairwise(edges)]
    inner = [a is not None and b is not None and _differ(a, b) for a, b in itertools.pairwise(rates)]
    return np.array([False, *inner, False], dtype=bool)


def _in_order(edges: FloatArray) -> bool:
    return bool((np.diff(edges) > 4 * GRID_S).all())


def _support_s(trace: Trace, start_s: float, end_s: float) -> float:
    found = _rate(trace, start_s, end_s)
    return found.quiet_s if found is not None else 0.0


def _rate(trace: Trace, start_s: float, end_s: float) -> SteadyRate | None:
    a, b = measured_window(Step(start_s=float(start_s), end_s=float(end_s), closed=frozenset()))
    try:
        return steady_rate(trace, start_s=a, end_s=b)
    except NotEnoughDataError:
        return None
