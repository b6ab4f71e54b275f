"""Modes: volumes and flows that repeat in this home far more often than chance, as a fixture's own use does.

A toilet, a washer's fill or an irrigation zone takes nearly the same volume at nearly the same flow each time; taps do
not. On a plane stretched so that a repeated use scatters by about one unit, such fixtures stand out as peaks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter, maximum_filter

from flowsift.trace import FloatArray

REPEAT_VOLUME = 0.035
"""Standard deviation of a repeated use's volume, as a share (assumption: a refill repeats within a few per cent)."""

REPEAT_FLOW = 0.06
"""Standard deviation of a repeated use's flow, as a share (assumption: house pressure over the day)."""

READING = 1 / np.sqrt(6.0)
"""Standard deviation of a volume read in pulses, in pulses (triangular error)."""

BIN = 0.5
"""Width of a bin of the plane, in standard deviations."""

NARROW, WIDE = 1.0, 6.0
"""Smoothing that shows a mode, and smoothing that hides it, in standard deviations."""

LEAST_USES = 5
"""Fewer repetitions make no mode."""

SIGNIFICANT = 4.0
"""Excess over the surroundings from which a peak is a mode, in standard deviations of a Poisson count."""

MOST_MODES = 60


@dataclass(frozen=True, kw_only=True)
class Plane:
    """Coordinates in which a repeated use scatters by about one unit in both directions.

    Attributes
    ----------
    reading_l : float
        Standard deviation of a volume that comes from the meter's pulses [L].
    flow_share : float
        Standard deviation of a repeated flow, as a share.
    """

    reading_l: float
    flow_share: float

    @classmethod
    def of(cls, *, pulse_l: float, interval_s: float) -> Plane:
        """Choose the plane for a meter: coarse pulses blur volumes, long intervals blur flows."""
        typical_use_s = 60.0
        blur = 0.3 * interval_s / typical_use_s
        return cls(reading_l=max(READING * pulse_l, 1e-3), flow_share=float(np.hypot(REPEAT_FLOW, blur)))

    def points(self, volume_l: FloatArray, flow_lpm: FloatArray) -> FloatArray:
        """Return the coordinates of uses, shape (n_uses, 2)."""
        u = np.arcsinh(REPEAT_VOLUME * volume_l / self.reading_l) / REPEAT_VOLUME
        return np.column_stack([u, np.log(flow_lpm) / self.flow_share])

    def log_stretch(self, volume_l: FloatArray) -> FloatArray:
        """Return the log of the plane's area over the area in log volume and log flow, shape (n_uses,)."""
        spread = np.hypot(REPEAT_VOLUME, self.reading_l / volume_l)
        return np.asarray(-np.log(spread * self.flow_share), dtype=np.float64)


@dataclass(frozen=True, kw_only=True, eq=False)
class Modes:
    """Peaks of the plane, largest first.

    Attributes
    ----------
    center : ndarray, shape (n_modes, 2)
    excess : ndarray, shape (n_modes,)
        Uses beyond what the surroundings explain.
    purity : ndarray, shape (n_modes,)
        Log ratio of the uses there to those that the surroundings explain.
    """

    center: FloatArray
    excess: FloatArray
    purity: FloatArray

    @classmethod
    def none(cls) -> Modes:
        """Return no modes."""
        return cls(center=np.empty((0, 2)), excess=np.empty(0), purity=np.empty(0))


def find_modes(points: FloatArray) -> Modes:
    """Find the peaks among uses.

    Parameters
    ----------
    points : ndarray, shape (n_uses, 2)
        Coordinates on a `Plane`.

    Returns
    -------
    Modes
        Peaks with at least `LEAST_USES` uses and a significant excess over the surroundings.
    """
    if len(points) < LEAST_USES:
        return Modes.none()
    low = points.min(axis=0) - 3 * WIDE
    shape = np.ceil((points.max(axis=0) + 3 * WIDE - low) / BIN).astype(int)
    place = ((points - low) / BIN).astype(np.int64)
    count = (
        np.bincount(place[:, 0] * shape[1] + place[:, 1], minlength=shape[0] * shape[1]).reshape(shape).astype(float)
    )
    # A Gaussian of standard deviation s holds 4 pi s^2 bins' worth of its height.
    narrow = gaussian_filter(count, NARROW / BIN, mode="constant") * (4 * np.pi * (NARROW / BIN) ** 2)
    wide = gaussian_filter(count, WIDE / BIN, mode="constant") * (4 * np.pi * (NARROW / BIN) ** 2)
    # The mode itself is part of its surroundings: take its own share out.
    share = (NARROW / WIDE) ** 2
    background = np.maximum(wide - share * narrow, 0.0) / (1 - share)
    excess = narrow - background
    peak = (narrow == maximum_filter(narrow, size=2 * round(1.5 * NARROW / BIN) + 1)) & (narrow >= LEAST_USES)
    peak &= excess > SIGNIFICANT * np.sqrt(background + 1.0)
    rows, columns = np.nonzero(peak)
    order = np.argsort(-excess[rows, columns], kind="stable")[:MOST_MODES]
    rows, columns = rows[order], columns[order]
    center = low + (np.column_stack([rows, columns]) + 0.5) * BIN
    return Modes(
        center=_recentre(points, center),
        excess=excess[rows, columns],
        purity=np.log((narrow[rows, columns] + 0.5) / (background[rows, columns] + 0.5)),
    )


def _recentre(points: FloatArray, center: FloatArray) -> FloatArray:
    """Move each peak to the mean of the uses within two units of it."""
    points = points[np.argsort(points[:, 0], kind="stable")]
    first = np.searchsorted(points[:, 0], center[:, 0] - 2.0)
    stop = np.searchsorted(points[:, 0], center[:, 0] + 2.0, "right")
    moved = center.copy()
    for k in range(len(center)):
        beside = points[first[k] : stop[k]]
        near = beside[((beside - center[k]) ** 2).sum(axis=1) <= 4.0]
        if len(near):
            moved[k] = near.mean(axis=0)
    return moved
