"""What a home is known for: how often a use takes a volume at a flow, told from uses that ran alone."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.ndimage import gaussian_filter

from flowsift.arrays import FloatArray, IntArray

LOW_L, HIGH_L = 0.01, 1000.0
"""Volumes between which the table runs [L]; others count as these."""

LOW_LPM, HIGH_LPM = 0.1, 100.0
"""Flows between which the table runs [L/min]; others count as these."""

BIN = 0.05
"""Width of a bin of the table, in log volume and log flow."""

TIGHT_VOLUME, TIGHT_FLOW = 0.05, 0.12
"""Standard deviations, as shares, of a repeated use's volume and flow when others run beside it (assumption: pressure
changes a refill's flow, not the volume that it needs)."""

LOOSE_VOLUME, LOOSE_FLOW = 0.5, 0.35
"""Standard deviations over which uses that don't repeat are alike, as shares (assumption)."""

STRANGE_USES = 10.0
"""Number of uses, spread evenly over the table, that are assumed beside those that were seen."""

MOST_USES = 4000
"""More uses than this teach nothing new: every second, third ... one is taken."""


@dataclass(frozen=True, kw_only=True)
class Familiar:
    """Uses that a home is known for.

    Attributes
    ----------
    volume_l, flow_lpm : tuple of float
        Volume and mean flow of each, > 0.
    """

    volume_l: tuple[float, ...] = ()
    flow_lpm: tuple[float, ...] = ()

    @classmethod
    def learned(cls, volume_l: FloatArray, flow_lpm: FloatArray) -> Familiar:
        """Learn from uses that ran alone, in order, each of shape (n_uses,)."""
        every = slice(None, None, max(-(-volume_l.size // MOST_USES), 1))
        return cls(volume_l=tuple(volume_l[every].tolist()), flow_lpm=tuple(flow_lpm[every].tolist()))

    @cached_property
    def log_odds(self) -> FloatArray:
        """Log of the density of the home's uses over an even one, by log volume and log flow."""
        return np.asarray(np.log(self._density * self._density.size))

    @cached_property
    def flow_log_odds(self) -> FloatArray:
        """The same by log flow alone."""
        return np.asarray(np.log(self._density.sum(axis=0) * self._density.shape[1]))

    @cached_property
    def _density(self) -> FloatArray:
        shape = int(np.log(HIGH_L / LOW_L) / BIN) + 1, int(np.log(HIGH_LPM / LOW_LPM) / BIN) + 1
        volume, flow = np.array(self.volume_l, np.float64), np.array(self.flow_lpm, np.float64)
        place = _place(volume, LOW_L, shape[0]) * shape[1] + _place(flow, LOW_LPM, shape[1])
        count = np.bincount(place, minlength=shape[0] * shape[1]).reshape(shape).astype(np.float64)
        tight = gaussian_filter(count, (TIGHT_VOLUME / BIN, TIGHT_FLOW / BIN), mode="nearest")
        loose = gaussian_filter(count, (LOOSE_VOLUME / BIN, LOOSE_FLOW / BIN), mode="nearest")
        even = STRANGE_USES / count.size
        return np.asarray((0.5 * (tight + loose) + even) / (volume.size + STRANGE_USES))

    def of_use(self, volume_l: FloatArray, flow_lpm: FloatArray) -> FloatArray:
        """Return the log odds of uses of known volume and mean flow, in the shape of the arguments."""
        n_volumes, n_flows = self.log_odds.shape
        row, column = _place(volume_l, LOW_L, n_volumes), _place(flow_lpm, LOW_LPM, n_flows)
        return np.asarray(self.log_odds[row, column])

    def of_flow(self, flow_lpm: FloatArray) -> FloatArray:
        """Return the log odds of uses of which only the flow is known, in its shape."""
        return np.asarray(self.flow_log_odds[_place(flow_lpm, LOW_LPM, self.flow_log_odds.size)])


def _place(value: FloatArray, lowest: float, n: int) -> IntArray:
    """Bin of each value."""
    return np.clip(np.log(np.maximum(value, lowest) / lowest) / BIN, 0, n - 1).astype(np.int64)
