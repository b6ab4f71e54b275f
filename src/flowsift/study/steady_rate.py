"""The steady flow inside a window of minutes, with uses that come and go on top of it.

Uses only add. So over any stretch the steady flow is at most what the meter turned there, and the stretches in which
nothing else ran are those in which one volume after another took the same, longest time. The window is therefore read
as a row of ticks: the moments at which one more step of volume (a pulse, or a few) had passed. The time from tick to
tick is the step over the steady rate where all is quiet, and shorter where something ran.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsift.errors import NotEnoughDataError
from flowsift.standards import figure
from flowsift.trace import FloatArray, Trace
from flowsift.units import SECONDS_PER_MINUTE

TICK_S = 20.0
"""Least time from tick to tick that is aimed at [s]: long enough that a slow draw on top shows."""

TICK_ERRORS = 8.0
"""The same in units of the time error of a tick."""

SHORTENED = 0.1
"""A tick that came earlier than this share of the usual time is put down to a use: pressure makes a steady leak wander
by a few per cent (it follows pressure with an exponent of 0.5 to 1.5, figure leak.leakage_exponent_n1_favad_bounds, and
household pressure moves by a few per cent in minutes)."""

WANDER = 0.02
"""Standard uncertainty of a rate measured in minutes as that of the leak itself, as a share: its wander with the
pressure (assumption; exponent about 1 and pressure known to 2 %)."""

QUIET_QUANTILE = 0.75
"""The usual time from tick to tick is this quantile (by time) of those that can be quiet: uses only shorten it."""

ABOUT_THE_SAME = 1.5
"""Ratio of two limits on the steady flow that say about the same: they differ by part of a pulse."""

SIGMAS = 2.6
"""Standard uncertainties that bounds span: two-sided 95 % for five rates at once (a hunt reads about that many)."""

DRAWS_PER_MIN = figure("faucet.uses").value / (16.0 * 60.0)
DRAW_L = figure("faucet.volume").value_l
"""Small draws in the waking hours (16, an assumption) and their mean volume [L]: REU v2 (2016), from memory. Those too
small to shorten a tick visibly make a steady flow look larger than it is."""

LEAST_PULSES = 3.0
"""A quiet stretch that rests on fewer pulses than this proves nothing: its last pulse may be a use's."""

SMALLEST_STEP_L = 1e-3
"""Step of volume taken for a meter without pulses [L] (assumption: rounding of the readings is below it)."""


@dataclass(frozen=True, kw_only=True)
class SteadyRate:
    """The steady flow in a window.

    Attributes
    ----------
    rate_lpm, low_lpm, high_lpm : float
        Rate as registered, and bounds that allow for one pulse at the ends of each quiet stretch, the scatter among
        stretches, the leak's wander and, below, for draws too small to show [L/min].
    quiet_s : float
        Time that the rate rests on [s].
    n_stretches : int
        Quiet stretches; 0 where too few pulses came and the bounds are those of the longest silence.
    window_s : float
        Time with data in the window [s].
    volume_l : float
        Volume of the window [L], uses included.
    """

    rate_lpm: float
    low_lpm: float
    high_lpm: float
    quiet_s: float
    n_stretches: int
    window_s: float
    volume_l: float

    @property
    def is_limit(self) -> bool:
        """Tell whether there is no more than an upper limit: too few pulses came in quiet time."""
        return self.n_stretches == 0


@dataclass(frozen=True, kw_only=True, eq=False)
class Piece:
    """A stretch of the window without gaps: edges of its cells [s] and the volume up to each [L]."""

    edge_s: FloatArray
    upto_l: FloatArray


