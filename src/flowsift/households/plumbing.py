"""The service line that all fixtures share: pressure, and the flows that come of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from flowsift.grouping import expand_ranges
from flowsift.households.days import Days
from flowsift.households.uses import ORIFICE, Use, volume_after
from flowsift.trace import FloatArray, IntArray
from flowsift.units import SECONDS_PER_MINUTE

LOSS_REFERENCE_LPM = 20.0
"""Flow at which `ServiceLine.loss_at_20_lpm` is stated [L/min]."""

_LOWEST = 0.08
"""Lowest house pressure the solver goes to, as a share of the usual one (a starved line still dribbles)."""

_BISECTIONS = 16
"""Halvings of the pressure's range: to 2e-5 of the usual pressure."""

_BLOCK = 100_000
"""Seconds solved at a time, to spare memory."""

_ROUNDS = 2
"""Rounds of solving; fills whose length depends on pressure settle to a fraction of a second in two."""


@dataclass(frozen=True, kw_only=True)
class ServiceLine:
    """Supply and service line of a home.

    Attributes
    ----------
    supply : {"mains", "pump"}
        Mains: pressure follows the hour. Pump: a pressure tank between cut-in and cut-out.
    loss_at_20_lpm : float
        Share of the usual pressure lost in the line at 20 L/min; grows with the square of flow (turbulent pipe).
    swing : float
        Share by which the mains pressure is lower in the morning and evening peaks than at night.
    flutter : float
        Standard deviation of quick pressure changes, as a share.
    turbulence : float
        Standard deviation of each fixture's own flow from one second to the next, as a share.
    cut_in : float
        Pump: lowest pressure as a share of the highest.
    drawdown_l : float
        Pump: volume from cut-out to cut-in [L].
    pump_lpm : float
        Pump: its flow [L/min]; on the card only, the tank fills in 0.6 of the volume that empties it.
    """

    supply: Literal["mains", "pump"] = "mains"
    loss_at_20_lpm: float = 0.06
    swing: float = 0.06
    flutter: float = 0.006
    turbulence: float = 0.0
    cut_in: float = 0.6
    drawdown_l: float = 25.0
    pump_lpm: float = 35.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Flows:
    """Volumes that really flowed, by use and second.

    Attributes
    ----------
    use, second : ndarray of int64, shape (n,)
        Position of the use and whole second since the start; sorted by second, then use.
    volume_l : ndarray, shape (n,)
        Volume in that second [L], > 0.
    start_s, end_s : ndarray, shape (n_uses,)
        Real start and end of each use [s].
    """

    use: IntArray
    second: IntArray
    volume_l: FloatArray
    start_s: FloatArray
    end_s: FloatArray


def run(uses: Sequence[Use], line: ServiceLine, *, days: Days, leak_lpm: float, rng: np.random.Generator) -> Flows:
    """Let all uses run on one line and return what flowed.

    Uses that end by time take less where pressure is low; uses that end by volume (`Use.by_volume`) last longer.

    Parameters
    ----------
    uses : sequence of Use
    line : ServiceLine
    days : Days
    leak_lpm : float
        Constant flow beside the uses, for the pressure only [L/min].
    rng : Generator
        Draws the supply's own variation.
    """
    n = len(uses)
    supply = _Supply(line, days, rng)
    last_s = int(np.ceil(days.end_s))
    parts = [_sampled(use) for use in uses]
    filled: dict[int, tuple[int, FloatArray]] = {}
    start = np.array([use.start_s for use in uses], dtype=np.float64)
    end = np.array([use.start_s + use.duration_s for use in uses], dtype=np.float64)
    exponent = np.array([use.exponent for use in uses], dtype=np.float64)
    by_volume = [i for i, use in enumerate(uses) if use.by_volume]
    factor = np.empty(0)
    owner = second = np.empty(0, np.int64)
    nominal = np.empty(0)
    for _ in range(_ROUNDS if by_volume else 1):
        counts = np.array([p[1].size for p in parts], dtype=np.int64)
        first = np.array([p[0] for p in parts], dtype=np.int64)
        owner, second = expand_ranges(first, first + counts)
        nominal = np.concatenate([p[1] for p in parts]) if n else np.empty(0)
        factor = _solve(owner, second, nominal * SECONDS_PER_MINUTE, exponent, line, supply, leak_lpm)
        if line.turbulence > 0:
            factor = factor * (1.0 + line.turbulence * _unrest(second, start[owner]))
        bounds = np.concatenate([[0], np.cumsum(counts)])
        for i in by_volume:
            filled[i], parts[i], end[i] = _warped(uses[i], factor[bounds[i] : bounds[i + 1]])
    delivered = nominal * factor
    if filled:
        # The last round's progress is the answer for fills: their volume is exact, their length follows pressure.
        delivered, owner, second = _with_fills(filled, n, delivered, owner, second)
    keep = (delivered > 0.0) & (second >= 0) & (second < last_s)
    order = np.lexsort((owner[keep], second[keep]))
    return Flows(
        use=owner[keep][order],
        second=second[keep][order],
        volume_l=delivered[keep][order],
        start_s=start,
        end_s=np.minimum(end, days.end_s),
    )


