"""What a home's uses of each flow, volume and hour are taken for: each shower head, spout and hose keeps to its own.

Published ranges of showers, baths and hoses overlap; those of one home hardly do. So after a first look at all uses, a
use is looked at again beside the home's other uses of its flow, of its flow and volume, and of its time of day
(`home_clock`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.classify.home_clock import N_BINS, count_by_clock
from flowsift.features import UseFeatures
from flowsift.grouping import sum_by
from flowsift.labels import LABELS


@dataclass(frozen=True)
class _Axis:
    """Bins of equal width of a logarithm; what lies beyond the ends counts as the ends."""

    least: float
    most: float
    width: float

    @property
    def size(self) -> int:
        return int(np.ceil(np.log(self.most / self.least) / self.width))

    @property
    def middle(self) -> FloatArray:
        """Logarithm in the middle of each bin."""
        return np.asarray(np.log(self.least) + self.width * (np.arange(self.size) + 0.5))

    def bin_of(self, value: FloatArray) -> IntArray:
        k = np.floor(np.log(np.clip(value, self.least, self.most) / self.least) / self.width)
        return np.minimum(k, self.size - 1).astype(np.int64)


FLOW = _Axis(least=0.02, most=300.0, width=0.08)
"""Bins of flow [L/min]."""

VOLUME = _Axis(least=0.01, most=10_000.0, width=0.15)
"""Bins of volume [L]."""

FLOW_REACHES = (1, 3)
"""Bins on either side of a use's flow within which others are alike: one fixture's, and a fixture's settings."""

BOTH_REACHES = (1, 2)
"""Bins on either side, of flow and of volume, within which uses are alike in both."""

MOST_USE_L = 400.0
"""A use counts with at most this volume [L], so that a night's irrigation doesn't drown the rest (assumption)."""

KNOWN_FROM_L = 20.0
"""A label has a flow of its own in this home from this volume on [L] (assumption: a shower's half)."""

UNKNOWN_WIDTH = 0.5
"""Spread of the log flow or log volume of a label that the home isn't known to have (assumption)."""

DIGITS = 6
"""Decimals of a count that are kept: a home's file stays short."""

FEW = 0.05
"""Uses added to a count before its logarithm is taken."""

NAMES: tuple[str, ...] = (
    *(
        f"{figure}_{name}"
        for figure in (
            *("flow_share", "flow_share_about", "log_amount", "off_flow", "flow_width", "off_volume", "volume_width"),
            *("alike_share", "alike_share_about"),
        )
        for name in LABELS
    ),
    "log_alike",
    "log_alike_about",
)
"""Names of the columns of `ProfileTable.evidence`."""


