"""The rate of a trickle: read off quiet blocks, or off the even spacing of its pulses where they are sparse."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.signal.blocks import Blocks, Resolution
from flowsift.signal.spacing import Spacing, even_spacing
from flowsift.signal.trickle_floor import PAUSE_SLACK, STRETCH_PULSES, most_of_trickle
from flowsift.units import SECONDS_PER_DAY, SECONDS_PER_MINUTE

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


LEAST_PULSES = 3.0
"""A rate that rests on fewer pulses than this is no trickle yet."""

QUIET_HOURS = (1, 2, 3, 4, 6, 8)
"""Stretches among which the quietest of a day is sought [h]: a night's, and shorter ones."""

STRAY_SHARE = 0.05
"""Share of a trickle's blocks that may lie before or after it, or lack its water: they don't tell what is quiet."""

WAVER = 0.01
"""A trickle wavers by this share from hour to hour, with the pressure (assumption)."""


@dataclass(frozen=True, kw_only=True)
class RateInterval:
    """A rate and its interval [L/min]."""

    rate_lpm: float
    low_lpm: float
    high_lpm: float


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

    def within(self, factor: float, other: Reading) -> bool:
        """Tell whether two readings differ by no more than a factor; one without any quiet time is like all."""
        if self.minutes == 0 or other.minutes == 0:
            return True
        lower, higher = sorted((self.rate_lpm, other.rate_lpm))
        return higher <= factor * lower


def read(blocks: Blocks, quiet: IntArray, resolution: Resolution) -> Reading:
    """Sum up the quiet blocks, given by their numbers."""
    n_stretches = int((np.diff(quiet) > 1).sum()) + 1 if quiet.size else 0
    return Reading(float(blocks.volume_l[quiet].sum()), float(quiet.size * resolution.block_min), n_stretches)


def measured_rate(blocks: Blocks, resolution: Resolution, a: int, b: int) -> RateInterval:
    """Return the rate of the trickle in blocks ``[a, b)``, 0 for none.

    It is read off the blocks in which little but the trickle ran, or off the spacing of its pulses where they are
    sparse, and is no more than the quietest hours of most days allow. Its error is one pulse over each unbroken quiet
    stretch; from the quietest hours up, the uses too small to be seen may be in it.
    """
    pulse_l = resolution.pulse_l
    rate = blocks.volume_l[a:b] / resolution.block_min
    known = blocks.known[a:b] > 0
    # Slow trickles give few pulses a block: judge quiet on stretches that hold several pulses.
    floor = _floor_of(rate[known], pulse_l / resolution.block_min)
    quiet = known & (blocks.volume_l[a:b] <= most_of_trickle(np.array(floor), resolution))
    reading = read(blocks, a + np.flatnonzero(quiet), resolution)
    error_lpm = reading.error_lpm(pulse_l)
    rate_lpm = reading.rate_lpm
    if is_sparse(rate_lpm, resolution):
        rate_lpm, blur_lpm = _spaced_rate(spacing_of(blocks, resolution, a, b), reading, resolution)
        error_lpm += blur_lpm
    if rate_lpm <= LEAST_PULSES * error_lpm:
        return RateInterval(rate_lpm=0.0, low_lpm=0.0, high_lpm=0.0)
    margin = 1 + int(STRETCH_PULSES * pulse_l / (rate_lpm * resolution.block_min))
    quietest = _quietest_hours(blocks, resolution, a + margin, b - margin)
    most_lpm = (1.0 + WAVER) * quietest.high_lpm
    return RateInterval(
        rate_lpm=min(rate_lpm, most_lpm),
        low_lpm=max(min(rate_lpm - error_lpm, quietest.low_lpm), 0.0),
        high_lpm=min(rate_lpm + error_lpm, most_lpm),
    )


def _spaced_rate(spacing: Spacing, reading: Reading, resolution: Resolution) -> tuple[float, float]:
    """Return the rate that the spacing of pulses shows, and what cells blur it; 0 where quiet blocks don't agree.

    Spacings are whole cells: the longest ones are rounded up, half a cell on average.
    """
    if not spacing.is_even:
        return 0.0, 0.0
    rate_lpm = resolution.pulse_l / (spacing.spacing_s - resolution.interval_s / 2) * SECONDS_PER_MINUTE
    if not reading.rate_lpm / MOST_HIDDEN <= rate_lpm <= PAUSE_SLACK * reading.rate_lpm:
        return 0.0, 0.0
    return rate_lpm, rate_lpm * resolution.interval_s / 2 / spacing.spacing_s


def _quietest_hours(blocks: Blocks, resolution: Resolution, a: int, b: int) -> RateInterval:
    """Return between what rates a trickle in blocks ``[a, b)`` lies if nothing else ran in the quietest hours of a day.

    A trickle brings its water in every stretch: in none of length ``t`` less than ``rate * t`` by more than a pulse. Of
    each day the stretch that binds most is taken, and the median over the days, as a rate may change. Without a
    stretch it is anything.
    """
    binding = []
    n_days = max(round((b - a) * resolution.block_s / SECONDS_PER_DAY), 1)
    for c, d in pairwise(np.linspace(a, max(b, a), n_days + 1).astype(np.int64)):
        upto_l, unknown = (
            np.append(0.0, np.cumsum(column)) for column in (blocks.volume_l[c:d], blocks.known[c:d] == 0)
        )
        bounds = []
        for hours in QUIET_HOURS:
            n = max(round(hours * 3600.0 / resolution.block_s), 1)
            stretch_l = (upto_l[n:] - upto_l[:-n])[unknown[n:] == unknown[:-n]]
            if stretch_l.size:
                least_l, minutes = float(stretch_l.min()), n * resolution.block_min
                bounds.append(((least_l + resolution.pulse_l) / minutes, least_l / minutes))
        if bounds:
            binding.append(min(bounds))
    if not binding:
        return RateInterval(rate_lpm=np.inf, low_lpm=np.inf, high_lpm=np.inf)
    high, low = np.median(np.array(binding), axis=0).tolist()
    return RateInterval(rate_lpm=(low + high) / 2, low_lpm=low, high_lpm=high)


def _floor_of(rate_lpm: FloatArray, pulse_lpm: float) -> float:
    """Rate of the trickle among blocks most of which also hold uses: the mean of the lowest mode [L/min].

    `pulse_lpm` is that of one pulse in a block.
    """
    ordered = np.sort(rate_lpm)[int(STRAY_SHARE * rate_lpm.size) :]
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
