"""A toilet's own volume per flush, with an interval, from refills that are partly mixed with other water.

The model of a refill's metered volume ``v`` of a toilet that takes ``V``:

* clean, with probability a: ``v = V + e``;
* mixed, with probability b: ``v = V + e + x`` with ``x`` of gamma form (hands washed while the tank fills);
* anything else, with probability 1 - a - b: spread evenly (a partial flush, another toilet's, not a flush).

``e`` is normal with variance ``(s V)^2 + p^2 / 6``: the toilet's own spread ``s``, and two pulse edges of ``p`` litres,
each uniform, whose difference is triangular. Both are new at each flush, so that the mean of n clean flushes is known
better by the root of n. ``V`` is integrated over a grid of ``s`` and of the extra's scale, with the weights a and b at
their most probable values.

Two doubts do not shrink with n and are added in quadrature. The other water that the model takes off (mean of the
refills less ``V``) is known to a quarter of itself, for its form is an assumption: in a home where nearly everybody
washes hands while the tank fills, few refills show the toilet alone. And on a lattice of pulses the place of the
narrow peak is known to a pulse either way (rectangular); where intervals are so long that uses run together, and
another toilet's refills into this one's, to 1.4 pulses.

What does not average out comes on top: the meter's own error (`flowsift.study.flushes_meter`), which is the same for
every flush at that flow.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.study.flushes_density import extra_log_density, normal_log_density
from flowsift.study.flushes_modes import SPREAD
from flowsift.study.flushes_shape import COARSE_S

COVERAGE = 0.90
"""Coverage of every interval of the study."""

Z = 1.6448536269514722
"""Standard deviations from the middle of a normal distribution to its 5 % and 95 % quantiles."""

SPREADS = (0.006, 0.01, 0.016, 0.025, 0.04)
"""Grid of a toilet's own spread, as shares; beforehand it is `SPREAD`, a factor of 2 being one deviation."""

EXTRAS_L = (0.1, 0.25, 0.5, 0.9)
"""Grid of the extra's scale, half its mean [L]; an extra below half a pulse can't be told from the reading."""

CLEAN, OTHER = 2.0, 1.5
"""Dirichlet prior of clean and other refills: as if one and a half of one had been seen (assumption)."""

MIXED, MIXED_PER_S, MIXED_MOST = 2.0, 0.2, 4.0
"""The same of mixed refills, and its rise with the interval: coarse cells join what is apart (assumption)."""

DOUBT = 0.25
"""Standard deviation of the other water that is taken off, as a share of it; set on homes of the validation seeds."""

PULSES, PULSES_COARSE = 1.0, 1.4
"""Half-width of the rectangular doubt of the peak's place, in pulses, and the same on a coarse trace (`COARSE_S`); the
second set on homes of the validation seeds."""

WINDOW = (0.70, 1.40)
"""Refills beyond these shares of the first guess tell nothing of the toilet's volume."""

POINTS, ZOOMS, ROUNDS = 41, 3, 25


@dataclass(frozen=True, kw_only=True)
class OwnVolume:
    """A toilet's own volume as the meter reads it.

    Attributes
    ----------
    volume_l, low_l, high_l : float
        Median and 90 % interval [L], without the meter's own error.
    spread : float
        Most probable standard deviation between flushes, as a share.
    clean_share, mixed_share : float
        Share of the refills that ran alone, and with other water in them.
    """

    volume_l: float
    low_l: float
    high_l: float
    spread: float
    clean_share: float
    mixed_share: float