def steady_rate(trace: Trace, *, start_s: float, end_s: float) -> SteadyRate:
    """Measure the steady flow in a window.

    Parameters
    ----------
    trace : Trace
    start_s, end_s : float
        Window in seconds since the start of the trace; only whole cells inside it count, and no gap.

    Returns
    -------
    SteadyRate

    Raises
    ------
    NotEnoughDataError
        If the window holds fewer than two cells with data.

    Notes
    -----
    A use that runs through the whole window can't be told from a leak. A pulse is all that the meter tells: a draw
    smaller than one may hide in a quiet stretch, and the bounds allow for one in each.
    """
    pieces = window_pieces(trace, start_s, end_s)
    window_s = float(sum(p.edge_s[-1] - p.edge_s[0] for p in pieces))
    if window_s < 2 * trace.interval_s - 1e-9:
        raise NotEnoughDataError(
            f"a window of {max(end_s - start_s, 0.0):.0f} s holds {window_s:.0f} s of data, expected at least "
            f"{2 * trace.interval_s:g} s"
        )
    pulse = step_l(trace)
    most, likely, quietest_s = _upper_bound(pieces, pulse, trace.interval_s)
    whole = {"window_s": window_s, "volume_l": float(sum(p.upto_l[-1] for p in pieces))}
    volume, seconds, unseen_l = _quiet_stretches(pieces, most, pulse, trace.interval_s)
    if volume.size == 0:
        return SteadyRate(
            rate_lpm=likely * SECONDS_PER_MINUTE,
            low_lpm=0.0,
            high_lpm=most * SECONDS_PER_MINUTE,
            quiet_s=quietest_s,
            n_stretches=0,
            **whole,
        )
    rate, half = _pooled(volume, seconds, pulse, error_s=_tick_error_s(most, pulse, trace.interval_s))
    return SteadyRate(
        rate_lpm=rate * SECONDS_PER_MINUTE,
        low_lpm=max((rate - half) * SECONDS_PER_MINUTE - DRAWS_PER_MIN * min(unseen_l, DRAW_L), 0.0),
        high_lpm=(rate + half) * SECONDS_PER_MINUTE,
        quiet_s=float(seconds.sum()),
        n_stretches=int(seconds.size),
        **whole,
    )


def step_l(trace: Trace) -> float:
    """Return the smallest volume that the trace tells apart [L]: a pulse, or `SMALLEST_STEP_L` where there is none."""
    return trace.pulse_l if trace.pulse_l > 0 else SMALLEST_STEP_L


def window_pieces(trace: Trace, start_s: float, end_s: float) -> list[Piece]:
    """Return the stretches without gaps that the whole cells of a window make."""
    first = max(int(np.ceil(start_s / trace.interval_s - 1e-9)), 0)
    stop = min(int(np.floor(end_s / trace.interval_s + 1e-9)), trace.n_cells)
    spans, at = [], first
    for a, b in trace.gaps:
        if b > first and a < stop:
            spans.append((at, int(a)))
            at = int(b)
    spans.append((at, stop))
    pieces = []
    for a, b in spans:
        if b <= a:
            continue
        volume = np.zeros(b - a)
        i, j = np.searchsorted(trace.cell, [a, b])
        volume[trace.cell[i:j] - a] = trace.volume_l[i:j]
        upto = np.concatenate([[0.0], np.cumsum(volume)])
        pieces.append(Piece(edge_s=np.arange(a, b + 1, dtype=np.float64) * trace.interval_s, upto_l=upto))
    return pieces


def _upper_bound(pieces: list[Piece], pulse_l: float, interval_s: float) -> tuple[float, float, float]:
    """Most that can flow steadily and what likely does [L/s], and the length of the stretch that says so [s].

    Over any stretch in which `v` was metered the steady flow took at most `v` and the pulse that was under way. What
    likely flows is the mean of the longest stretch that says about the same as the one that says least.
    """
    longest = max(p.edge_s.size - 1 for p in pieces)
    n = max(round(TICK_S / interval_s), 1)
    lengths = []
    while n < longest:
        lengths.append(n)
        n = max(int(n * 1.25), n + 1)
    bounds = []
    for n in [*lengths, longest]:
        least = min(float((p.upto_l[n:] - p.upto_l[:-n]).min()) for p in pieces if p.upto_l.size > n)
        seconds = n * interval_s
        bounds.append(((least + pulse_l) / seconds, least, seconds))
    most, _, quietest_s = min(bounds)
    _, volume, seconds = max((b for b in bounds if b[0] <= ABOUT_THE_SAME * most), key=lambda b: b[2])
    return most, min(volume / seconds, most), quietest_s