@dataclass(frozen=True, kw_only=True, eq=False)
class HomeProfile:
    """Number of uses of each label by flow and volume, and by time of day.

    Attributes
    ----------
    bin : ndarray of int64, shape (n_bins,)
        Bins that uses fall in, in order: position in `FLOW` times the size of `VOLUME`, plus position in `VOLUME`.
    count : ndarray, shape (n_bins, n_labels)
        Number of uses, each counted with its probabilities.
    by_clock : ndarray, shape (home_clock.N_BINS, n_labels)
        The same by the time of day at which they begin.
    """

    bin: IntArray
    count: FloatArray
    by_clock: FloatArray

    @classmethod
    def of(cls, features: UseFeatures, probability: FloatArray) -> HomeProfile:
        """Count uses.

        Parameters
        ----------
        features : UseFeatures
        probability : ndarray, shape (n_uses, n_labels)
            What they are taken for.
        """
        where = FLOW.bin_of(features.flow_lpm) * VOLUME.size + VOLUME.bin_of(features.volume_l)
        bins, place = np.unique(where, return_inverse=True)
        count = np.column_stack([sum_by(place, column, bins.size) for column in probability.T])
        by_clock = count_by_clock(features.start_s, probability)
        return cls(bin=bins.astype(np.int64), count=count.round(DIGITS), by_clock=by_clock.round(DIGITS))

    @classmethod
    def none(cls) -> HomeProfile:
        """Return the profile of a home of which nothing is known."""
        return cls(
            bin=np.empty(0, np.int64), count=np.empty((0, len(LABELS))), by_clock=np.zeros((N_BINS, len(LABELS)))
        )

    def table(self) -> ProfileTable:
        """Spread the counts out over all bins, to compare uses with."""
        counts = np.zeros((FLOW.size, VOLUME.size, len(LABELS)))
        counts[np.divmod(self.bin, VOLUME.size)] = self.count
        upto = np.zeros((FLOW.size + 1, VOLUME.size + 1, len(LABELS)))
        upto[1:, 1:] = counts.cumsum(axis=0).cumsum(axis=1)
        use_l = np.minimum(np.exp(VOLUME.middle), MOST_USE_L)
        return ProfileTable(
            upto=upto,
            use_l=use_l,
            by_flow_l=np.einsum("fvk,v->fk", counts, use_l),
            by_volume_l=counts.sum(axis=0) * use_l[:, None],
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class ProfileTable:
    """A home's profile, spread out.

    Attributes
    ----------
    upto : ndarray, shape (FLOW.size + 1, VOLUME.size + 1, n_labels)
        Number of uses in all bins before, on both axes.
    use_l : ndarray, shape (VOLUME.size,)
        Volume that a use counts with [L].
    by_flow_l, by_volume_l : ndarray, shape (FLOW.size or VOLUME.size, n_labels)
        Volume in each bin of one axis [L].
    """

    upto: FloatArray
    use_l: FloatArray
    by_flow_l: FloatArray
    by_volume_l: FloatArray

    def evidence(self, flow_lpm: FloatArray, volume_l: FloatArray, own: FloatArray) -> FloatArray:
        """Compare uses with the home's others.

        Parameters
        ----------
        flow_lpm, volume_l : ndarray, shape (n_uses,)
        own : ndarray, shape (n_uses, n_labels)
            What the profile counts of the use itself, to be left out of what it is compared with.

        Returns
        -------
        ndarray, shape (n_uses, len(NAMES))
            For each label: the log of its share of the volume of like flow, within each of `FLOW_REACHES`; the log of
            its volume; how far the log flow lies from the label's mean, and the label's spread; the same of the log
            volume; the log of its share of the uses alike in flow and volume, within each of `BOTH_REACHES`. Then the
            log of their number.
        """
        at_flow, at_volume = FLOW.bin_of(flow_lpm), VOLUME.bin_of(volume_l)
        own_l = own * self.use_l[at_volume][:, None]
        alike = [np.maximum(_in_box(self.upto, at_flow, at_volume, reach) - own, 0.0) for reach in BOTH_REACHES]
        return np.column_stack(
            [
                *(_log_share(_within(self.by_flow_l, at_flow, reach) - own_l, 1.0) for reach in FLOW_REACHES),
                np.log(np.maximum(self.by_flow_l.sum(axis=0) - own_l, 0.0) + 1.0),
                *_off_and_width(self.by_flow_l, FLOW.middle, at_flow, own_l),
                *_off_and_width(self.by_volume_l, VOLUME.middle, at_volume, own_l),
                *(_log_share(count, FEW) for count in alike),
                *(np.log(count.sum(axis=1) + FEW) for count in alike),
            ]
        )


def _within(by_bin: FloatArray, at: IntArray, reach: int) -> FloatArray:
    """Sum what lies within `reach` bins of each use's, shape (n_uses, n_labels)."""
    upto = np.concatenate([np.zeros((1, by_bin.shape[1])), np.cumsum(by_bin, axis=0)])
    return np.asarray(upto[np.minimum(at + reach + 1, len(by_bin))] - upto[np.maximum(at - reach, 0)])


def _in_box(upto: FloatArray, at_flow: IntArray, at_volume: IntArray, reach: int) -> FloatArray:
    """Count uses within `reach` bins of each use's on both axes, shape (n_uses, n_labels)."""
    low, high = np.maximum(at_flow - reach, 0), np.minimum(at_flow + reach + 1, FLOW.size)
    left, right = np.maximum(at_volume - reach, 0), np.minimum(at_volume + reach + 1, VOLUME.size)
    return np.asarray(upto[high, right] - upto[low, right] - upto[high, left] + upto[low, left])


def _off_and_width(
    by_bin_l: FloatArray, middle: FloatArray, at: IntArray, own_l: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return how far each use lies from each label's mean on an axis, and the label's spread on it."""
    here = middle[at][:, None]
    volume, first, second = (
        (by_bin_l * middle[:, None] ** power).sum(axis=0) - own_l * here**power for power in range(3)
    )
    known = volume > KNOWN_FROM_L
    whole = np.where(known, volume, 1.0)
    mean = first / whole
    width = np.sqrt(np.maximum(second / whole - mean**2, 0.0))
    return np.where(known, here - mean, 0.0), np.where(known, width, UNKNOWN_WIDTH)


def _log_share(amount: FloatArray, few: float) -> FloatArray:
    amount = np.maximum(amount, 0.0)
    return np.asarray(np.log(amount / (amount.sum(axis=1, keepdims=True) + few) + 0.01))