def own_volume(
    volume_l: FloatArray, *, near_l: float, pulse_l: float, interval_s: float, doubt: float = DOUBT
) -> OwnVolume:
    """Estimate the volume per flush of one toilet.

    Parameters
    ----------
    volume_l : ndarray, shape (n_refills,)
        Metered volumes of refills that are probably the toilet's [L], n_refills >= 1.
    near_l : float
        First guess of its volume [L].
    pulse_l : float
        Volume of one pulse [L].
    interval_s : float
        Length of an interval [s].
    doubt : float
        Standard deviation of the other water that is taken off, as a share of it.

    Returns
    -------
    OwnVolume
    """
    low, high = WINDOW[0] * near_l, WINDOW[1] * near_l
    seen = volume_l[(volume_l >= low) & (volume_l <= high)]
    if seen.size == 0:
        seen = np.array([near_l])
    level, count = np.unique(np.round(seen, 4), return_counts=True)
    prior = np.array([CLEAN, min(MIXED + MIXED_PER_S * interval_s, MIXED_MOST), OTHER])[:, None]
    grid = np.linspace(max(low, 0.85 * near_l), min(high, 1.12 * near_l), 3 * POINTS)
    for _ in range(ZOOMS):
        log_posterior, spread, clean, mixed = _posterior(grid, level, count, prior, width_l=high - low, pulse_l=pulse_l)
        mass = np.exp(log_posterior - log_posterior.max())
        inside = np.flatnonzero(mass > 1e-4)
        first, last = max(int(inside[0]) - 1, 0), min(int(inside[-1]) + 1, grid.size - 1)
        if inside.size > POINTS // 2:
            break
        grid = np.linspace(grid[first], grid[last], POINTS)
    upto = np.concatenate([[0.0], np.cumsum(0.5 * (mass[1:] + mass[:-1]))])
    tail = 0.5 * (1.0 - COVERAGE)
    quantile = np.interp(np.array([tail, 0.5, 1.0 - tail]) * upto[-1], upto, grid)
    best = int(np.argmax(mass))
    lowest, middle, highest = quantile.tolist()
    taken_off = abs(float(seen.mean()) - middle)
    pulses = PULSES_COARSE if interval_s >= COARSE_S else PULSES
    rest = Z * float(np.hypot(doubt * taken_off, pulses * pulse_l / np.sqrt(3.0)))
    return OwnVolume(
        volume_l=middle,
        low_l=max(middle - float(np.hypot(middle - lowest, rest)), 0.0),
        high_l=middle + float(np.hypot(highest - middle, rest)),
        spread=float(spread[best]),
        clean_share=float(clean[best]),
        mixed_share=float(mixed[best]),
    )


def _posterior(
    grid_l: FloatArray,
    level_l: FloatArray,
    count: IntArray,
    prior: FloatArray,
    *,
    width_l: float,
    pulse_l: float,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return the log posterior on the grid of volumes, and the likeliest spread and shares at each point."""
    extras = [scale for scale in EXTRAS_L if scale >= 0.5 * pulse_l] or [EXTRAS_L[-1]]
    volume = np.repeat(grid_l, len(SPREADS))[:, None]
    spread = np.tile(SPREADS, grid_l.size)[:, None]
    sd = np.hypot(spread * volume, max(pulse_l / np.sqrt(6.0), 1e-3))
    off = level_l - volume
    clean = np.repeat(normal_log_density(off, sd), len(extras), axis=0)
    mixed = np.stack([extra_log_density(off, sd, scale) for scale in extras], axis=1)
    spread = np.repeat(spread[:, 0], len(extras))
    density = np.exp(np.stack([clean, mixed.reshape(clean.shape), np.full(clean.shape, -np.log(width_l))]))
    share = np.repeat(np.array([[0.4], [0.4], [0.2]]), spread.size, axis=1)
    for _ in range(ROUNDS):
        part = density * share[:, :, None]
        total = part.sum(axis=0)
        share = ((part / total) * count).sum(axis=2) + prior - 1.0
        share /= share.sum(axis=0)
    log_likelihood = (np.log(total) * count).sum(axis=1) + ((prior - 1.0) * np.log(share)).sum(axis=0)
    likely = log_likelihood - 0.5 * (np.log(spread / SPREAD) / np.log(2.0)) ** 2
    by_volume = likely.reshape(grid_l.size, -1)
    best = by_volume.argmax(axis=1) + np.arange(grid_l.size) * by_volume.shape[1]
    top = by_volume.max(axis=1)
    log_posterior = top + np.log(np.exp(by_volume - top[:, None]).sum(axis=1))
    return log_posterior, spread[best], share[0, best], share[1, best]