def _sampled(use: Use) -> tuple[int, FloatArray]:
    """First second, and nominal volume by second [L]."""
    first = int(np.floor(use.start_s))
    edges = np.arange(first, int(np.ceil(use.start_s + use.duration_s)) + 1)
    return first, np.diff(volume_after(use, edges.astype(np.float64) - use.start_s))


def _warped(use: Use, factor: FloatArray) -> tuple[tuple[int, FloatArray], tuple[int, FloatArray], float]:
    """Let a fill run at the pace that `factor` gives by second.

    Returns the first second with the volume delivered in each, the same with the nominal volume, and the end.
    """
    first = int(np.floor(use.start_s))
    room = int(np.ceil(use.duration_s / max(float(factor.min(initial=1.0)), 0.1))) + 3
    pace = np.full(max(room, factor.size), factor[-1] if factor.size else 1.0)
    pace[: factor.size] = factor
    length = np.ones(pace.size)
    length[0] = first + 1 - use.start_s
    progress = np.concatenate([[0.0], np.cumsum(pace * length)])
    progress = progress[: int(np.searchsorted(progress, use.duration_s)) + 1]
    volume = np.diff(volume_after(use, progress))
    pace = pace[: volume.size]
    end = first + volume.size - max(progress[-1] - use.duration_s, 0.0) / pace[-1]
    return (first, volume), (first, volume / pace), float(end)


def _with_fills(
    filled: dict[int, tuple[int, FloatArray]], n_uses: int, delivered: FloatArray, owner: IntArray, second: IntArray
) -> tuple[FloatArray, IntArray, IntArray]:
    is_fill = np.zeros(n_uses, bool)
    is_fill[list(filled)] = True
    rest = ~is_fill[owner]
    volumes, owners, seconds = [delivered[rest]], [owner[rest]], [second[rest]]
    for i, (first, volume) in filled.items():
        volumes.append(volume)
        owners.append(np.full(volume.size, i))
        seconds.append(first + np.arange(volume.size))
    return np.concatenate(volumes), np.concatenate(owners), np.concatenate(seconds)


