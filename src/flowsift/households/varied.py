"""Makes a home unlike the others: each fixture's flows, times and uses a day changed by factors of its own."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from flowsift.households.recomposed import MOST_FILLS, recomposed
from flowsift.households.reshaped import reshaped
from flowsift.households.uses import JOIN_PAUSE_S, LONGEST_WAIT_S, Use, free_from_s
from flowsift.standards import Spread, typical_ranges
from flowsift.trace import BoolArray, FloatArray
from flowsift.units import SECONDS_PER_MINUTE

SPARED_SHARE = 0.5
"""Share of fixtures, at a spread of 1, that are used less than the home's habits say."""

RECOMPOSED_SHARE = 0.5
"""Share of washers that run a programme unlike any other (`recomposed`)."""

RESHAPED_SHARE = 0.5
"""Share of fixtures whose uses have a shape of their own (`reshaped`)."""

LATE_S = 3600.0
"""Standard deviation of the change of a use's start, in a home whose habits are broken up [s]."""

OTHER_HOURS_S = 5400.0
"""Standard deviation of how much earlier or later a fixture is used, in a home that keeps other hours [s]."""

WIDEST = 2.0
"""Factors are drawn within this many standard deviations."""


def varied(uses: Sequence[Use], *, spread: float, rng: np.random.Generator) -> list[Use]:
    """Return a home's uses as if its fixtures and habits were less usual.

    The flows of the home share one factor and those of each fixture another; times alike. Some fixtures are used less,
    and in half of the homes single uses move by an hour or so, so that what usually follows what doesn't any more.
    In half of the homes, each fixture is used earlier or later than usual. A load or a programme keeps its order, but
    half of the washers run programmes of their own, and half of the fixtures have flows of a shape of their own. No
    fixture leaves the published ranges of its flow and volume for it. What is one use stays one, and two stay two: the
    pauses in a use keep their length, and people wait their turn at a tap.

    Parameters
    ----------
    uses : sequence of Use
        By fixture.
    spread : float
        Standard deviation of the log of a fixture's factors, > 0.
    rng : Generator
    """
    home = _factors(rng, spread / 2)
    broken_up = rng.random() < 0.5
    shapes, hours = rng.spawn(2)
    other_hours_s = OTHER_HOURS_S * (hours.random() < 0.5)
    changed: list[Use] = []
    for name in dict.fromkeys(use.fixture for use in uses):
        own = [use for use in uses if use.fixture == name]
        if own[0].label in MOST_FILLS and rng.random() < RECOMPOSED_SHARE:
            own = recomposed(own, rng=rng)
        if shapes.random() < RESHAPED_SHARE:
            own = reshaped(own, spread=spread, rng=shapes)
        flow, time = _within_ranges(own, *(home * _factors(rng, spread)))
        kept = float(rng.uniform(0.2, 1.0)) if rng.random() < SPARED_SHARE * spread else 1.0
        later_s = other_hours_s * float(hours.standard_normal())
        # Single uses have no cycle: each is its own.
        cycle = np.array([use.cycle if use.cycle >= 0 else -1 - i for i, use in enumerate(own)])
        number, first, of = np.unique(cycle, return_index=True, return_inverse=True)
        stays = rng.random(number.size) < kept
        late_s = np.where(broken_up & (number < 0), rng.normal(0.0, LATE_S, number.size), 0.0)
        begin_s = [own[k].start_s for k in first.tolist()]
        changed += _in_turn(
            replace(
                use,
                start_s=begin_s[k] + later_s + time * (use.start_s - begin_s[k]) + float(late_s[k]),
                t_s=_longer(use, time),
                flow_lpm=use.flow_lpm * flow,
            )
            for use, k in zip(own, of.tolist(), strict=True)
            if stays[k]
        )
    return changed


def _longer(use: Use, factor: float) -> FloatArray:
    """Return the points of a use in time when all but its pauses takes `factor` times as long [s]."""
    return np.concatenate([[0.0], np.cumsum(np.diff(use.t_s) * np.where(_runs(use), factor, 1.0))])


def _runs(use: Use) -> BoolArray:
    """Tell between which points of a use water runs, shape (n_points - 1,)."""
    return np.asarray((use.flow_lpm[1:] > 0) | (use.flow_lpm[:-1] > 0))


def _in_turn(uses: Iterable[Use]) -> list[Use]:
    """Return the uses of a fixture; those of a tap begin late enough to be two, or whoever would wait long gives up."""
    kept: list[Use] = []
    free_s = -np.inf
    for use in sorted(uses, key=lambda use: use.start_s):
        begin_s = max(use.start_s, free_s)
        if begin_s - use.start_s > LONGEST_WAIT_S:
            continue
        kept.append(use.moved(begin_s))
        if use.label in JOIN_PAUSE_S:
            free_s = free_from_s(kept[-1])
    return kept


def _within_ranges(own: Sequence[Use], flow: float, time: float) -> tuple[float, float]:
    """Limit factors so that the middle flow and volume of a fixture's uses don't leave their published ranges."""
    published = typical_ranges()[own[0].label]
    volume_l = np.median([use.volume_l for use in own])
    flow_lpm = np.median([use.volume_l / np.diff(use.t_s)[_runs(use)].sum() for use in own]) * SECONDS_PER_MINUTE
    flow = _kept(flow, float(flow_lpm), published.flow_lpm)
    volume = _kept(flow * time, float(volume_l), published.volume_l)
    return flow, volume / flow


def _kept(factor: float, value: float, spread: Spread) -> float:
    """Limit a factor so that a value isn't carried out of a range, or further out of it."""
    return float(np.clip(factor, min(spread.low / value, 1.0), max(spread.high / value, 1.0)))


def _factors(rng: np.random.Generator, spread: float) -> np.ndarray:
    return np.exp(spread * np.clip(rng.standard_normal(2), -WIDEST, WIDEST))
