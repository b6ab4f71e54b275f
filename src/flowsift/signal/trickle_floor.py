"""Where a trickle runs: by the least rate of any stretch and the longest pause in windows of hours to days."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from flowsift.arrays import FloatArray
from flowsift.signal.blocks import Blocks, Resolution
from flowsift.units import SECONDS_PER_MINUTE

HIGHEST_LPM = 3.0
"""Above this a constant flow is a use [L/min] (assumption: an open fixture or a drip zone runs faster)."""

STRETCH_PULSES = 3.0
"""Least number of pulses in every stretch: two in a row are easily a tap's."""

PAUSE_SLACK = 1.9
"""How many pulses' time a pause may last before it rules the trickle out: pulse spacing wanders with the pressure and a
stopped-and-started meter, and two pulses' time would be one pulse missed."""


@dataclass(frozen=True, kw_only=True)
class Scale:
    """One look for a trickle: stretches of `stretch_s` within windows of `window_s`."""

    stretch_s: float
    window_s: float


SCALES = (
    Scale(stretch_s=600.0, window_s=6 * 3600.0),
    Scale(stretch_s=3600.0, window_s=18 * 3600.0),
    Scale(stretch_s=3 * 3600.0, window_s=48 * 3600.0),
)
"""Looks from fast to slow. Each window is longer than households use water without a break (common practice), and
longer the fewer pulses it holds."""


def floor_rate(blocks: Blocks, resolution: Resolution) -> FloatArray:
    """Return the rate of the trickle that runs through each block [L/min], 0 for none, shape (n_blocks,)."""
    rate = np.zeros(blocks.volume_l.size)
    for scale in SCALES:
        found = _constant_rate(blocks, resolution, scale)
        # A use in the quietest stretch adds to it, but a trickle needs its own water in every stretch: look again
        # with no more in a block than the trickle can have brought.
        most = np.where(found > 0, most_of_trickle(found, resolution), np.inf)
        capped = replace(blocks, volume_l=np.minimum(blocks.volume_l, most))
        found = _constant_rate(capped, resolution, scale)
        rate = np.where(rate > 0, rate, found)
    return rate


def most_of_trickle(rate_lpm: FloatArray, resolution: Resolution) -> FloatArray:
    """Return the most that a trickle brings in a block [L]: its rate may waver, and a pulse may fall in or out."""
    return np.asarray(1.15 * rate_lpm * resolution.block_min + 1.01 * resolution.pulse_l)


def _constant_rate(blocks: Blocks, resolution: Resolution, scale: Scale) -> FloatArray:
    """Rate of the trickle that runs through each block at this scale [L/min]; 0 for none."""
    block_s, pulse_l = resolution.block_s, resolution.pulse_l
    stretch = max(round(scale.stretch_s / block_s), 1)
    window = max(round(scale.window_s / block_s), 2 * stretch)
    n = blocks.volume_l.size
    if n < window:
        return np.zeros(n)
    kernel = np.ones(stretch)
    volume = np.convolve(blocks.volume_l, kernel, mode="valid")
    known = np.convolve(blocks.known, kernel, mode="valid") == stretch
    rate = np.where(known, volume / (stretch * block_s / SECONDS_PER_MINUTE), np.inf)
    span = window - stretch + 1
    half = span // 2
    least = minimum_filter1d(rate, span, mode="constant", cval=np.inf)[half : half + n - window + 1]
    pause = maximum_filter1d(blocks.pause_s, window, mode="constant", cval=0.0)
    pause = pause[window // 2 : window // 2 + n - window + 1]
    n_known = np.convolve(blocks.known, np.ones(window), mode="valid")
    spacing_s = pulse_l / np.maximum(least, 1e-12) * SECONDS_PER_MINUTE
    holds = (
        (least > 0)
        & (least <= HIGHEST_LPM)
        & (least * scale.stretch_s / SECONDS_PER_MINUTE >= STRETCH_PULSES * pulse_l)
        & (pause <= PAUSE_SLACK * (spacing_s + resolution.interval_s))
        & (n_known >= 0.8 * window)
    )
    # A block carries the lowest rate of the windows that hold and cover it.
    carried = np.where(holds, least, np.inf)
    padded = np.concatenate([np.full(window - 1, np.inf), carried, np.full(window - 1, np.inf)])
    lowest = minimum_filter1d(padded, window, origin=-(window // 2), mode="nearest")[:n]
    return np.where(np.isfinite(lowest), lowest, 0.0)
