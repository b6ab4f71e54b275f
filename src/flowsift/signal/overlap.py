"""Overlapping uses taken apart: the steps of one span of flow explained together.

Every rise opens a use or turns one up, every fall closes a use or turns one down, and at the end of the span all are
closed. A beam search keeps the cheapest explanations of the steps so far; costs are negative log-likelihoods, so a
closing use whose flow is unlike the fall pays by the squared misfit, and each further use or adjustment pays a fixed
price. The work grows with the number of steps alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from math import exp, log, log1p

BEAM = 12
"""Explanations kept after each step."""

MOST_AT_ONCE = 6
"""Uses that may run at once in one explanation."""

OPEN_COST = 3.0
"""Price of a new use."""

ADJUST_COST = 3.0
"""Price of turning a use up or down."""

ADJUST_SLOPE = 1.5
"""Further price for each e-fold of an adjustment: handles move a little more often than a lot."""

TOGETHER_COST = 3.5
"""Price of two things in the same instant (two uses closing, one closing as another opens)."""

OLDER_COST = 0.3
"""Price of an older use closing before a younger one: short uses are commoner than long ones."""

LEAST_FLOW_LPM = 0.4
"""A use doesn't run below this [L/min]; see `flowsift.signal.runs.LEAST_USE_LPM` for a steady draw."""

SHARED_LINE = 0.05
"""Standard deviation of a step for the pressure that uses share, as a share of the whole flow (assumption: the dip when
a second fixture opens)."""

SAME_FIXTURE = 0.08
"""Standard deviation between a use's opening and closing step, as a share of its flow (assumption)."""


@dataclass(frozen=True, kw_only=True)
class Use:
    """One use inside a span: its flow on each plateau from `first` on."""

    first: int
    flows_lpm: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class Explanation:
    """The uses of one span, and how sure the division is among the explanations kept (0 to 1)."""

    uses: tuple[Use, ...]
    certainty: float


@dataclass(frozen=True)
class _State:
    """A way to explain the steps so far.

    `cost` is that of the cheapest way to get here, `mass` the cost of all of them together.
    """

    cost: float
    mass: float
    active: tuple[tuple[int, float], ...]
    n_uses: int
    parent: _State | None


def explain_span(level_lpm: list[float], variance: list[float]) -> Explanation:
    """Divide the plateaus of one span among uses.

    Parameters
    ----------
    level_lpm : list of float, length n_plateaus
        Levels above the trickle [L/min], > 0, n_plateaus >= 1. No flow before and after.
    variance : list of float, length n_plateaus
        Variance of each level [(L/min)^2].

    Returns
    -------
    Explanation
        On each plateau the flows of its uses add up to its level.
    """
    beam = [_State(0.0, 0.0, (), 0, None)]
    before, noise_before = 0.0, 0.0
    for level, noise in zip(level_lpm, variance, strict=True):
        beam = _advance(beam, before, level, noise_before + noise + (SHARED_LINE * max(level, before)) ** 2)
        before, noise_before = level, noise
    closing = [TOGETHER_COST * max(len(state.active) - 1, 0) for state in beam]
    best = min(range(len(beam)), key=lambda k: beam[k].cost + closing[k])
    lowest = beam[best].cost + closing[best]
    weight = sum(exp(lowest - state.mass - end) for state, end in zip(beam, closing, strict=True))
    return Explanation(uses=_uses_of(beam[best]), certainty=min(1.0 / weight, 1.0))


def _advance(beam: list[_State], before: float, level: float, noise: float) -> list[_State]:
    found: dict[tuple[int, ...], _State] = {}
    for state in beam:
        for cost, active, n_uses in _moves(state, level - before, level, noise):
            total = sum(flow for _, flow in active)
            if total <= 0 or len(active) > MOST_AT_ONCE:
                continue
            scaled = tuple((use, flow * level / total) for use, flow in active)
            # Explanations that agree on what runs now, to a twentieth of the flow, go on alike: the cheapest stays and
            # speaks for all.
            key = tuple(sorted(round(20 * flow / level) for _, flow in scaled))
            reached = _State(state.cost + cost, state.mass + cost, scaled, n_uses, state)
            rival = found.get(key)
            if rival is not None:
                mass = min(rival.mass, reached.mass) - log1p(exp(-abs(rival.mass - reached.mass)))
                cheaper = reached if reached.cost < rival.cost else rival
                reached = _State(cheaper.cost, mass, cheaper.active, cheaper.n_uses, cheaper.parent)
            found[key] = reached
    return sorted(found.values(), key=lambda s: s.cost)[:BEAM]


_Move = tuple[float, tuple[tuple[int, float], ...], int]


def _moves(state: _State, step: float, level: float, noise: float) -> Iterator[_Move]:
    """Yield the ways from `state` to the next level: price, active uses, number of uses so far."""
    active, n = state.active, state.n_uses
    if not active:
        yield OPEN_COST, ((n, level),), n + 1
        return
    if step > 0:
        yield OPEN_COST + _thin(step), (*active, (n, step)), n + 1
    newest = max(use for use, _ in active)
    for k, (use, flow) in enumerate(active):
        others = active[:k] + active[k + 1 :]
        changed = flow + step
        if changed > (LEAST_FLOW_LPM if others else 0.0):
            yield ADJUST_COST + ADJUST_SLOPE * abs(log(changed / flow)), (*others, (use, changed)), n
            if abs(step) > 0.1 * flow:
                yield OPEN_COST + TOGETHER_COST + _thin(changed), (*others, (n, changed)), n + 1
        if step < 0 and others:
            yield _misfit(flow + step, flow, noise) + (OLDER_COST if use < newest else 0.0), others, n
    if step < 0:
        for one, other in combinations(active, 2):
            rest = tuple(u for u in active if u not in (one, other))
            if rest:
                flow = one[1] + other[1]
                yield TOGETHER_COST + _misfit(flow + step, flow, noise), rest, n


def _thin(flow: float) -> float:
    """Price of a new use that would be thinner than fixtures run."""
    return 0.0 if flow >= LEAST_FLOW_LPM else 4.0


def _misfit(miss: float, flow: float, noise: float) -> float:
    """Price of a use closing with a fall that misses its flow by `miss`."""
    return 0.5 * miss * miss / (noise + (SAME_FIXTURE * flow) ** 2)


def _uses_of(state: _State) -> tuple[Use, ...]:
    """Follow an explanation back and collect each use's flows."""
    states: list[_State] = []
    here: _State | None = state
    while here is not None and here.parent is not None:
        states.append(here)
        here = here.parent
    flows: dict[int, list[float]] = {}
    first: dict[int, int] = {}
    for plateau, visited in enumerate(reversed(states)):
        for use, flow in visited.active:
            first.setdefault(use, plateau)
            flows.setdefault(use, []).append(flow)
    return tuple(Use(first=first[u], flows_lpm=tuple(flows[u])) for u in sorted(flows))