def _quiet_stretches(
    pieces: list[Piece], most: float, pulse_l: float, interval_s: float
) -> tuple[FloatArray, FloatArray, float]:
    """Find the stretches in which only the steady flow ran.

    Returns their volumes [L] and lengths [s], and the largest draw that may hide in a tick [L].
    """
    error_s = _tick_error_s(most, pulse_l, interval_s)
    aim_s = max(TICK_S, interval_s, TICK_ERRORS * error_s)
    pulses = max(int(np.ceil(most * aim_s / pulse_l - 1e-9)), 1)
    tick_l = pulses * pulse_l
    times = [_ticks(piece, tick_l) for piece in pieces]
    waits = [np.diff(t) for t in times]
    every = np.concatenate(waits)
    usual = every[every >= (1.0 - SHORTENED) * tick_l / most - error_s]
    if usual.size == 0:
        return np.empty(0), np.empty(0), 0.0
    typical = _usual_wait_s(usual)
    least_s = (1.0 - SHORTENED) * typical - error_s
    volume, seconds = [], []
    for wait in waits:
        quiet = np.concatenate([[False], wait >= least_s, [False]])
        begins, ends = np.flatnonzero(~quiet[:-1] & quiet[1:]), np.flatnonzero(quiet[:-1] & ~quiet[1:])
        for a, b in zip(begins, ends, strict=True):
            if (b - a) * pulses >= LEAST_PULSES:
                volume.append((b - a) * tick_l)
                seconds.append(float(wait[a:b].sum()))
    return np.array(volume), np.array(seconds), tick_l * (1.0 - max(least_s, 0.0) / typical)


def _tick_error_s(most: float, pulse_l: float, interval_s: float) -> float:
    """Error of a tick's time [s]: a pulse falls somewhere in its cell; where many do, it is that of one of them."""
    return min(interval_s, pulse_l / most)


def _ticks(piece: Piece, tick_l: float) -> FloatArray:
    """Times at which the metered volume passed one multiple of `tick_l` after another [s]."""
    n = int(np.floor(piece.upto_l[-1] / tick_l + 1e-6))
    level = np.arange(1, n + 1) * tick_l * (1.0 - 1e-9)
    after = np.searchsorted(piece.upto_l, level, side="left")
    below, above = piece.upto_l[after - 1], piece.upto_l[after]
    share = (level - below) / (above - below)
    return np.asarray(piece.edge_s[after - 1] + share * (piece.edge_s[after] - piece.edge_s[after - 1]))


def _usual_wait_s(seconds: FloatArray) -> float:
    """Time from tick to tick without uses [s]."""
    ordered = np.sort(seconds)
    return float(ordered[np.searchsorted(np.cumsum(ordered), QUIET_QUANTILE * ordered.sum())])


def _pooled(volume_l: FloatArray, seconds: FloatArray, pulse_l: float, *, error_s: float) -> tuple[float, float]:
    """Rate of all quiet stretches together and half its interval [L/s]."""
    # A short stretch brings a pulse of doubt and little time: keep the longest ones, as many as sharpen the rate.
    order = np.argsort(-seconds, kind="stable")
    doubt = np.sqrt(np.arange(1, order.size + 1)) / np.cumsum(seconds[order])
    keep = order[: int(np.argmin(doubt)) + 1]
    volume, time = volume_l[keep], seconds[keep]
    rate = float(volume.sum() / time.sum())
    pulse = pulse_l * np.sqrt(keep.size) / time.sum()
    clock = rate * error_s * np.sqrt(keep.size) / time.sum()
    scatter = 0.0
    if keep.size > 2:
        variance = float(np.sum(time * (volume / time - rate) ** 2) / time.sum())
        scatter = np.sqrt(variance / (keep.size - 1))
    return rate, float(np.sqrt(pulse**2 + clock**2 + (SIGMAS * scatter) ** 2 + (SIGMAS * WANDER * rate) ** 2))
