"""What a home's water of each flow is taken for: a shower head, a bath spout and a hose each keep a flow of their own.

Published ranges of showers, baths and hoses overlap; those of one home hardly do. So after a first look at all uses, a
use is looked at again beside the home's other uses of its flow.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.grouping import sum_by
from flowsift.labels import LABELS

BIN = 0.04
"""Width of a bin of log flow."""

LEAST_LPM, MOST_LPM = 0.02, 300.0
"""Flows beyond these count as these [L/min]."""

N_BINS = int(np.ceil(np.log(MOST_LPM / LEAST_LPM) / BIN))

REACHES = (2, 6)
"""Bins on either side of a use's flow within which others are alike: one fixture's, and a fixture's settings."""

MOST_USE_L = 400.0
"""A use counts with at most this volume [L], so that a night's irrigation doesn't drown the rest (assumption)."""

KNOWN_FROM_L = 20.0
"""A label has a flow of its own in this home from this volume on [L] (assumption: a shower's half)."""

NAMES: tuple[str, ...] = tuple(
    f"{figure}_{name}"
    for figure in ("flow_share", "flow_share_about", "off_flow", "log_amount", "flow_width")
    for name in LABELS
)
"""Names of the columns of `FlowProfile.evidence`."""


@dataclass(frozen=True, kw_only=True, eq=False)
class FlowProfile:
    """Volume of each label by flow.

    Attributes
    ----------
    volume_l : ndarray, shape (N_BINS, n_labels)
        Volume [L] in each bin of log flow, uses counted with their probabilities.
    """

    volume_l: FloatArray

    @classmethod
    def of(cls, flow_lpm: FloatArray, volume_l: FloatArray, probability: FloatArray) -> FlowProfile:
        """Sum up uses by flow.

        Parameters
        ----------
        flow_lpm, volume_l : ndarray, shape (n_uses,)
        probability : ndarray, shape (n_uses, n_labels)
            What they are taken for.
        """
        bins, weight = _bin_of(flow_lpm), _weight(volume_l, probability)
        return cls(volume_l=np.column_stack([sum_by(bins, column, N_BINS) for column in weight.T]))

    @classmethod
    def none(cls) -> FlowProfile:
        """Return the profile of a home of which nothing is known."""
        return cls(volume_l=np.zeros((N_BINS, len(LABELS))))

    def evidence(
        self, flow_lpm: FloatArray, volume_l: FloatArray, probability: FloatArray, *, counted: bool
    ) -> FloatArray:
        """Compare uses with the home's others.

        Parameters
        ----------
        flow_lpm, volume_l : ndarray, shape (n_uses,)
        probability : ndarray, shape (n_uses, n_labels)
            What they are taken for.
        counted : bool
            They are among the uses that the profile was made of, so each is left out of what it is compared with.

        Returns
        -------
        ndarray, shape (n_uses, len(NAMES))
            For each label: the log of its share of the volume of like flow, within each of `REACHES`; how far the log
            flow lies from the label's mean, 0 where the label isn't known; the log of its volume; the spread of its
            log flow.
        """
        bins = _bin_of(flow_lpm)
        own = _weight(volume_l, probability) if counted else np.zeros_like(probability)
        near = [self._within(reach)[bins] - own for reach in REACHES]
        flow = _middle()
        at = flow[bins][:, None]
        volume, first, second = (
            (self.volume_l * flow[:, None] ** power).sum(axis=0) - own * at**power for power in range(3)
        )
        known = volume > KNOWN_FROM_L
        whole = np.where(known, volume, 1.0)
        mean = first / whole
        width = np.sqrt(np.maximum(second / whole - mean**2, 0.0))
        return np.column_stack(
            [
                *(_log_share(np.maximum(volume_near, 0.0)) for volume_near in near),
                np.where(known, at - mean, 0.0),
                np.log(np.maximum(volume, 0.0) + 1.0),
                np.where(known, width, 0.5),
            ]
        )

    def _within(self, reach: int) -> FloatArray:
        """Volume within `reach` bins of each bin, shape (N_BINS, n_labels)."""
        upto = np.concatenate([np.zeros((1, self.volume_l.shape[1])), np.cumsum(self.volume_l, axis=0)])
        k = np.arange(N_BINS)
        return np.asarray(upto[np.minimum(k + reach + 1, N_BINS)] - upto[np.maximum(k - reach, 0)])


def _bin_of(flow_lpm: FloatArray) -> IntArray:
    k = np.floor(np.log(np.clip(flow_lpm, LEAST_LPM, MOST_LPM) / LEAST_LPM) / BIN)
    return np.minimum(k, N_BINS - 1).astype(np.int64)


def _middle() -> FloatArray:
    """Log flow in the middle of each bin."""
    return np.asarray(np.log(LEAST_LPM) + BIN * (np.arange(N_BINS) + 0.5))


def _weight(volume_l: FloatArray, probability: FloatArray) -> FloatArray:
    return np.asarray(np.minimum(volume_l, MOST_USE_L)[:, None] * probability)


def _log_share(volume_l: FloatArray) -> FloatArray:
    return np.asarray(np.log(volume_l / (volume_l.sum(axis=1, keepdims=True) + 1.0) + 0.01))
