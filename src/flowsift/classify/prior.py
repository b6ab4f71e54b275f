"""What is typical anywhere: each label's spread of volume and flow, and how often homes see it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from flowsift.labels import LABELS
from flowsift.standards import Spread, typical_ranges
from flowsift.trace import FloatArray

NINETEEN_IN_TWENTY = 2 * 1.96
"""Standard deviations of a normal spread between the low and the high of a typical range."""

USES_PER_DAY: dict[str, float] = {
    "flush": 13.0,  # 5 flushes a person and day (REU v2, 2016) x 2.6 persons a household (REU v2)
    "shower": 1.8,  # 0.69 a person and day (REU v2, 2016) x 2.6
    "bathtub": 0.2,  # hot-water draw tables, from memory: 0.3 a household and day
    "faucet": 40.0,  # REU v2, from memory: 51 a household and day; short ones merge or stay unseen
    "clothes_washer": 4.0,  # 0.3 loads a person and day (from memory) x 2.6 x 5 fills (assumption)
    "dishwasher": 1.5,  # 0.1 loads a person and day (from memory) x 2.6 x 5 fills (assumption)
    "irrigation": 0.8,  # assumption: a controller with five zones in some of the homes, some of the year
    "hose": 0.2,  # assumption
    "softener": 0.1,  # assumption: few homes, one regeneration a few days
    "cooler": 0.3,  # assumption: few homes, many refills on hot days
    "pool_fill": 0.02,  # assumption
    "toilet_leak": 0.5,  # assumption: few homes, many refills a day
    "other": 1.0,  # assumption
}
"""Uses a day in an ordinary home, by label, as one event each at the meter."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Prior:
    """Normal spreads of log volume and log flow, one a label in the order of `LABELS`.

    Attributes
    ----------
    mean : ndarray, shape (n_labels, 2)
        Mean of log volume [log L] and log flow [log L/min].
    precision : ndarray, shape (n_labels, 2, 2)
    log_norm : ndarray, shape (n_labels,)
        Log of the density at the mean.
    uses_per_day : ndarray, shape (n_labels,)
    """

    mean: FloatArray
    precision: FloatArray
    log_norm: FloatArray
    uses_per_day: FloatArray

    def log_density(self, log_volume: FloatArray, log_flow: FloatArray) -> FloatArray:
        """Return the log density of each label at each point, shape (n_points, n_labels)."""
        return self.log_density_at(powers(log_volume, log_flow)).T

    def log_density_at(self, points: FloatArray) -> FloatArray:
        """Return it at points given by their `powers`, shape (n_labels, n_points).

        A log density is quadratic, so one product will do.
        """
        pull = np.einsum("lij,lj->li", self.precision, self.mean)
        constant = self.log_norm - 0.5 * np.einsum("li,li->l", pull, self.mean)
        vv, vq, qq = self.precision[:, 0, 0], self.precision[:, 0, 1], self.precision[:, 1, 1]
        factors = np.column_stack([constant, pull, -0.5 * vv, -vq, -0.5 * qq])
        return np.asarray(factors @ points)

    def updated(self, sums: FloatArray, *, weight: float) -> Prior:
        """Return the spreads after the uses of a home are seen, the old ones counting as `weight` uses.

        Parameters
        ----------
        sums : ndarray, shape (6, n_labels)
            `powers` of the uses added up, each use by how much of it belongs to each label.
        weight : float
        """
        n, v, q, vv, vq, qq = sums
        total = n + weight
        mean = (np.stack([v, q], axis=-1) + weight * self.mean) / total[:, None]
        square = np.stack([vv, vq, vq, qq], axis=-1).reshape(-1, 2, 2)
        old = np.linalg.inv(self.precision)
        scatter = square + weight * (old + np.einsum("li,lj->lij", self.mean, self.mean))
        covariance = scatter / total[:, None, None] - np.einsum("li,lj->lij", mean, mean)
        precision = np.linalg.inv(covariance)
        return replace(self, mean=mean, precision=precision, log_norm=_log_norm(precision))


def powers(log_volume: FloatArray, log_flow: FloatArray) -> FloatArray:
    """Return 1, the coordinates of each point, their squares and their product, shape (6, n_points)."""
    v, q = log_volume, log_flow
    return np.stack([np.ones_like(v), v, q, v * v, v * q, q * q])


def _log_norm(precision: FloatArray) -> FloatArray:
    return np.asarray(0.5 * np.log(np.linalg.det(precision)) - np.log(2 * np.pi))


@cache
def published_prior() -> Prior:
    """Combine each label's published ranges of volume, flow and duration into one spread.

    The three ranges speak of two quantities (duration is volume over flow), so their product, which takes each as a
    normal spread of the logarithm, is given two thirds of its weight.
    """
    means, precisions = [], []
    for label in LABELS:
        r = typical_ranges()[label]
        (mv, sv), (mq, sq), (md, sd) = (_log_normal(s) for s in (r.volume_l, r.flow_lpm, r.duration_s))
        md -= np.log(60.0)
        a = np.array([[1 / sv**2 + 1 / sd**2, -1 / sd**2], [-1 / sd**2, 1 / sq**2 + 1 / sd**2]])
        b = np.array([mv / sv**2 + md / sd**2, mq / sq**2 - md / sd**2])
        means.append(np.linalg.solve(a, b))
        precisions.append(a * (2 / 3))
    precision = np.array(precisions)
    return Prior(
        mean=np.array(means),
        precision=precision,
        log_norm=_log_norm(precision),
        uses_per_day=np.array([USES_PER_DAY[label] for label in LABELS]),
    )


def _log_normal(spread: Spread) -> tuple[float, float]:
    return float(np.log(spread.typical)), float(np.log(spread.high / spread.low) / NINETEEN_IN_TWENTY)