class _Supply:
    """Pressure at the start of the service line, as a share of the usual one, at any second."""

    def __init__(self, line: ServiceLine, days: Days, rng: np.random.Generator) -> None:
        self.line = line
        self.days = days
        # Sums of sines are random enough, need no dense clock and don't change when a fixture is added.
        quick = rng.uniform(2.1, 9.0, 5)
        slow = rng.uniform(20.0, 2400.0, 6)
        self.period_s = np.concatenate([quick, slow])
        self.phase = rng.uniform(0.0, 2 * np.pi, self.period_s.size)
        self.tank_phase_l = float(rng.uniform(0.0, line.drawdown_l))

    def at(self, second: IntArray, drawn_l: FloatArray) -> FloatArray:
        """Pressure at increasing seconds, given the volume drawn up to each."""
        t = second.astype(np.float64)
        flutter = np.zeros(t.size)
        for period, phase in zip(self.period_s, self.phase, strict=True):
            flutter += np.sin(2 * np.pi * t / period + phase)
        flutter *= self.line.flutter * np.sqrt(2.0 / self.period_s.size)
        if self.line.supply == "pump":
            # Pump off: pressure falls with the volume drawn; pump on: it rises again, slower the more is drawn.
            off, on = self.line.drawdown_l, 0.6 * self.line.drawdown_l
            place = np.mod(drawn_l + self.tank_phase_l, off + on)
            level = np.where(place < off, 1.0 - place / off, (place - off) / on)
            return np.asarray(self.line.cut_in + (1.0 - self.line.cut_in) * level + flutter, dtype=np.float64)
        hour = self.days.hour_of(t)
        morning = np.exp(-0.5 * ((hour - 7.3) / 1.3) ** 2)
        evening = np.exp(-0.5 * ((hour - 18.8) / 2.0) ** 2)
        return np.asarray(1.0 + 0.5 * self.line.swing - self.line.swing * np.maximum(morning, evening) + flutter)


def _solve(
    owner: IntArray,
    second: IntArray,
    flow_lpm: FloatArray,
    exponent: FloatArray,
    line: ServiceLine,
    supply: _Supply,
    leak_lpm: float,
) -> FloatArray:
    """Share of its nominal flow that each entry gets."""
    if owner.size == 0:
        return np.empty(0)
    loss = line.loss_at_20_lpm / LOSS_REFERENCE_LPM**2
    power = exponent[owner]
    # Nominal flows are what a fixture gives alone; at the line's start it must ask for a little more.
    ask = flow_lpm / np.maximum(1.0 - loss * flow_lpm**2, 0.25) ** power
    cells, at = np.unique(second, return_inverse=True)
    free = power >= ORIFICE - 1e-9
    opening = np.bincount(at, np.where(free, ask, 0.0), minlength=cells.size).astype(np.float64)
    regulated = np.bincount(at, np.where(free, 0.0, ask), minlength=cells.size).astype(np.float64)
    least = np.bincount(at, np.where(free, 0.0, power * ask), minlength=cells.size)
    held = np.divide(least, regulated, out=np.full(cells.size, 0.1), where=regulated > 0)
    drawn = np.cumsum((opening + regulated) / SECONDS_PER_MINUTE)
    static = supply.at(cells, drawn)
    pressure = np.concatenate(
        [
            _house_pressure(opening[i], regulated[i], held[i], static[i], loss, leak_lpm)
            for i in (slice(first, first + _BLOCK) for first in range(0, cells.size, _BLOCK))
        ]
    )[at]
    got = ask * pressure**power
    return np.divide(got, flow_lpm, out=np.ones(owner.size), where=flow_lpm > 0)


def _house_pressure(
    opening: FloatArray, regulated: FloatArray, held: FloatArray, static: FloatArray, loss: float, leak_lpm: float
) -> FloatArray:
    """Pressure in the house, as a share of the usual one, where what flows loses what the line takes (bisection)."""
    low, high = np.full(static.size, _LOWEST), np.maximum(static, _LOWEST)
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        total = opening * np.sqrt(middle) + regulated * middle**held + leak_lpm
        too_high = middle > static - loss * total**2
        high = np.where(too_high, middle, high)
        low = np.where(too_high, low, middle)
    return 0.5 * (low + high)


def _unrest(second: IntArray, start_s: FloatArray) -> FloatArray:
    """Noise of unit standard deviation that depends only on the second and the start of the use (a hash)."""
    scattered = np.sin(12.9898 * np.mod(second, 100_003) + np.mod(78.233 * start_s, 100.0)) * 43_758.5453
    return np.asarray((scattered - np.floor(scattered) - 0.5) * np.sqrt(12.0), dtype=np.float64)
