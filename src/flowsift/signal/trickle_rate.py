"""The rate of a trickle: read off quiet blocks, or off the even spacing of its pulses where they are sparse."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.signal.blocks import Blocks, Resolution
from flowsift.signal.spacing import Spacing, even_spacing
from flowsift.signal.trickle_floor import PAUSE_SLACK, most_of_trickle
from flowsift.units import SECONDS_PER_MINUTE

CHANGE = 0.15
"""Readings that differ by at most this share may be of one rate."""

SPARSE_S = 60.0
"""From this spacing of pulses on, the spacing tells the rate better than the volume of quiet blocks [s]: a block then
holds few pulses, and those of small uses don't stand out."""

SPARSE_CELLS = 30
"""The same in cells of the trace: a shorter spacing is known too roughly."""

MOST_HIDDEN = 2.0
"""Quiet blocks show at most this many times the rate that the spacing does: the rest is of uses too small to be seen.
More is no trickle but something that comes and goes."""


@dataclass(frozen=True)
class Reading:
    """What the meter counted in quiet blocks, in so many unbroken stretches."""

    volume_l: float
    minutes: float
    n_stretches: int

    def __add__(self, other: Reading) -> Reading:
        """Put two readings together."""
        return Reading(
            self.volume_l + other.volume_l, self.minutes + other.minutes, self.n_stretches + other.n_stretches
        )

    @property
    def rate_lpm(self) -> float:
        """Mean rate [L/min]."""
        return self.volume_l / self.minutes

    def error_lpm(self, pulse_l: float) -> float:
        """One pulse over each unbroken stretch; the stretches' errors are independent."""
        return float(pulse_l * max(self.n_stretches, 1) ** 0.5 / self.minutes)

    def alike(self, other: Reading, pulse_l: float) -> bool:
        """Tell whether two readings may be of one rate; one without any quiet time is like all."""
        if self.minutes == 0 or other.minutes == 0:
            return True
        error = 2 * np.hypot(self.error_lpm(pulse_l), other.error_lpm(pulse_l))
        return bool(abs(self.rate_lpm - other.rate_lpm) <= max(CHANGE * max(self.rate_lpm, other.rate_lpm), error))


def read(blocks: Blocks, quiet: IntArray, resolution: Resolution) -> Reading:
    """Sum up the quiet blocks, given by their numbers."""
    n_stretches = int((np.diff(quiet) > 1).sum()) + 1 if quiet.size else 0
    return Reading(float(blocks.volume_l[quiet].sum()), float(quiet.size * resolution.block_min), n_stretches)


def measured_rate(blocks: Blocks, resolution: Resolution, a: int, b: int) -> tuple[float, float]:
    """Return the rate of the trickle in blocks ``[a, b)``, 0 for none, and its error [L/min].

    It is read off the blocks in which little but the trickle ran, or off the spacing of its pulses where they are
    sparse; the error is one pulse over each unbroken quiet stretch.
    """
    pulse_l = resolution.pulse_l
    rate = blocks.volume_l[a:b] / resolution.block_min
    known = blocks.known[a:b] > 0
    # Slow trickles give few pulses a block: judge quiet on stretches that hold several pulses.
    floor = _floor_of(rate[known], pulse_l / resolution.block_min)
    quiet = known & (blocks.volume_l[a:b] <= most_of_trickle(np.array(floor), resolution))
    reading = read(blocks, a + np.flatnonzero(quiet), resolution)
    if not is_sparse(reading.rate_lpm, resolution):
        return reading.rate_lpm, reading.error_lpm(pulse_l)
    spacing = spacing_of(blocks, resolution, a, b)
    spaced_lpm = pulse_l / spacing.spacing_s * SECONDS_PER_MINUTE if spacing.is_even else 0.0
    if not reading.rate_lpm / MOST_HIDDEN <= spaced_lpm <= PAUSE_SLACK * reading.rate_lpm:
        spaced_lpm = 0.0
    return spaced_lpm, reading.error_lpm(pulse_l)


def _floor_of(rate_lpm: FloatArray, pulse_lpm: float) -> float:
    """Rate of the trickle among blocks most of which also hold uses: the mean of the lowest mode [L/min].

    `pulse_lpm` is that of one pulse in a block.
    """
    ordered = np.sort(rate_lpm)
    upto = np.cumsum(ordered) / np.arange(1, ordered.size + 1)
    inside = ordered <= 1.25 * upto + 1.5 * pulse_lpm
    n = ordered.size if inside.all() else max(int(np.argmin(inside)), 1)
    return float(upto[n - 1])


def is_sparse(rate_lpm: float, resolution: Resolution) -> bool:
    """Tell whether the pulses of a trickle are so far apart that their spacing tells its rate best."""
    least_s = max(SPARSE_S, SPARSE_CELLS * resolution.interval_s)
    return resolution.pulse_l * SECONDS_PER_MINUTE >= rate_lpm * least_s


def spacing_of(blocks: Blocks, resolution: Resolution, a: int, b: int) -> Spacing:
    """Spacing of the pulses of a sparse trickle in blocks ``[a, b)``."""
    pause_s = blocks.pause_s[a:b]
    longest_s = np.where((blocks.known[a:b] > 0) & (pause_s > 0), pause_s + resolution.interval_s, 0.0)
    return even_spacing(longest_s, stretch_s=resolution.block_s)
