"""Gives a washer a programme that no maker sells: its loads keep their times and volumes, their fills do not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import groupby

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.households.uses import Use, chain, filled
from flowsift.standards import typical_ranges
from flowsift.units import SECONDS_PER_MINUTE

MOST_FILLS = {"clothes_washer": 12, "dishwasher": 8}
"""Fills of a load at most, by label of a machine (assumption)."""

BREAK_S = 60.0
"""Time that a machine stands still between two loads, at least [s] (assumption)."""

SLOWEST = 1.4
"""Times as long as at the usual pressure that a fill may take at low pressure (assumption)."""


@dataclass(frozen=True, kw_only=True)
class _Programme:
    """What all loads of a machine share.

    Attributes
    ----------
    share : ndarray, shape (n_fills,)
        Share of a load's volume.
    flow_lpm : ndarray, shape (n_fills,)
    bursts : ndarray of int64, shape (n_fills,)
        Number of short runs that a fill comes in.
    pause_s : ndarray, shape (n_fills,)
        From the end of the fill before [s]; the first has none.
    unlike, late_s, missing : float
        How much a fill's log volume and its start [s] differ between loads, and the share of fills left out.
    """

    share: FloatArray
    flow_lpm: FloatArray
    bursts: IntArray
    pause_s: FloatArray
    unlike: float
    late_s: float
    missing: float


def recomposed(fills: Sequence[Use], *, rng: np.random.Generator) -> list[Use]:
    """Return the loads of a machine as another programme would run them.

    How many fills, how large, how fast, how far apart and how alike from load to load is drawn from spreads that are
    wider than any maker's (assumptions); each fill keeps to the published ranges of its volume and flow. A machine of
    which no fill would be left runs as before.

    Parameters
    ----------
    fills : sequence of Use
        Of one machine, whose label is one of `MOST_FILLS`.
    rng : Generator
    """
    programme = _drawn(fills, rng)
    loads = [list(load) for _, load in groupby(fills, key=lambda use: use.cycle)]
    nexts = [*(load[0].start_s for load in loads[1:]), np.inf]
    run = [use for load, end_s in zip(loads, nexts, strict=True) for use in _run(programme, load, end_s, rng)]
    return run or list(fills)


def _drawn(fills: Sequence[Use], rng: np.random.Generator) -> _Programme:
    published = typical_ranges()[fills[0].label].flow_lpm
    flow_lpm = np.median([use.volume_l / use.duration_s for use in fills]) * SECONDS_PER_MINUTE
    # Cold, hot and both at once.
    valves_lpm = np.clip(flow_lpm * rng.lognormal(0.0, 0.3, 3), published.low, published.high)
    n = int(rng.integers(2, MOST_FILLS[fills[0].label] + 1))
    return _Programme(
        share=rng.dirichlet(np.full(n, 1.5)),
        flow_lpm=valves_lpm[rng.choice(3, n, p=[0.7, 0.15, 0.15])],
        bursts=np.where(rng.random(n) < 0.15, rng.integers(2, 8, n), 1),
        pause_s=np.clip(rng.lognormal(np.log(240.0), 1.0, n), 20.0, 2400.0) * (np.arange(n) > 0),
        unlike=float(rng.uniform(0.01, 0.25)),
        late_s=float(rng.uniform(1.0, 60.0)),
        missing=float(rng.uniform(0.0, 0.2)),
    )


def _run(programme: _Programme, load: Sequence[Use], end_s: float, rng: np.random.Generator) -> list[Use]:
    """Run one load; what the next one leaves no time for isn't drawn."""
    published = typical_ranges()[load[0].label].volume_l
    load_l, now_s = sum(use.volume_l for use in load), load[0].start_s
    out: list[Use] = []
    for k in range(programme.share.size):
        volume_l = load_l * float(programme.share[k]) * float(rng.lognormal(0.0, programme.unlike))
        volume_l = float(np.clip(volume_l, published.low, published.high))
        now_s += max(float(programme.pause_s[k] + rng.normal(0.0, programme.late_s)), 15.0) if out else 0.0
        if rng.random() < programme.missing:
            continue
        n = int(programme.bursts[k])
        runs = [filled(volume_l / n, float(programme.flow_lpm[k])) for _ in range(n)]
        t_s, flow_lpm = chain(*runs, pauses_s=rng.uniform(3.0, 9.0, n - 1))
        longest_s = SLOWEST * float(t_s[-1])
        if now_s + longest_s + BREAK_S > end_s:
            break
        out.append(replace(load[0], start_s=now_s, t_s=t_s, flow_lpm=flow_lpm))
        now_s += longest_s
    return out
