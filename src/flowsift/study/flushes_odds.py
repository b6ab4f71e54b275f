"""Odds that refills which repeat are a toilet's: not another fixture's fills, nor a few of another toilet's refills."""

from __future__ import annotations

import numpy as np

from flowsift.arrays import FloatArray
from flowsift.study.flushes_refills import Refills

BURST_S = 1200.0
"""Refills that follow another one of their group within this time come in a burst, as a washer's fills do [s]."""

CONSTANT, PER_LOG_SHARE, PER_LOG_ODDS, PER_BURSTS = 7.53, 3.40, 0.78, -10.2
"""Weights of a logistic regression on the logarithm of a group's share of all refills, the log odds of the label of its
refills and the share of them in bursts: fitted to the groups of 400 simulated homes of the training seeds at 10 s and
0.4 L, of which those are toilets that share most refills with a true one, each with one."""

SURE = 0.6
"""Probability from which a group is a toilet: one that doesn't exist misleads more than one that is left out (of 0.5,
0.6 and 0.7 the one that told most of the same homes' toilets apart)."""


def is_toilet(mine: Refills, *, n_refills: int) -> bool:
    """Tell whether refills that repeat are those of a toilet, with a probability above `SURE`.

    Parameters
    ----------
    mine : Refills
        Of the group, sorted by start, at least one.
    n_refills : int
        Refills of the whole home.
    """
    probability = float(mine.probability.mean())
    log_odds = (
        CONSTANT
        + PER_LOG_SHARE * np.log(len(mine) / n_refills)
        + PER_LOG_ODDS * _log_odds(min(max(probability, 0.01), 0.99))
        + PER_BURSTS * in_bursts(mine.start_s, mine.end_s)
    )
    return bool(log_odds > _log_odds(SURE))


def in_bursts(start_s: FloatArray, end_s: FloatArray) -> float:
    """Return the share of refills that begin soon after the one before has ended (sorted by start)."""
    if start_s.size < 2:
        return 0.0
    pause = start_s[1:] - np.maximum.accumulate(end_s)[:-1]
    return float(((pause >= 0.0) & (pause < BURST_S)).mean())


def _log_odds(probability: float) -> float:
    return float(np.log(probability / (1.0 - probability)))
