"""How each label's uses repeat, cluster and keep time: what the figures of volume and flow don't say.

All numbers are assumptions from how the fixtures work, none is fitted to a home.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsift.labels import LABELS
from flowsift.trace import FloatArray


@dataclass(frozen=True)
class Habit:
    """Habits of one label.

    Attributes
    ----------
    repeats : float
        Share of its uses that take the same volume at the same flow time and again.
    mode_per_day : float
        Uses a day of one such repeated use, in the middle of homes.
    burst, clock : tuple of float
        Mean and standard deviation of the scores of `flowsift.surroundings`.
    """

    repeats: float
    mode_per_day: float
    burst: tuple[float, float] = (0.2, 0.9)
    clock: tuple[float, float] = (-0.1, 0.8)


HABITS: dict[str, Habit] = {
    "flush": Habit(0.95, 4.0, burst=(0.1, 0.8)),
    "shower": Habit(0.03, 0.3),
    "bathtub": Habit(0.10, 0.15),
    "faucet": Habit(0.03, 0.5, burst=(0.3, 0.9)),
    "clothes_washer": Habit(0.70, 0.7, burst=(2.0, 1.0)),
    "dishwasher": Habit(0.70, 0.7, burst=(2.0, 1.0)),
    "irrigation": Habit(0.80, 0.5, burst=(0.8, 1.2), clock=(2.5, 1.3)),
    "hose": Habit(0.02, 0.1, burst=(0.5, 1.0)),
    "softener": Habit(0.80, 0.15, burst=(0.5, 1.0), clock=(2.0, 1.3)),
    "cooler": Habit(0.60, 30.0, burst=(1.0, 1.0)),
    "pool_fill": Habit(0.05, 0.05),
    "toilet_leak": Habit(0.97, 30.0, burst=(0.6, 0.8)),
    "other": Habit(0.20, 3.0, burst=(0.3, 1.0), clock=(0.2, 1.0)),
}

MODE_RATE_SPREAD = 1.2
"""Standard deviation of the log of a mode's uses a day over homes."""


def habit_array(name: str) -> FloatArray:
    """Return one habit of all labels, in the order of `LABELS`."""
    return np.array([getattr(HABITS[label], name) for label in LABELS], dtype=np.float64)


def context_log_likelihood(burst: FloatArray, clock: FloatArray) -> FloatArray:
    """Log likelihood of each use's scores under each label, shape (n_uses, n_labels)."""
    total = np.zeros((burst.size, len(LABELS)))
    for score, name in ((burst, "burst"), (clock, "clock")):
        habit = habit_array(name)
        total += -0.5 * ((score[:, None] - habit[:, 0]) / habit[:, 1]) ** 2 - np.log(habit[:, 1])
    return total
