"""Short draws on top of the steady flow of an isolation test, and whether one of them came again and again.

A leaking flapper lets the tank sink, and the fill valve makes up for it every few minutes or hours: nothing of it is in
the steady flow, yet closing its branch stops it as it stops any leak.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from flowsift.standards import figure
from flowsift.standards.conversion import TIME_S
from flowsift.study.steady_rate import SHORTENED, TICK_S, SteadyRate, step_l, window_pieces
from flowsift.trace import BoolArray, FloatArray, Trace
from flowsift.units import SECONDS_PER_MINUTE

REFILL_L = 0.5 * figure("toilet.flush_limit_gravity_tank").value_l
"""Most that a tank takes when its fill valve makes up for a leaking flapper [L]: it opens long before the tank is empty
(half a flush, an assumption)."""

ALIKE = 0.25
"""Draws alike differ by at most this share, or by two pulses: a fill valve opens and closes at the same levels
(assumption)."""

ONE_STEP_DRAWS = 3
"""Draws alike that are needed where all of them came in one step: two may be one person's."""

SURE = 0.05
"""Chance up to which it is held that draws stopped with their branch and not by chance."""


@dataclass(frozen=True, kw_only=True)
class RepeatedDraws:
    """Short draws alike that came again and again, as the refills of a toilet whose flapper leaks do.

    Attributes
    ----------
    branches : tuple of str
        The branch whose closing they stopped with; empty where they came whatever was closed.
    n_draws : int
        How many came.
    draw_l : float
        Volume of one [L], the median.
    per_hour_l : float
        Volume in an hour of the steps in which the branch was open [L].
    chance : float
        Chance that draws at random times would all have come while this branch was open, or another that was open no
        longer; 1 where no branch stopped them.
    """

    branches: tuple[str, ...]
    n_draws: int
    draw_l: float
    per_hour_l: float
    chance: float

    @property
    def sure(self) -> bool:
        """Tell whether it is more than chance that they stopped with the branch."""
        return self.chance <= SURE


def draws_above(trace: Trace, rate: SteadyRate, *, start_s: float, end_s: float) -> tuple[float, ...]:
    """Return the volume of each draw on top of the steady flow in a window [L].

    Parameters
    ----------
    trace : Trace
    rate : SteadyRate
        The steady flow of the window.
    start_s, end_s : float
        Window in seconds since the start of the trace.

    Returns
    -------
    tuple of float
        A draw shows where `TICK_S` (or an interval) brought two pulses more than the steady flow can. Draws with less
        time between them are one.
    """
    found: list[float] = []
    for piece in window_pieces(trace, start_s, end_s):
        n = min(max(round(TICK_S / trace.interval_s), 1), piece.edge_s.size - 1)
        steady_l = n * trace.interval_s * rate.high_lpm / SECONDS_PER_MINUTE
        moved_l = piece.upto_l[n:] - piece.upto_l[:-n]
        above = moved_l > (1.0 + SHORTENED) * steady_l + (2.0 + 1e-6) * step_l(trace)
        drawing = np.concatenate([[False], np.convolve(above, np.ones(n)) > 0.5, [False]])
        begins, ends = np.flatnonzero(~drawing[:-1] & drawing[1:]), np.flatnonzero(drawing[:-1] & ~drawing[1:])
        steady = rate.rate_lpm / SECONDS_PER_MINUTE * (piece.edge_s[ends] - piece.edge_s[begins])
        found += (piece.upto_l[ends] - piece.upto_l[begins] - steady).tolist()
    return tuple(found)


def repeated_draws(
    draws_l: Sequence[tuple[float, ...]],
    seconds: FloatArray,
    *,
    branches: Sequence[tuple[str, ...]],
    on: BoolArray,
    pulse_l: float,
) -> RepeatedDraws | None:
    """Look for short draws alike that make up most of all draws, and for the branch whose closing stopped them.

    Parameters
    ----------
    draws_l : sequence of tuple of float
        Volumes of the draws of each step [L].
    seconds : ndarray, shape (n_steps,)
        Time with data of each step [s].
    branches : sequence of tuple of str
        Branches that were open and closed together.
    on : ndarray of bool, shape (n_steps, n_branches)
        Whether each was open in each step.
    pulse_l : float
        Smallest volume that the trace tells apart [L].

    Returns
    -------
    RepeatedDraws or None
        None where no draws alike came in two steps, or `ONE_STEP_DRAWS` of them in one: those are uses.
    """
    volume = np.array([v for step in draws_l for v in step])
    step = np.repeat(np.arange(len(draws_l)), [len(step) for step in draws_l])
    near = np.abs(volume[:, None] - volume) <= np.maximum(ALIKE * volume[:, None], 2.0 * pulse_l)
    near &= (volume[:, None] <= REFILL_L) & (volume <= REFILL_L)
    alike = near[int(near.sum(axis=1).argmax())] if volume.size else np.empty(0, dtype=bool)
    count = np.bincount(step[alike], minlength=len(draws_l))
    n = int(count.sum())
    if 2 * n <= volume.size or (n < ONE_STEP_DRAWS and (count > 0).sum() < 2):
        return None
    # Of the branches in whose absence none came, the one that was closed longest.
    came_without = (~on & (count > 0)[:, None]).any(axis=0)
    closed_s = np.where(came_without, 0.0, seconds @ ~on)
    stopped = int(closed_s.argmax()) if closed_s.any() else None
    opened_s = np.append(seconds @ on, seconds.sum())
    open_s = float(opened_s[-1 if stopped is None else stopped])
    # Any branch that was open no longer would have been named as well.
    by_chance = ((opened_s[opened_s <= open_s] / opened_s[-1]) ** n).sum()
    draw_l = float(np.median(volume[alike]))
    return RepeatedDraws(
        branches=() if stopped is None else branches[stopped],
        n_draws=n,
        draw_l=draw_l,
        per_hour_l=float(volume[alike].sum()) / open_s * TIME_S["h"],
        chance=min(float(by_chance), 1.0),
    )
