"""Odds that refills which repeat are a toilet's: not another fixture's fills, nor a few of another toilet's refills."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from flowsift.arrays import FloatArray
from flowsift.study.flushes_refills import Refills

BURST_S = 1200.0
"""Refills that follow another one of their group within this time come in a burst, as a washer's fills do [s]."""

CONSTANT, WEIGHTS = 7.53, (3.40, 0.78, -10.2)
"""Logistic regression on `signs`, fitted by ``benchmarks/fit_toilet_odds.py`` to 400 simulated homes of the training
seeds at 10 s and 0.4 L, with networks that called more of other fixtures' fills flushes than today's. With today's the
script gives 7.19, (2.86, -0.05, -2.77). Of 331 groups in other homes that tells 19 wrongly, these 20; but it hardly
minds bursts and little certainty, and a home unlike the simulated ones may show both."""

SURE = 0.6
"""Probability from which a group is a toilet: one that doesn't exist misleads more than one that is left out (of 0.5,
0.6 and 0.7 the one that told most of the same homes' toilets apart)."""


def is_toilet(found: Sequence[float]) -> bool:
    """Tell whether refills of these `signs` are a toilet's, with a probability above `SURE`."""
    return bool(CONSTANT + float(np.dot(WEIGHTS, found)) > _log_odds(SURE))


def signs(mine: Refills, *, n_refills: int) -> tuple[float, float, float]:
    """Return what speaks for a toilet: the log of the share of all refills that are the group's, the log odds of the
    label of its refills, and the share of them in bursts.

    Parameters
    ----------
    mine : Refills
        Of the group, sorted by start, at least one.
    n_refills : int
        Refills of the whole home.
    """
    probability = float(np.clip(mine.probability.mean(), 0.01, 0.99))
    return float(np.log(len(mine) / n_refills)), _log_odds(probability), in_bursts(mine.start_s, mine.end_s)


def in_bursts(start_s: FloatArray, end_s: FloatArray) -> float:
    """Return the share of refills that begin soon after the one before has ended (sorted by start)."""
    if start_s.size < 2:
        return 0.0
    pause = start_s[1:] - np.maximum.accumulate(end_s)[:-1]
    return float(((pause >= 0.0) & (pause < BURST_S)).mean())


def _log_odds(probability: float) -> float:
    return float(np.log(probability / (1.0 - probability)))
