"""What a step between two levels may mean, a use that opens, closes or is turned, and the price of each such move."""

from __future__ import annotations

from functools import cache

import numpy as np

from flowsift.arrays import BoolArray, FloatArray, IntArray
from flowsift.signal.familiar import Familiar
from flowsift.signal.overlap_beam import USES_AT_ONCE, Beam

OPEN_COST = 3.5
"""Price of a new use."""

ADJUST_COST = 3.0
"""Price of turning a use up or down."""

ADJUST_SLOPE = 1.5
"""Further price for each e-fold of an adjustment: handles move a little more often than a lot."""

TOGETHER_COST = 3.5
"""Price of two things in the same instant (two uses closing, one closing as another opens)."""

OLDER_COST = 0.3
"""Price of an older use closing before a younger one: short uses are commoner than long ones."""

FAMILIAR_WEIGHT = 1.2
"""How much a use's log odds in this home count (tuned, as the prices are, on homes of the training seeds)."""

UNSURE_COST = 0.5
"""Price of each e-fold by which a closing step is less sure than a use's own flow makes it."""

LEAST_FLOW_LPM = 0.4
"""A use doesn't run below this [L/min]; see `flowsift.signal.runs.LEAST_USE_LPM` for a steady draw."""

THIN_COST = 4.0
"""Price of a new use that would be thinner than that."""

SHARED_LINE = 0.04
"""Standard deviation of a step for the pressure that uses share, as a share of the whole flow (assumption: the dip when
a second fixture opens)."""

SAME_FIXTURE = 0.06
"""Standard deviation between a use's opening and closing step, as a share of its flow (assumption)."""

NEW_USE_SHARE = 0.3
"""A use may be followed by another in the same instant only if their flows differ by more than this share."""

_OPENS, _TURNS, _FOLLOWS, _CLOSES, _PAIR_CLOSES = range(5)
"""Moves: a use opens; one is turned; one closes as another opens in its place; one closes; two close."""


def step_variance(
    before: FloatArray, level: FloatArray, *, variance_before: FloatArray, variance: FloatArray
) -> FloatArray:
    """Return the variance of the step between two levels [(L/min)^2]: the meter's, and that of the pressure."""
    return variance_before + variance + (SHARED_LINE * np.maximum(level, before)) ** 2


def worth_of_flow(flow_lpm: FloatArray, known: Familiar) -> FloatArray:
    """Return what uses earn when they open at a flow that the home is known for."""
    return FAMILIAR_WEIGHT * known.of_flow(flow_lpm)


def worth_of_closing(beam: Beam, known: Familiar) -> FloatArray:
    """Return what each running use earns if it closes now, beyond what it earned as it opened."""
    running = beam.flow > 0
    flow = beam.volume / np.where(running, np.maximum(beam.minutes, 1e-9), 1.0)
    worth = FAMILIAR_WEIGHT * known.of_use(beam.volume, flow) - beam.opened
    return np.where(running, worth, 0.0)


def price_of_ending(beam: Beam, known: Familiar) -> FloatArray:
    """Return the price of all running uses closing at the end of the span, shape (n_spans, n_kept)."""
    n_running = (beam.flow > 0).sum(axis=2)
    price = TOGETHER_COST * np.maximum(n_running - 1, 0) - worth_of_closing(beam, known).sum(axis=2)
    return np.asarray(price)


def prices(beam: Beam, known: Familiar, *, step: FloatArray, noise: FloatArray) -> FloatArray:
    """Return the price of every move, shape (n_spans, n_kept, n_moves), infinite for one that can't be.

    Moves are in the order of `moves`; `step` and its variance `noise` have one element a span.
    """
    flow = beam.flow
    running = flow > 0
    n_running = running.sum(axis=2)
    step, noise = step[:, None], noise[:, None]
    worth = worth_of_closing(beam, known)
    opens = OPEN_COST - worth_of_flow(step, known) + _thin(step)
    opens = np.where((n_running == 0) | ((step > 0) & (n_running < USES_AT_ONCE)), opens, np.inf)
    step, noise = step[..., None], noise[..., None]
    down = step < 0
    others = (n_running > 1)[..., None]
    changed = np.where(running, flow + step, 0.0)
    can_turn = changed > np.where(others, LEAST_FLOW_LPM, 0.0)
    safe = np.where(can_turn, changed, 1.0)
    turns = ADJUST_COST + ADJUST_SLOPE * np.abs(np.log(safe / np.where(running, flow, 1.0)))
    turns = np.where(can_turn, turns, np.inf)
    follows = OPEN_COST + TOGETHER_COST + _thin(safe) - worth - worth_of_flow(safe, known)
    follows = np.where(can_turn & (np.abs(step) > NEW_USE_SHARE * flow), follows, np.inf)
    newest = beam.use.max(axis=2, keepdims=True, initial=-1)
    closes = _misfit(flow + step, flow, noise) - worth + np.where(beam.use < newest, OLDER_COST, 0.0)
    closes = np.where(running & others & down, closes, np.inf)
    one, two = np.triu_indices(flow.shape[2], 1)
    both = flow[..., one] + flow[..., two]
    pairs = TOGETHER_COST + _misfit(both + step, both, noise) - worth[..., one] - worth[..., two]
    possible = running[..., one] & running[..., two] & down & (n_running > 2)[..., None]
    pairs = np.where(possible, pairs, np.inf)
    return np.concatenate([opens[..., None], turns, follows, closes, pairs], axis=2)


@cache
def moves(n_places: int) -> tuple[IntArray, IntArray, IntArray]:
    """Kind of each move, the place of its use, and that of the other one that closes with it (-1 for none)."""
    one, two = np.triu_indices(n_places, 1)
    every = np.arange(n_places)
    kind = np.repeat([_OPENS, _TURNS, _FOLLOWS, _CLOSES, _PAIR_CLOSES], [1, n_places, n_places, n_places, one.size])
    place = np.concatenate([[-1], every, every, every, one])
    other = np.concatenate([np.full(1 + 3 * n_places, -1), two])
    return kind, place, other


def flows_after(
    flow: FloatArray,
    move: tuple[IntArray, IntArray, IntArray],
    cost: FloatArray,
    *,
    step: FloatArray,
    level: FloatArray,
) -> tuple[FloatArray, BoolArray]:
    """Make the moves, each on its own explanation; return the flow of each use, and whether it has just opened."""
    kind, place, other = move
    places = np.arange(flow.shape[2])
    at = places == np.where(kind == _OPENS, (flow == 0).argmax(axis=2), place)[..., None]
    after = np.where(at, flow + step[:, None, None], flow)
    after[at & (kind >= _CLOSES)[..., None] | (places == other[..., None])] = 0.0
    after[np.isinf(cost)] = 0.0
    total = after.sum(axis=2)
    after *= (level[:, None] / np.where(total > 0, total, 1.0))[..., None]
    return after, at & ((kind == _OPENS) | (kind == _FOLLOWS))[..., None]


def _thin(flow: FloatArray) -> FloatArray:
    """Price of a new use for being thinner than fixtures run."""
    return np.where(flow >= LEAST_FLOW_LPM, 0.0, THIN_COST)


def _misfit(miss: FloatArray, flow: FloatArray, noise: FloatArray) -> FloatArray:
    """Price of a use closing with a fall that misses its flow by `miss`."""
    own = np.maximum(SAME_FIXTURE * flow, 1e-6) ** 2
    spread = noise + own
    return np.asarray(0.5 * miss * miss / spread + 0.5 * UNSURE_COST * np.log(spread / own))
