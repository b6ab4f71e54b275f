"""The even spacing of lone pulses: what a slow constant flow leaves behind wherever nothing else runs.

A use between two pulses of a trickle brings the second one forward and never puts it off. So the longest spacings of a
stretch are those that nothing disturbed, and they are all alike; those between uses alone are of all lengths.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsift.arrays import FloatArray

ALIKE = 1.07
"""Undisturbed spacings differ by at most this factor (assumption: a meter's pulses wander by a few per cent)."""

EVEN_SHARE = 0.2
"""Least share of a trickle's time whose spacings are alike: a home sleeps for a quarter of the day (common practice),
and uses through coarse pulses leave spacings that are alike by chance for less."""

CLEAR_SHARE = 0.4
"""The same where two spacings are told apart (assumption)."""

LEAST_SPACINGS = 12
"""Fewer spacings are easily alike by chance."""


@dataclass(frozen=True, kw_only=True)
class Spacing:
    """The spacing that most time shows.

    Attributes
    ----------
    spacing_s : float
        From pulse to pulse [s]; 0 where there is none.
    share : float
        Share of the time whose longest spacing is like it, 0 to 1.
    count : float
        Number of such spacings that the time holds.
    """

    spacing_s: float
    share: float
    count: float

    @property
    def is_even(self) -> bool:
        """Whether it may be a trickle's."""
        return self.share >= EVEN_SHARE and self.count >= LEAST_SPACINGS

    @property
    def is_clear(self) -> bool:
        """Whether it shows that it differs from another."""
        return self.is_even and self.share >= CLEAR_SHARE

    def alike(self, other: Spacing) -> bool:
        """Tell whether two spacings may be of one rate."""
        shorter, longer = sorted((self.spacing_s, other.spacing_s))
        return longer <= ALIKE * shorter


def even_spacing(longest_s: FloatArray, *, stretch_s: float) -> Spacing:
    """Find the spacing that most stretches of time show.

    Parameters
    ----------
    longest_s : ndarray, shape (n_stretches,)
        Longest spacing of pulses that reaches into each of some stretches of equal length [s]; 0 where unknown.
    stretch_s : float
        That length [s].

    Returns
    -------
    Spacing
        The longer one of two that are shown as often.
    """
    log = np.sort(np.log(longest_s[longest_s > 0]))
    if log.size == 0:
        return Spacing(spacing_s=0.0, share=0.0, count=0.0)
    count = np.searchsorted(log, log + np.log(ALIKE), side="right") - np.arange(log.size)
    first = log.size - 1 - int(np.argmax(count[::-1]))
    members = log[first : first + count[first]]
    spacing_s = float(np.exp(np.median(members)))
    return Spacing(spacing_s=spacing_s, share=members.size / log.size, count=members.size * stretch_s / spacing_s)
